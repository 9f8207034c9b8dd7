/* apart_air.c - from a measured width to the air that made it, fast.
 * The profile falls to half at half the width: with the radial OTF M(f) of all lines,
 *     integral M(f) [J0(2 pi f w/2) - 1/2] f df = 0,
 * and the air is exp(-rho a(f)) in M, rho = (r0 of the rig / r0)^(5/3) times the airmass (Fried
 * 1966): one equation for rho, solved by Newton's rule in logarithms. The implicit derivative of
 * the same equation is the slope of the width. */
#include <math.h>

#include "budget/apart_internal.h"
#include "sky/sky.h"

static double arcsec2(double value) {
    return value / (NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD);
}

double apart_local_rad(const struct apart_x *x, double t_open_s) {
    return x->v[NW_APART_LOCAL_AIR] / NW_ARCSEC_PER_RAD *
           exp(-t_open_s / exp(x->v[NW_APART_SETTLING]));
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
        return apart_local_rad(x, sub->t_open_s);
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
    const double local = pow(apart_local_rad(x, sub->t_open_s), 5.0 / 3.0);
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
    double least = 0.0; /* with air a thousandth of the rig's in rho */
    rest_of(model, sub, x, rest);
    for (size_t k = 0; k < APART_NODES; k++) {
        least += rest[k] * sub->half[k] * (1.0 - 1e-3 * model->air[k]);
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
            const double a = rho * model->air[k];
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
