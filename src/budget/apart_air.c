/* apart_air.c - from a measured width to the air that made it, fast.
 * The profile falls to half at half the width: with the radial OTF M(f) of all lines,
 *     integral M(f) [J0(2 pi f w/2) - 1/2] f df = 0,
 * and the air is exp(-rho a(f)) in M, rho = (r0 of the rig / r0)^(5/3) times the airmass (Fried
 * 1966): one equation for rho, solved by Newton's rule in logarithms. The implicit derivative of
 * the same equation is the slope of the width. */
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"
#include "sky/sky.h"

static double arcsec2(double value) {
    return value / (NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD);
}

/* Where a climate log says how much warmer than the air the warmest surface is, local air follows
 * that: structure of temperature goes as its square, r0 as its -6/5, the width as its 6/5 (Racine
 * et al. 1991, PASP 103, 1020, found 0.4 arcsec x dT^1.2 over mirrors; from memory); the value is
 * that of the usual first excess. Elsewhere it goes by e in the settling time. */
#define EXCESS_POWER 1.2
double apart_local_rad(const struct apart_model *model, const struct apart_sub *sub,
                       const struct apart_x *x) {
    const double first_rad = x->v[NW_APART_LOCAL_AIR] / NW_ARCSEC_PER_RAD;
    if (isfinite(sub->excess_K) && model->excess_ref_K > 0.0) {
        return first_rad * pow(fmax(0.0, sub->excess_K) / model->excess_ref_K, EXCESS_POWER);
    }
    return first_rad * exp(-sub->t_open_s / exp(x->v[NW_APART_SETTLING]));
}

double apart_seeing_rad(const struct apart_model *model, double air) {
    return nw_sky_fwhm_of_r0_rad(model->r0_m * exp(-air), 500e-9, model->outer_scale_m);
}

double apart_air_value(const struct apart_model *model, double seeing_rad) {
    return log(model->r0_m / nw_sky_r0_of_seeing_m(seeing_rad, 500e-9, model->outer_scale_m));
}

double apart_width_rad(const struct apart_model *model, const struct apart_sub *sub,
                       const struct apart_x *x, enum nw_apart_term_id term) {
    if (term == NW_APART_LOCAL_AIR) {
        return apart_local_rad(model, sub, x);
    }
    if (term == NW_APART_AIR) {
        return apart_seeing_rad(model, x->v[term] + 0.6 * log(sub->airmass));
    }
    return nw_apart_term_line(term) < NW_STAR_N_LINES
               ? x->v[term] * sub->nominal_rad[nw_apart_term_line(term)]
               : NAN;
}

/* out *= the ladder at a scale, by the parabola through three rungs. */
static void times_ladder(const struct apart_ladder *ladder, double scale, double *out) {
    const double at = scale / APART_RUNG;
    const double nearest = fmin(APART_STEPS - 2.0, fmax(1.0, round(at)));
    const size_t i = (size_t)nearest;
    const double d = fmin(1.0, at - nearest);
    const double w0 = 0.5 * d * (d - 1.0);
    const double w1 = 1.0 - d * d;
    const double w2 = 0.5 * d * (d + 1.0);
    for (size_t k = 0; k < APART_NODES; k++) {
        out[k] *= w0 * ladder->otf[i - 1][k] + w1 * ladder->otf[i][k] + w2 * ladder->otf[i + 1][k];
    }
}

/* Everything but the air above. */
static void rest_of(const struct apart_model *model, const struct apart_sub *sub,
                    const struct apart_x *x, double *rest) {
    static const enum nw_apart_term_id DISC[APART_DISCS] = {NW_APART_LENS_COLOUR, NW_APART_FOCUS,
                                                            NW_APART_TILT_CURVATURE};
    const double *v = x->v;
    const double extra = v[NW_APART_EXTRA] + (sub->is_changed ? v[NW_APART_CHANGE] : 0.0);
    const double variance = v[NW_APART_MOTION] * v[NW_APART_MOTION] * sub->motion_rad2 +
                            v[NW_APART_FLEXURE] * v[NW_APART_FLEXURE] * sub->flexure_rad2 +
                            v[NW_APART_DECENTRE] * v[NW_APART_DECENTRE] * sub->decentre_rad2 +
                            arcsec2(extra) / (NW_FWHM_PER_SIGMA * NW_FWHM_PER_SIGMA);
    const double local = pow(apart_local_rad(model, sub, x), 5.0 / 3.0);
    for (size_t k = 0; k < APART_NODES; k++) {
        rest[k] = sub->fixed[k] * exp(-(variance * model->f2[k] + local * model->local[k]));
    }
    for (size_t i = 0; i < APART_DISCS; i++) {
        if (sub->ladders[i]) {
            times_ladder(sub->ladders[i], v[DISC[i]], rest);
        }
    }
}

