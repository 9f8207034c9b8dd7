/* apart_air.c - from a measured width to the air that made it, fast.
 * The profile falls to half at half the width: with the radial OTF M(f) of all lines,
 *     integral M(f) [J0(2 pi f w/2) - 1/2] f df = 0,
 * and the air is exp(-rho a(f)) in M, rho = (r0 of the rig / r0)^(5/3) times the airmass (Fried
 * 1966): one equation for rho, solved by Newton's rule in logarithms. The implicit derivative of
 * the same equation is the slope of the width. */
#include <math.h>
#include <stdlib.h>

#include "base/clones.h"
#include "budget/apart_internal.h"
#include "image/power.h"
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
NW_CLONES static void times_ladder(const struct apart_ladder *restrict ladder, double scale,
                                   double *restrict out) {
    const double at = scale / ladder->rung;
    const double nearest = fmin((double)ladder->n - 2.0, fmax(1.0, round(at)));
    const size_t i = (size_t)nearest;
    const double d = fmin(1.0, at - nearest);
    const double w0 = 0.5 * d * (d - 1.0);
    const double w1 = 1.0 - d * d;
    const double w2 = 0.5 * d * (d + 1.0);
    const double *restrict const below = ladder->otf[i - 1];
    const double *restrict const at_i = ladder->otf[i];
    const double *restrict const above = ladder->otf[i + 1];
    for (size_t k = 0; k < APART_NODES; k++) {
        out[k] *= w0 * below[k] + w1 * at_i[k] + w2 * above[k];
    }
}

enum { FOCUS_DISC = 1, SMALL = 4 }; /* rungs of a disc that is small beside the star */

/* The disc of focus when the run was `error` off: drift and error add with their signs. */
static void times_run(const struct apart_sub *sub, const struct apart_x *x, double error,
                      double *out) {
    const double diameter = x->v[NW_APART_FOCUS] * fabs(sub->drift_rad + error * sub->error_rad);
    times_ladder(sub->ladders[FOCUS_DISC], diameter, out);
}

/* out = exp(-rate x); of all nodes at once. */
NW_CLONES static void fall_at(double rate, const double *restrict x, double *restrict out) {
    for (size_t k = 0; k < APART_NODES; k++) {
        out[k] = power_exp_minus(rate * x[k]);
    }
}

/* Everything but the air above and the disc of a known focus run. */
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
    double loss[APART_NODES];
    for (size_t k = 0; k < APART_NODES; k++) {
        loss[k] = variance * model->f2[k] + local * model->local[k];
    }
    fall_at(1.0, loss, rest);
    for (size_t k = 0; k < APART_NODES; k++) {
        rest[k] *= sub->fixed[k];
    }
    for (size_t i = 0; i < APART_DISCS; i++) {
        if (sub->ladders[i] && (i != FOCUS_DISC || sub->run == APART_NO_RUN)) {
            times_ladder(sub->ladders[i], v[DISC[i]], rest);
        }
    }
}

/* The condition on the profile at an air, and its derivatives. */
struct condition {
    double value, by_rho, by_width; /* by ln rho, by ln width */
    double by_rho2, by_width_rho;   /* second ones */
};

/* What the condition is where `otf` is everything and the air in it goes by `rho`. */
static struct condition condition_of(const struct apart_model *model, const struct apart_sub *sub,
                                     const double *otf, double rho) {
    const double *const air = model->air[sub->filter];
    struct condition at = {.value = 0.0};
    for (size_t k = 0; k < APART_NODES; k++) {
        const double a = rho * air[k];
        const double half = otf[k] * sub->half[k];
        const double width = otf[k] * sub->slope[k];
        at.value += half;
        at.by_rho -= half * a;
        at.by_rho2 += half * (a * a - a);
        at.by_width += width;
        at.by_width_rho -= width * a;
    }
    return at;
}

