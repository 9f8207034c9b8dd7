/* accept_internal.h - shared by the files of acceptance only. */
#ifndef NW_BOOK_ACCEPT_INTERNAL_H
#define NW_BOOK_ACCEPT_INTERNAL_H

#include "book/book_internal.h"

enum { BOOK_ACCEPT_NIGHTS = 60 };

/* What is held against the nights before, in this order; up to N_MEASURED each sub has its own. */
enum book_quantity {
    WIDTH,
    LENGTH,
    SIDE,
    TOP,
    CORNER,
    STARS,
    LIMIT,
    N_MEASURED,
    LIGHT = N_MEASURED,
    N_QUANTITIES
};

/* One sub with all that is asked of it; NaN: not known. */
struct book_sub {
    int64_t id;
    double values[N_MEASURED];
    double ra_rad, dec_rad, exposure_s, airmass, gain_setting;
    char date[NW_BOOK_DATE], object[72], channel[8];
    size_t width_px, height_px;
};

/* The nights before, newest first: the medians of each, and its first sub. */
struct book_history {
    double values[BOOK_ACCEPT_NIGHTS][N_MEASURED];
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

/* Light of the stars that tonight's subs and the first subs of earlier nights on the same target
 * (same gain and exposure) have in common, the usual loss by altitude taken off, as a share of the
 * best of them all; NaN where it cannot be matched. */
struct book_light {
    double tonight, before[BOOK_ACCEPT_NIGHTS];
    size_t n_before;
};
enum nw_status book_light_of(struct nw_book *book, const struct book_sub *now, size_t n_now,
                             const struct book_history *history, struct book_light *ret,
                             struct nw_err *err) NW_CHECKED;
/* Do the pulses move the star the right way, at the start and after each flip? */
enum nw_status book_judge_response(struct nw_book *book, struct nw_book_acceptance *a,
                                   struct nw_err *err) NW_CHECKED;

#endif
