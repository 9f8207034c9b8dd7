/* trail_seeing_internal.h - what the files of the trail's seeing share. */
#ifndef NW_TRAIL_SEEING_INTERNAL_H
#define NW_TRAIL_SEEING_INTERNAL_H

#include "budget/trail_seeing.h"
#include "sky/tilt.h"

enum { TRAIL_OUTER = 3, TRAIL_MODES_FIRST = 3 };

/* Series of n steps in cosines, those of a line and a bend left out: mode k holds about the
 * frequency k / (2 n step). */
struct trail_modes {
    size_t n, n_modes;
    double *cosines; /* n_modes * n, straightened and of length 1 */
    double *lags;    /* n_modes * n: autocorrelation of each, lags above 0 doubled */
};
enum nw_status trail_modes_init(size_t n, struct trail_modes *ret, struct nw_err *err) NW_CHECKED;
void trail_modes_done(struct trail_modes *modes);
/* Coefficients of one series. */
void trail_modes_apply(const struct trail_modes *modes, const double *values, double *ret);

/* Covariance of the wobble across at lags 0..n-1 steps, for r0 = 1 m, along and across the flow. */
struct trail_flow {
    struct nw_tilt_aperture aperture; /* outer scale in it */
    double wind_m_s, step_s;
    double drift_px_s, angle_rad;
    struct nw_trail_profile profile; /* the star's own averaging */
};
enum { TRAIL_TABLE = 160 };
struct trail_table { /* ln of the power along and across, by ln of the frequency along the flow */
    double ln_low, ln_step, along[TRAIL_TABLE], across[TRAIL_TABLE];
};
void trail_table_fill(const struct nw_tilt_aperture *aperture, struct trail_table *ret);
void trail_covariance(const struct trail_table *table, const struct trail_flow *flow, size_t n,
                      double *ret_along, double *ret_across);
/* Variance of every mode under a covariance. */
void trail_modes_power(const struct trail_modes *modes, const double *covariance, double *ret);

#endif
