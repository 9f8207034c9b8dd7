/* documents_internal.h - shared by the files that take documents of commands into tables. */
#ifndef NW_BOOK_DOCUMENTS_INTERNAL_H
#define NW_BOOK_DOCUMENTS_INTERNAL_H

#include "book/book_internal.h"
#include "book/documents.h"

/* What a document says about itself; texts borrowed from it, "" where it does not say. */
struct book_about {
    const json_t *root, *about;
    const char *command, *rig, *setup, *camera, *telescope, *filter, *tube_side, *night;
    double start_utc_s, end_utc_s; /* first and last frame; NaN */
    double n_frames;
    struct book_value night_id; /* NULL: no night */
    int64_t document_id;
};

double book_json_real(const json_t *object, const char *key); /* NaN where null or missing */
const char *book_json_text(const json_t *object, const char *key);
double book_json_time(const json_t *object, const char *key); /* ISO 8601 -> UTC */

/* A number of the document on its way to a column: SI = value * factor + offset. */
struct book_json_column {
    const char *key, *column;
    double factor, offset;
};
void book_put_numbers(struct book_row *row, const json_t *object,
                      const struct book_json_column *columns, size_t n);

/* Rows of the tables behind a document whose row is there. */
enum nw_status book_write_surface(struct nw_book *book, const struct book_about *about,
                                  struct nw_err *err) NW_CHECKED;
enum nw_status book_write_sensor(struct nw_book *book, const struct book_about *about,
                                 struct nw_err *err) NW_CHECKED;
enum nw_status book_write_flats(struct nw_book *book, const struct book_about *about,
                                struct nw_err *err) NW_CHECKED;
enum nw_status book_write_plan(struct nw_book *book, const struct book_about *about,
                               struct nw_err *err) NW_CHECKED;
enum nw_status book_write_trial(struct nw_book *book, const struct book_about *about,
                                struct nw_err *err) NW_CHECKED;

#endif
