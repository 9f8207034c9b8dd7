/* calibration.h - a public header of book of its own: the bias, dark and flat frames that the book
 * knows, by their headers and by session. */
#ifndef NW_BOOK_CALIBRATION_H
#define NW_BOOK_CALIBRATION_H

#include "book/book.h"

/* Frames as the book has them: no file is read. */
struct nw_book_headers {
    struct nw_book_header {
        char *path;                  /* where it was last seen; may be gone since */
        struct nw_frame_facts facts; /* what the book does not keep is NaN or "" */
        enum nw_frame_use use;
        size_t width_px, height_px;
    } * items;
    size_t n;
};
void nw_book_headers_done(struct nw_book_headers *headers);
/* All bias, dark and flat frames that have a place, doubles left out, in order of time. None is no
 * error. */
enum nw_status nw_book_calibration(struct nw_book *book, struct nw_book_headers *ret,
                                   struct nw_err *err) NW_CHECKED;
/* The light frames of a night (a date) or a target (its name in the headers), likewise. NOTFOUND:
 * neither, with the nearest name. */
enum nw_status nw_book_lights(struct nw_book *book, const char *night_or_target,
                              struct nw_book_headers *ret, struct nw_err *err) NW_CHECKED;

/* The files of one session of calibration frames: bias, dark and flat of the night `date`; "" or
 * NULL: the last that has a frame of `use`. NOTFOUND: no such session. */
enum nw_status nw_book_session(struct nw_book *book, const char *date, enum nw_frame_use use,
                               char ret_date[NW_BOOK_DATE], struct nw_paths *ret,
                               struct nw_err *err) NW_CHECKED;

#endif
