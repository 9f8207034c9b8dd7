/* accept_internal.h - shared by the files of acceptance only. */
#ifndef NW_BOOK_ACCEPT_INTERNAL_H
#define NW_BOOK_ACCEPT_INTERNAL_H

#include "book/book_internal.h"

enum { BOOK_ACCEPT_NIGHTS = 60 };

/* What is looked at in one sub, in this order. */
enum book_quantity { WIDTH, LENGTH, SIDE, TOP, CORNER, STARS, LIMIT, N_QUANTITIES };

/* One sub with all that is asked of it; NaN: not known. */
struct book_sub {
    int64_t id;
    double values[N_QUANTITIES];
    double ra_rad, dec_rad, exposure_s;
    char date[NW_BOOK_DATE], object[72], channel[8];
    size_t width_px, height_px;
};

/* The nights before, newest first: the medians of each, and its first sub. */
struct book_history {
    double values[BOOK_ACCEPT_NIGHTS][N_QUANTITIES];
    struct book_sub first[BOOK_ACCEPT_NIGHTS];
    size_t n;
};

/* By its name, else by where the telescope pointed, and the same exposure. */
bool book_is_same_target(const struct book_sub *a, const struct book_sub *b);
/* The next check, verdict not told yet. */
struct nw_book_check *book_add_check(struct nw_book_acceptance *a, const char *what,
                                     const char *unit);
/* Scale and rotation against the newest night on the same target. */
enum nw_status book_judge_geometry(struct nw_book *book, struct nw_book_acceptance *a,
                                   const struct book_sub *now, const struct book_history *history,
                                   struct nw_err *err) NW_CHECKED;

#endif
