/* fit.h - loss, heat capacity, air changes, walls' water, time constants from the owner's log, with
 * errors. A public header of air.
 *
 * Idea: all of them are first-order lags, y' = k (x - y) + k g . u: the room behind the air, the
 * cover behind the room, the vapour inside behind that outside, tube and lens behind the air. Given
 * k, the response is exact between rows and linear in the gains g and in the state each stretch
 * began with: one search over k, the rest by least squares (variable projection, Golub & Pereyra
 * 1973, SIAM J. Numer. Anal. 10, 413). What the log does not determine is NaN, with the experiment
 * that would determine it. */
#ifndef NW_AIR_FIT_H
#define NW_AIR_FIT_H

#include "air/log.h"

enum { NW_AIR_LAG_INPUTS = 3 };

/* Rows that follow each other within an hour and are used make a stretch. */
struct nw_air_lag_data {
    const double *t_s, *y, *x;
    const double *inputs[NW_AIR_LAG_INPUTS]; /* held from a row to the next; NULL: none */
    const double *store; /* w = store y is what the flows change: w' = k (x + g . u - y); NULL: 1 */
    bool is_switch[NW_AIR_LAG_INPUTS]; /* it jumps, somewhere between two rows: a new stretch */
    double ln_rate_near;               /* searched within a factor of 4 of it; NaN: everywhere */
    const bool *use;                   /* NULL: all; rows with NaN are left out in any case */
    size_t n;
};
/* Errors: from the residuals, widened for their correlation: by (1 + r)/(1 - r) from row to row, or
 * by what the sums of scores over up to two hundred rows say (Newey & West 1987, Econometrica 55,
 * 703), whichever is more; noise of x is slow behind a lag and shows there only.
 * 90 % intervals cover 90 % on simulated logs (test_fit.c; docs/air.md). */
struct nw_air_lag {
    double rate_per_s, ln_rate_sigma; /* k */
    double gain[NW_AIR_LAG_INPUTS], gain_sigma[NW_AIR_LAG_INPUTS];
    double gain_ln_rate_cov[NW_AIR_LAG_INPUTS];
    double rss, inflation; /* of the residuals; of the variance of ln k over that of white noise */
    double rms, correlation; /* of the residuals, in the unit of y; from row to row */
    size_t n_used, n_stretches;
    bool is_at_end; /* the best k lies at the end of what was tried, 2 min to 200 h */
};
/* DATA: fewer than 8 rows in stretches of at least 4, or nothing that changes. */
enum nw_status nw_air_lag_fit(const struct nw_air_lag_data *data, struct nw_air_lag *ret,
                              struct nw_err *err) NW_CHECKED;

struct nw_air_estimate {
    double v, sigma, low, high; /* low, high: 90 % */
    char why_null[176];
};
struct nw_air_fit {
    /* room, roof closed, Sun down */
    struct nw_air_estimate room_loss_W_K, room_capacity_J_K, room_time_s;
    struct nw_air_estimate air_changes_per_s, water_buffer_kg, dryer_kg_s;
    /* covered */
    struct nw_air_estimate cover_loss_W_K, cover_capacity_J_K, cover_time_s;
    /* surfaces, roof open: time constant; how much of (sky - air) they are colder than the air */
    struct nw_air_estimate part_time_s[12], part_sky[12];
    double room_rms_K, cover_rms_K;
    size_t n_closed, n_open, n_covered; /* rows */
};
/* is_night: for every row, the Sun is down; NULL: everywhere. Only NOMEM fails: a log that measured
 * nothing inside gives estimates that are all NaN, each with its reason. */
enum nw_status nw_air_fit_log(const struct nw_rig *rig, const struct nw_air_log *log,
                              const bool *is_night, struct nw_air_fit *ret,
                              struct nw_err *err) NW_CHECKED;

#endif