/* The way to ln rho by Halley's rule. */
static double step_of(const struct condition *at) {
    if (!(at->by_rho > 0.0)) {
        return at->value < 0.0 ? 1.0 : -1.0;
    }
    const double newton = -at->value / at->by_rho;
    const double bent = 1.0 + 0.5 * newton * at->by_rho2 / at->by_rho;
    const double step = newton / (bent < 0.5 ? 0.5 : bent > 2.0 ? 2.0 : bent);
    return step < -2.0 ? -2.0 : step > 2.0 ? 2.0 : step;
}

/* ln rho; false when everything but the air is wider already. *ret: at a point that is 1e-3 off at
 * most, fall: the air's OTF there. */
static bool solve(const struct apart_model *model, const struct apart_sub *sub, const double *rest,
                  double *io_ln_rho, struct condition *ret, double *fall) {
    const double *const air = model->air[sub->filter];
    double least = 0.0; /* with air a thousandth of the rig's in rho */
    for (size_t k = 0; k < APART_NODES; k++) {
        least += rest[k] * sub->half[k] * (1.0 - 1e-3 * air[k]);
    }
    if (!(least < 0.0)) {
        return false;
    }
    double ln_rho = isfinite(*io_ln_rho) ? *io_ln_rho : 0.0;
    for (int i = 0; i < 40; i++) {
        double otf[APART_NODES];
        const double rho = exp(ln_rho);
        fall_at(rho, air, fall);
        for (size_t k = 0; k < APART_NODES; k++) {
            otf[k] = rest[k] * fall[k];
        }
        *ret = condition_of(model, sub, otf, rho);
        const double step = step_of(ret);
        ln_rho += step;
        if (fabs(step) < 1e-3) { /* the next one would be its cube */
            break;
        }
    }
    *io_ln_rho = ln_rho;
    return ret->by_rho > 0.0 && ret->by_width < 0.0 && ln_rho > -7.0;
}

static double slope_of(const struct condition *at) {
    return at->by_rho / -at->by_width / 0.6;
}

bool apart_air_of(const struct apart_model *model, const struct apart_sub *sub,
                  const struct apart_x *x, double error, double *io_air, double *ret_slope) {
    double rest[APART_NODES];
    double fall[APART_NODES];
    struct condition at;
    rest_of(model, sub, x, rest);
    if (sub->run != APART_NO_RUN) {
        times_run(sub, x, error, rest);
    }
    double ln_rho = *io_air / 0.6 + log(sub->airmass);
    if (!solve(model, sub, rest, &ln_rho, &at, fall)) {
        return false;
    }
    *io_air = 0.6 * (ln_rho - log(sub->airmass));
    *ret_slope = slope_of(&at);
    return true;
}

/* From one disc of focus to another, with the air as it was: the change of ln rho, and the
 * logarithm of the slope there. */
static double far_step(const struct apart_model *model, const struct apart_sub *sub, double rho,
                       const double *otf, double *ret_ln_slope) {
    const struct condition at = condition_of(model, sub, otf, rho);
    const double step = step_of(&at);
    const double by_rho = at.by_rho + step * at.by_rho2;
    const double by_width = at.by_width + step * at.by_width_rho;
    *ret_ln_slope = by_rho > 0.0 && by_width < 0.0 ? log(by_rho / -by_width / 0.6) : NAN;
    return step;
}

