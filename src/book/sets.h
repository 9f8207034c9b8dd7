/* sets.h - shared by the files of book that keep calibration sets. */
#ifndef NW_BOOK_SETS_H
#define NW_BOOK_SETS_H

#include "book/book_internal.h"

/* Gives every bias, dark and flat frame without a set its set, and marks sets and sessions that got
 * frames as stale. Chunks of transactions. */
enum nw_status book_group_sets(struct nw_book *book, struct nw_err *err) NW_CHECKED;
/* Measures stale sets and sessions that have been quiet for half an hour (by opts->now_utc_s; of
 * the past or without a clock: at once), as far as their files are still where they were. */
enum nw_status book_measure_sets(struct nw_book *book, const struct nw_book_add_opts *opts,
                                 const struct nw_progress *progress, struct nw_err *err) NW_CHECKED;

/* The frames of a statement (id, path, use) whose files are there. */
struct book_set_frames {
    struct nw_frame **headers; /* pixels left out; their paths are the files' */
    enum nw_frame_use *uses;
    size_t n;
};
enum nw_status book_read_set_frames(struct nw_book *book, const char *sql,
                                    const struct book_value *values, size_t n_values,
                                    struct book_set_frames *ret, struct nw_err *err) NW_CHECKED;
void book_set_frames_done(struct book_set_frames *frames);

/* What the frames of one session (a night, camera, gain, offset) say; writes the row. */
enum nw_status book_measure_session(struct nw_book *book, int64_t result, int n_threads,
                                    struct nw_err *err) NW_CHECKED;

#endif
