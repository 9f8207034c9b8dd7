/* live_internal.h - shared by the files that raise alerts. */
#ifndef NW_BOOK_LIVE_INTERNAL_H
#define NW_BOOK_LIVE_INTERNAL_H

#include <math.h>

#include "book/live.h"
#include "power/power_log.h"

/* A new alert, on from t_s; NULL: there are too many. */
struct nw_live_alert *live_raise(struct nw_live *live, enum nw_live_kind kind, double t_s,
                                 double value, double limit);
void live_sort(struct nw_live *live); /* by the time they were raised */

/* Raises and clears `dew` over the rows of the climate log. */
void live_replay_dew(struct nw_live *live);
/* Dew and light lost at the same time are told together; after all others. */
void live_join_dew_and_light(struct nw_live *live);

/* Of an exposure unknown: its start. */
static inline double live_end_of(const struct nw_live_sub *sub) {
    return sub->t_start_utc_s + (isfinite(sub->exposure_s) ? sub->exposure_s : 0.0);
}

/* "02:14", UTC. */
static inline const char *live_clock(double t_s, char text[static 8]) {
    char iso[32];
    nw_time_write_iso(t_s, 0, iso, sizeof iso);
    nw_text_copy(text, 6, iso + 11);
    return text;
}

/* The climate log of the night, as far as the book has it. */
struct nw_book;
enum nw_status live_read_climate(struct nw_book *book, struct nw_live *live,
                                 struct nw_err *err) NW_CHECKED;
/* A night with the light of the subs next to some moments only, against that with most stars; n 0:
 * of none. Light of all is most of what reading a night takes. */
struct live_moments {
    const double *t_s;
    size_t n;
};
enum nw_status live_read_near(struct nw_book *book, const char *date,
                              const struct live_moments *near, struct nw_live *ret,
                              struct nw_err *err) NW_CHECKED;
/* Median of a column of a power log; work: as long as its rows. */
double live_usual_power(const struct nw_power_rows *rows, size_t column, double *work);
/* The volts of the circuit that dips deepest. */
enum nw_status live_read_volts(struct nw_book *book, struct nw_live *live,
                               struct nw_err *err) NW_CHECKED;

#endif
