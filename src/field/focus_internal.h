/* focus_internal.h - shared by the files of the focus-run fit only. */
#ifndef NW_FOCUS_INTERNAL_H
#define NW_FOCUS_INTERNAL_H

#include "field/focus.h"

#define FOCUS_NIGHT_GAP_S (4.0 * 3600.0)

enum { FOCUS_COLUMNS = 64, FOCUS_NIGHTS = 32 };

enum focus_kind {
    FOCUS_NIGHT,
    FOCUS_TEMPERATURE,
    FOCUS_WARM, /* what a tube warmer than its air leaves of a night's first runs */
    FOCUS_LAG,
    FOCUS_FILTER,
    FOCUS_WAY,
    FOCUS_SIDE,
    FOCUS_HOURS,
    FOCUS_ALTITUDE
};
struct focus_column {
    enum focus_kind kind;
    size_t which;
    bool is_taken;
    size_t at; /* place among the taken ones */
};

struct focus_work {
    const struct nw_focus_runs *runs;
    size_t n; /* runs that count */
    size_t *run;
    size_t *night;
    double *y, *weight, *residual;
    double lag_s;           /* at which the columns stand */
    double *lagged, *slope; /* T' of each run, and dP/dlag per steps per K */
    /* readings of the temperature, by time, with the place of each run among them */
    double *t, *temperature, *smooth;
    size_t n_t, *reading;
    char filters[NW_FOCUS_FILTERS][32];
    size_t n_filters, n_nights;
    double night_start_s[FOCUS_NIGHTS];
    /* factors */
    struct focus_column columns[FOCUS_COLUMNS];
    size_t n_columns, n_taken;
    double *q; /* n x taken, by column */
    double r[FOCUS_COLUMNS][FOCUS_COLUMNS], beta[FOCUS_COLUMNS],
        covariance[FOCUS_COLUMNS][FOCUS_COLUMNS];
    double rss, sigma; /* weighted sum of squares; of one run */
};

struct focus_lag {
    double best_s, low_s, high_s; /* 95 %; high NaN: no upper bound found */
};

/* T' of each run (ret, n) with a lag; each night begins anew. */
void focus_lag_nights(struct focus_work *w, double lag_s, double *ret);
struct focus_column *focus_add_column(struct focus_work *w, enum focus_kind kind, size_t which);
const struct focus_column *focus_find(const struct focus_work *w, enum focus_kind kind,
                                      size_t which); /* or NULL */
/* How far the start of its night is behind a run, in lags; infinite without a lag. */
double focus_age_lags(const struct focus_work *w, size_t i);
bool focus_all_have(const struct focus_work *w, bool is_way);
/* Factors the columns and solves: beta, residual, rss. */
void focus_solve(struct focus_work *w);
void focus_covariance(struct focus_work *w); /* and sigma, after focus_solve */
void focus_results(struct focus_work *w, const struct focus_lag *lag, bool is_lag_fitted,
                   size_t reference, struct nw_focus_job *job);

#endif