#define FAR 1.5 /* standard errors of a run */
bool apart_see(const struct apart_model *model, const struct apart_sub *sub,
               const struct apart_x *x, struct apart_seen *io) {
    double inner[APART_NODES]; /* without the disc of focus */
    double rest[APART_NODES];
    double fall[APART_NODES];
    struct condition at;
    const bool is_run = sub->run != APART_NO_RUN;
    double ln_rho = io->air / 0.6 + log(sub->airmass);
    rest_of(model, sub, x, inner);
    memcpy(rest, inner, sizeof rest);
    if (is_run) {
        times_run(sub, x, 0.0, rest);
    }
    if (!solve(model, sub, rest, &ln_rho, &at, fall)) {
        return false;
    }
    *io = (struct apart_seen){.air = 0.6 * (ln_rho - log(sub->airmass)), .slope = slope_of(&at)};
    if (!is_run) {
        return true;
    }
    double step[2];
    double ln_slope[2];
    for (int side = 0; side < 2; side++) {
        for (size_t k = 0; k < APART_NODES; k++) {
            rest[k] = inner[k] * fall[k];
        }
        times_run(sub, x, side ? FAR : -FAR, rest);
        step[side] = 0.6 * far_step(model, sub, exp(ln_rho), rest, &ln_slope[side]);
        ln_slope[side] = isfinite(ln_slope[side]) ? ln_slope[side] - log(io->slope) : 0.0;
    }
    io->bend[0] = (step[1] - step[0]) / (2.0 * FAR);
    io->bend[1] = (step[1] + step[0]) / (2.0 * FAR * FAR);
    io->ln_slope[0] = (ln_slope[1] - ln_slope[0]) / (2.0 * FAR);
    io->ln_slope[1] = (ln_slope[1] + ln_slope[0]) / (2.0 * FAR * FAR);
    return true;
}

/* Derivative of the OTF at a node, by the parabola through it and its neighbours. */
static double derivative(const double *f, const double *otf, size_t k) {
    const size_t i = k == 0 ? 1 : k == APART_NODES - 1 ? APART_NODES - 2 : k;
    const double left = (otf[i] - otf[i - 1]) / (f[i] - f[i - 1]);
    const double right = (otf[i + 1] - otf[i]) / (f[i + 1] - f[i]);
    const double bend = (right - left) / (f[i + 1] - f[i - 1]);
    return left + bend * (2.0 * f[k] - f[i] - f[i - 1]);
}

/* A difference d of the axes' variances changes the OTF by -pi^2 f^2 d M cos 2 phi; a stretch of
 * the whole profile by e changes it by f M' (e / 2) cos 2 phi. A profile that is fitted by least
 * squares reads the stretch that comes nearest: its wings, which d does not stretch, count too, so
 * that it reads less than the ellipse at half maximum has. (By Parseval's theorem, in frequencies.)
 */
bool apart_response_of(const struct apart_model *model, const struct apart_sub *sub,
                       const struct apart_x *x, struct apart_response *ret) {
    double otf[APART_NODES];
    double fall[APART_NODES];
    struct condition at;
    double ln_rho = log(sub->airmass) + x->v[NW_APART_AIR] / 0.6;
    const struct apart_ladder *const disc =
        sub->run != APART_NO_RUN ? sub->ladders[FOCUS_DISC] : NULL;
    double by_square = 0.0;
    double reads = 0.0;
    double stretch2 = 0.0;
    rest_of(model, sub, x, otf);
    if (sub->run != APART_NO_RUN) {
        times_run(sub, x, 0.0, otf);
    }
    if (!solve(model, sub, otf, &ln_rho, &at, fall)) {
        return false;
    }
    for (size_t k = 0; k < APART_NODES; k++) {
        otf[k] *= fall[k];
    }
    for (size_t k = 0; k < APART_NODES; k++) {
        const double stretch = model->f[k] * derivative(model->f, otf, k);
        by_square += disc ? otf[k] * sub->half[k] * log(fmax(0.1, disc->otf[SMALL][k])) : 0.0;
        reads -= model->weight[k] * stretch * model->f2[k] * otf[k];
        stretch2 += model->weight[k] * stretch * stretch;
    }
    const double small_rad = disc ? SMALL * disc->rung : NAN;
    *ret = (struct apart_response){.disc = 2.0 * sub->width_rad * sub->width_rad * by_square /
                                           (small_rad * small_rad) / -at.by_width,
                                   .elongation = reads / stretch2};
    return ret->elongation > 0.0;
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
