/* fading.h - sixth public header of book: does the telescope lose light over the months?
 *
 * Idea: stars that the subs of one target have in common give the light of each night against the
 * others of that target; targets share one slope and have a level each. Weather makes nights
 * darker, never brighter than clear, and does so in all months: it widens the interval, and a
 * robust fit leaves the worst out. Dust is not told from a season's haze in under a year. */
#ifndef NW_BOOK_FADING_H
#define NW_BOOK_FADING_H

#include "book/book.h"

/* Loss at which cleaning is worth the risk: common practice, no source. */
#define NW_FADING_ALLOWED 0.05

/* One night of one target: the best of its three subs nearest the zenith. */
struct nw_fading_point {
    double t_s;      /* days count from the evening's date, UTC noon */
    double ln_light; /* against the best of its group */
    size_t group;
    char date[NW_BOOK_DATE];
};
struct nw_fading {
    struct nw_fading_point *points;
    size_t n, n_groups, n_nights;
    double loss_per_s, low_per_s, high_per_s; /* share of the light; 95 % */
    double scatter;                           /* robust, of ln light about the lines */
    double start_s;                           /* first night: since then... */
    double lost;                              /* ...so much by the last one */
    double due_s, due_from_s, due_until_s;    /* NW_FADING_ALLOWED reached; infinite: not surely */
    char why_null[120];                       /* "" = known */
};
/* from: nights since that date ("" or NULL: all), the day of the last cleaning; camera "" or NULL:
 * all. The interval: 95 % of 400 resamplings of whole nights, seeded. */
enum nw_status nw_fading_of(struct nw_book *book, const char *from, const char *camera,
                            struct nw_fading *ret, struct nw_err *err) NW_CHECKED;
void nw_fading_done(struct nw_fading *fading);
/* The fit alone, of points that are there (sorted by group). */
enum nw_status nw_fading_fit(struct nw_fading *fading, struct nw_err *err) NW_CHECKED;

#endif