bool apart_air_of(const struct apart_model *model, const struct apart_sub *sub,
                  const struct apart_x *x, double *io_air, double *ret_slope) {
    double rest[APART_NODES];
    const double *const air = model->air[sub->filter];
    double least = 0.0; /* with air a thousandth of the rig's in rho */
    rest_of(model, sub, x, rest);
    for (size_t k = 0; k < APART_NODES; k++) {
        least += rest[k] * sub->half[k] * (1.0 - 1e-3 * air[k]);
    }
    if (!(least < 0.0)) {
        return false;
    }
    double ln_rho = *io_air / 0.6 + log(sub->airmass);
    ln_rho = isfinite(ln_rho) ? ln_rho : 0.0;
    double value_slope = NAN; /* of the condition, by ln rho */
    double width_slope = NAN; /* of the condition, by ln width */
    for (int i = 0; i < 40; i++) {
        const double rho = exp(ln_rho);
        double value = 0.0;
        value_slope = width_slope = 0.0;
        for (size_t k = 0; k < APART_NODES; k++) {
            const double a = rho * air[k];
            const double otf = rest[k] * exp(-a);
            value += otf * sub->half[k];
            value_slope -= otf * sub->half[k] * a;
            width_slope += otf * sub->slope[k];
        }
        const double step = value_slope > 0.0 ? -value / value_slope : value < 0.0 ? 1.0 : -1.0;
        ln_rho += fmax(-1.0, fmin(1.0, step));
        if (fabs(step) < 1e-7) {
            break;
        }
    }
    *io_air = 0.6 * (ln_rho - log(sub->airmass));
    *ret_slope = value_slope / -width_slope / 0.6;
    return *ret_slope > 0.0 && ln_rho > -7.0;
}

/* ---- Settled --------------------------------------------------------------------------------- */

/* Local air adds less than a percent to the width: (1 + q^(5/3))^(3/5) of air that goes by the
 * power 5/3. */
static double settled_share(void) {
    return pow(pow(1.01, 5.0 / 3.0) - 1.0, 0.6);
}

/* By the climate log: the median over the nights of the last moment at which it adds more. */
static double settled_by_log(const struct apart_model *model, const struct apart_x *best,
                             double air_rad, double *work) {
    size_t n = 0;
    for (size_t i = 0; i < model->n;) {
        double last_s = 0.0;
        bool is_known = false;
        bool is_over = false;
        const size_t night = model->subs[i].night;
        for (; i < model->n && model->subs[i].night == night; i++) {
            const struct apart_sub *const sub = &model->subs[i];
            if (isfinite(sub->excess_K)) {
                is_known = true;
                is_over = apart_local_rad(model, sub, best) > settled_share() * air_rad;
                last_s = is_over ? sub->t_open_s : last_s;
            }
        }
        last_s = is_over ? INFINITY : last_s; /* not before the night's last sub */
        if (is_known) {
            work[n++] = last_s;
        }
    }
    return n > 0 ? nw_stat_median(work, n) : NAN;
}

static double settled(const struct apart_x *best, double air_rad) {
    const double start = best->v[NW_APART_LOCAL_AIR] / NW_ARCSEC_PER_RAD / air_rad;
    const double end = settled_share();
    return start > end ? exp(best->v[NW_APART_SETTLING]) * log(start / end) : 0.0;
}

enum nw_status apart_settle(const struct apart_model *model, const struct apart_x *best,
                            struct nw_apart *apart, struct nw_err *err) {
    const double air_rad = apart->terms[NW_APART_AIR].value;
    if (!model->prior[NW_APART_LOCAL_AIR].is_active) {
        return NW_OK;
    }
    for (size_t i = 0; i < model->n && model->excess_ref_K > 0.0; i++) {
        apart->n_excess += isfinite(model->subs[i].excess_K) ? 1 : 0;
    }
    double *work = nw_calloc(model->n_nights + 1, sizeof *work);
    if (!work) {
        return nw_err_set(err, NW_NOMEM, "%zu nights", model->n_nights);
    }
    apart->settled_s =
        apart->n_excess > 0 ? settled_by_log(model, best, air_rad, work) : settled(best, air_rad);
    free(work);
    return NW_OK;
}
