/* exposures.h - a public header of book of its own: all frames of a night as their headers have
 * them, for trials that are known by what was done (budget/trials.h). */
#ifndef NW_BOOK_EXPOSURES_H
#define NW_BOOK_EXPOSURES_H

#include "book/book.h"
#include "budget/trials.h"

/* Words of a frame, and where it was last seen. */
struct nw_book_exposure {
    char *path;
    char filter[32], object[72], camera[72];
    double added_utc_s; /* when the book took it */
};
struct nw_book_exposures {
    struct nw_trial_exposure *frames; /* words point into `words` */
    struct nw_book_exposure *words;
    size_t n;
};
/* In order of time; lights, darks and flats with a time and a place, doubles left out. is_taken:
 * subs of short-and-long of at most 10 s, trails. sun_altitude_rad of darks alone: at the site of
 * `rig`, else where the frame says it was taken. None is no error. */
enum nw_status nw_book_exposures(struct nw_book *book, const char *date, const struct nw_rig *rig,
                                 struct nw_book_exposures *ret, struct nw_err *err) NW_CHECKED;
void nw_book_exposures_done(struct nw_book_exposures *exposures);

#endif
