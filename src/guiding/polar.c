/* polar.c - least squares for the axis, with bends, responses and reference frames as nuisances.
 * Idea: everything is linear: x and y of the axis, one rate per pointing (the guide telescope
 * bends; prior), one error of response per pointing (prior), one offset per group of frames (the
 * reference frame's own error), two numbers per group for frames whose angle on the sky is not
 * known (prior: meridians converge by tan dec of the shift, in some direction). Normal equations by
 * Cholesky; residuals raise the sigmas of their kind, never lower them by more than what few
 * numbers could feign.
 * Holds: 1. a nuisance with a prior is a row of its own.  2. parameters are scaled to be near 1. */
#include <gsl/gsl_linalg.h>
#include <math.h>

#include "guiding/polar.h"

#define DEC_MOST_RAD (80.0 * NW_RAD_PER_DEG)
#define LATITUDE_LEAST_RAD (2.0 * NW_RAD_PER_DEG)
#define ARCMIN (60.0 / NW_ARCSEC_PER_RAD)
#define CLIP_SIGMAS 4.0
#define DOF_MIN 5

enum { P_X, P_Y, P_FIRST };

struct layout {
    size_t n_pointings, n_groups, n;
    size_t bend, response, shift, offset; /* first of each kind */
};

/* One equation: sum of coefficients times parameters = value. */
struct equation {
    size_t at[6];
    double factor[6];
    size_t n;
    double value, sigma;
};

struct fit {
    const struct nw_polar_opts *opts;
    struct layout layout;
    struct equation *drifts, *turns;
    bool *keep_turn;
    size_t n_drifts, n_turns;
    double scale[2]; /* of the sigmas: drifts, turns */
    gsl_matrix *normal;
    gsl_vector *right, *solution;
};

static void term(struct equation *e, size_t at, double factor) {
    e->at[e->n] = at;
    e->factor[e->n++] = factor;
}

static double stretch_turn(const double stretch[4], const struct nw_polar_turn *turn) {
    if (!isfinite(turn->angle_rad)) {
        return 0.5 * (stretch[1] - stretch[2]);
    }
    /* least-squares turn of a rectangle under the map J, in the frame's own axes (unmirrored: +x a
     * quarter turn from +y towards west): (J21 <x^2> - J12 <y^2>) / (<x^2> + <y^2>) */
    const double c = cos(turn->angle_rad);
    const double s = sin(turn->angle_rad);
    const double x[2] = {-c, s}; /* of the frame's axes, in east and north */
    const double y[2] = {s, c};
    const double on_x[2] = {stretch[0] * x[0] + stretch[1] * x[1],
                            stretch[2] * x[0] + stretch[3] * x[1]};
    const double on_y[2] = {stretch[0] * y[0] + stretch[1] * y[1],
                            stretch[2] * y[0] + stretch[3] * y[1]};
    const double w2 = turn->width_px * turn->width_px;
    const double h2 = turn->height_px * turn->height_px;
    return ((on_x[0] * y[0] + on_x[1] * y[1]) * w2 - (on_y[0] * x[0] + on_y[1] * x[1]) * h2) /
           (w2 + h2);
}

static void drift_equation(const struct fit *fit, const struct nw_polar_drift *d,
                           struct equation *e) {
    const struct nw_polar_opts *opts = fit->opts;
    const double length_s = (d->hour_end_rad - d->hour_start_rad) / NW_SIDEREAL_RATE_RAD_S;
    *e = (struct equation){.value = d->moved_rad, .sigma = d->sigma_rad};
    term(e, P_X, ARCMIN * (cos(d->hour_end_rad) - cos(d->hour_start_rad)));
    term(e, P_Y, ARCMIN * (sin(d->hour_start_rad) - sin(d->hour_end_rad)));
    if (opts->flexure_sigma_rad_s > 0.0) {
        term(e, fit->layout.bend + d->pointing, opts->flexure_sigma_rad_s * length_s);
    }
    if (d->response_sigma > 0.0) {
        term(e, fit->layout.response + d->pointing, d->response_sigma * d->pulsed_rad);
    }
    if (opts->air) {
        e->value -=
            nw_polar_air(opts->latitude_rad, d->dec_rad, d->hour_end_rad, opts->air).north_rad -
            nw_polar_air(opts->latitude_rad, d->dec_rad, d->hour_start_rad, opts->air).north_rad;
    }
}

/* Stars in the camera turn against the axis: turn = -(change of its angle) - east tan dec. */
static void turn_equation(const struct fit *fit, const struct nw_polar_turn *t,
                          struct equation *e) {
    const struct nw_polar_opts *opts = fit->opts;
    const double cos_dec = cos(t->dec_rad);
    *e = (struct equation){.value = t->turn_rad, .sigma = t->sigma_rad};
    if (isfinite(t->angle_rad)) {
        const double east_rad =
            -t->shift_rad[0] * cos(t->angle_rad) + t->shift_rad[1] * sin(t->angle_rad);
        e->value += east_rad * tan(t->dec_rad);
    } else {
        for (size_t i = 0; i < 2; i++) {
            term(e, fit->layout.shift + 2 * t->group + i, t->shift_rad[i] * tan(t->dec_rad));
        }
    }
    term(e, P_X, -ARCMIN * (sin(t->hour_rad) - sin(t->reference_hour_rad)) / cos_dec);
    term(e, P_Y, -ARCMIN * (cos(t->hour_rad) - cos(t->reference_hour_rad)) / cos_dec);
    term(e, fit->layout.offset + t->group, ARCMIN);
    if (opts->air) {
        const struct nw_polar_lift now =
            nw_polar_air(opts->latitude_rad, t->dec_rad, t->hour_rad, opts->air);
        const struct nw_polar_lift then =
            nw_polar_air(opts->latitude_rad, t->dec_rad, t->reference_hour_rad, opts->air);
        e->value -= stretch_turn(now.stretch, t) - stretch_turn(then.stretch, t);
        if (!isfinite(t->angle_rad)) { /* the squeeze leaks into the turn of an oblong frame */
            const double shear =
                0.5 * hypot(now.stretch[0] - now.stretch[3] - then.stretch[0] + then.stretch[3],
                            now.stretch[1] + now.stretch[2] - then.stretch[1] - then.stretch[2]);
            const double w2 = t->width_px * t->width_px;
            const double h2 = t->height_px * t->height_px;
            e->sigma = hypot(e->sigma, shear * (w2 - h2) / (w2 + h2) / sqrt(2.0));
        }
    }
}

static void add_equation(struct fit *fit, const struct equation *e, double scale) {
    const double weight = 1.0 / (e->sigma * e->sigma * scale * scale);
    for (size_t i = 0; i < e->n; i++) {
        *gsl_vector_ptr(fit->right, e->at[i]) += weight * e->factor[i] * e->value;
        for (size_t j = 0; j < e->n; j++) {
            *gsl_matrix_ptr(fit->normal, e->at[i], e->at[j]) +=
                weight * e->factor[i] * e->factor[j];
        }
    }
}

/* Normal equations, then their solution; the matrix becomes its inverse. */
static void solve(struct fit *fit) {
    gsl_matrix_set_zero(fit->normal);
    gsl_vector_set_zero(fit->right);
    for (size_t i = 0; i < fit->n_drifts; i++) {
        add_equation(fit, &fit->drifts[i], fit->scale[0]);
    }
    for (size_t i = 0; i < fit->n_turns; i++) {
        if (fit->keep_turn[i]) {
            add_equation(fit, &fit->turns[i], fit->scale[1]);
        }
    }
    /* priors: bends and responses are N(0, 1) in their scale; the axis lies within 10 deg: this
     * only keeps the matrix regular where one component is not seen at all */
    *gsl_matrix_ptr(fit->normal, P_X, P_X) += 1.0 / (600.0 * 600.0);
    *gsl_matrix_ptr(fit->normal, P_Y, P_Y) += 1.0 / (600.0 * 600.0);
    for (size_t i = fit->layout.bend; i < fit->layout.offset; i++) {
        *gsl_matrix_ptr(fit->normal, i, i) += 1.0;
    }
    for (size_t i = fit->layout.offset; i < fit->layout.n; i++) {
        *gsl_matrix_ptr(fit->normal, i, i) += 1e-8;
    }
    (void)gsl_linalg_cholesky_decomp1(fit->normal);
    (void)gsl_linalg_cholesky_invert(fit->normal);
    for (size_t i = 0; i < fit->layout.n; i++) {
        double sum = 0.0;
        for (size_t j = 0; j < fit->layout.n; j++) {
            sum += gsl_matrix_get(fit->normal, i, j) * gsl_vector_get(fit->right, j);
        }
        gsl_vector_set(fit->solution, i, sum);
    }
}

static double residual(const struct fit *fit, const struct equation *e) {
    double sum = e->value;
    for (size_t i = 0; i < e->n; i++) {
        sum -= e->factor[i] * gsl_vector_get(fit->solution, e->at[i]);
    }
    return sum / e->sigma;
}

/* Residuals over sigmas of one kind: rms with the numbers that the fit took. */
static double scatter(const struct fit *fit, const struct equation *items, const bool *keep,
                      size_t n, double n_taken) {
    double sum = 0.0;
    double kept = 0.0;
    for (size_t i = 0; i < n; i++) {
        if (!keep || keep[i]) {
            const double r = residual(fit, &items[i]);
            sum += r * r;
            kept += 1.0;
        }
    }
    return kept - n_taken >= DOF_MIN ? sqrt(sum / (kept - n_taken)) : 1.0;
}

/* A frame whose stars were matched wrongly stands far from all others. */
static bool clip_turns(struct fit *fit) {
    bool has_changed = false;
    for (size_t i = 0; i < fit->n_turns; i++) {
        const bool keep = fabs(residual(fit, &fit->turns[i])) <= CLIP_SIGMAS * fit->scale[1];
        has_changed = has_changed || keep != fit->keep_turn[i];
        fit->keep_turn[i] = keep;
    }
    return has_changed;
}

/* Scatter of the turns about their median residual, before anything is clipped. */
static double robust_scale(const struct fit *fit, double *scratch) {
    for (size_t i = 0; i < fit->n_turns; i++) {
        scratch[i] = residual(fit, &fit->turns[i]);
    }
    return fmax(1.0, nw_stat_mad_sigma(scratch, fit->n_turns, NULL));
}

static void run(struct fit *fit, double *scratch) {
    fit->scale[0] = fit->scale[1] = 1.0;
    solve(fit);
    if (fit->n_turns > DOF_MIN) {
        fit->scale[1] = robust_scale(fit, scratch);
        solve(fit);
        for (int i = 0; i < 5 && clip_turns(fit); i++) {
            solve(fit);
        }
    }
    for (int i = 0; i < 3; i++) {
        const double both = fit->n_drifts > 0 && fit->n_turns > 0 ? 1.0 : 2.0;
        fit->scale[0] = fmax(1.0, scatter(fit, fit->drifts, NULL, fit->n_drifts, both));
        fit->scale[1] = fmax(1.0, scatter(fit, fit->turns, fit->keep_turn, fit->n_turns,
                                          both + (double)fit->layout.n_groups));
        solve(fit);
    }
}

/* The fit's x, y and their covariance (arcmin), turned to the upper end: east and up. */
struct upper {
    double east, up, ee, eu, uu;
};

static struct upper upper_of(const struct fit *fit) {
    const double sign = fit->opts->latitude_rad < 0.0 ? -1.0 : 1.0;
    return (struct upper){.east = sign * gsl_vector_get(fit->solution, P_Y),
                          .up = sign * gsl_vector_get(fit->solution, P_X),
                          .ee = gsl_matrix_get(fit->normal, P_Y, P_Y),
                          .eu = gsl_matrix_get(fit->normal, P_X, P_Y),
                          .uu = gsl_matrix_get(fit->normal, P_X, P_X)};
}

/* Direction of the smallest variance, and the offset along it, made positive. */
static void best_of(const struct upper *u, struct nw_polar *ret) {
    const double half = 0.5 * (u->uu - u->ee);
    const double root = hypot(half, u->eu);
    const double least = fmax(0.0, 0.5 * (u->uu + u->ee) - root);
    /* eigenvector of the smaller eigenvalue, as angle from up through east */
    double angle = 0.5 * atan2(u->eu, half) + 0.5 * NW_PI;
    double along = u->up * cos(angle) + u->east * sin(angle);
    if (along < 0.0) {
        along = -along;
        angle += NW_PI;
    }
    ret->best_rad = along * ARCMIN;
    ret->best_sigma_rad = sqrt(least) * ARCMIN;
    ret->best_direction_rad = fmod(angle + 4.0 * NW_PI, 2.0 * NW_PI);
}

static void say_why(const struct fit *fit, double sigma_rad, const char *what, char why[160]) {
    if (sigma_rad <= NW_POLAR_TELLS_RAD) {
        return;
    }
    const char *missing = fit->n_turns == 0 ? "frames of the same pointing (--frames), or another "
                                              "pointing some hours of hour angle away, would"
                          : fit->n_drifts == 0 ? "a guide log with pulses and their rate would"
                                               : "a longer run, or another pointing would";
    (void)snprintf(why, 160, "%s is known to +-%.0f arcmin only; %s tell it", what,
                   fmin(sigma_rad / ARCMIN, 600.0), missing);
}

static void fill(const struct fit *fit, struct nw_polar *ret) {
    const struct upper u = upper_of(fit);
    const double cos_latitude = cos(fit->opts->latitude_rad);
    *ret = (struct nw_polar){.n_drifts = fit->n_drifts,
                             .n_pointings = fit->layout.n_pointings,
                             .azimuth_rad = u.east * ARCMIN / cos_latitude,
                             .azimuth_sigma_rad = sqrt(u.ee) * ARCMIN / cos_latitude,
                             .altitude_rad = u.up * ARCMIN,
                             .altitude_sigma_rad = sqrt(u.uu) * ARCMIN,
                             .covariance_rad2 = u.eu * ARCMIN * ARCMIN / cos_latitude,
                             .total_rad = hypot(u.east, u.up) * ARCMIN,
                             .drift_scale = fit->scale[0],
                             .turn_scale = fit->scale[1]};
    for (size_t i = 0; i < fit->n_turns; i++) {
        ret->n_turns += fit->keep_turn[i] ? 1 : 0;
    }
    const double total2 = u.east * u.east + u.up * u.up;
    const double variance =
        total2 > 0.0
            ? (u.east * u.east * u.ee + u.up * u.up * u.uu + 2.0 * u.east * u.up * u.eu) / total2
            : fmax(u.ee, u.uu);
    ret->total_sigma_rad = sqrt(variance) * ARCMIN;
    ret->refraction_rad = fit->opts->air
                              ? nw_sky_refraction_rad(0.5 * NW_PI - fabs(fit->opts->latitude_rad),
                                                      550e-9, fit->opts->air)
                              : NAN; /* NaN too within 10 deg of the equator */
    ret->altitude_refracted_rad = ret->altitude_rad - ret->refraction_rad;
    best_of(&u, ret);
    say_why(fit, sqrt(u.ee) * ARCMIN, "azimuth", ret->why_azimuth);
    say_why(fit, sqrt(u.uu) * ARCMIN, "altitude", ret->why_altitude);
    ret->has_axis = !ret->why_azimuth[0] && !ret->why_altitude[0];
    if (ret->why_azimuth[0]) {
        ret->azimuth_rad = ret->azimuth_sigma_rad = NAN;
    }
    if (ret->why_altitude[0]) {
        ret->altitude_rad = ret->altitude_sigma_rad = ret->altitude_refracted_rad = NAN;
    }
    if (!ret->has_axis) {
        ret->covariance_rad2 = ret->total_rad = ret->total_sigma_rad = NAN;
    }
    double bend = 0.0;
    double variance_bend = 0.0;
    for (size_t i = 0; i < fit->layout.n_pointings; i++) {
        const size_t at = fit->layout.bend + i;
        bend += gsl_vector_get(fit->solution, at) / (double)fit->layout.n_pointings;
        variance_bend += gsl_matrix_get(fit->normal, at, at);
    }
    const double unit = fit->opts->flexure_sigma_rad_s;
    const bool has_bend = unit > 0.0 && fit->layout.n_pointings > 0;
    ret->bend_rad_s = has_bend ? unit * bend : NAN;
    ret->bend_sigma_rad_s =
        has_bend ? unit * sqrt(variance_bend) / (double)fit->layout.n_pointings : NAN;
}

static enum nw_status check(const struct nw_polar_drift *drifts, size_t n_drifts,
                            const struct nw_polar_turn *turns, size_t n_turns,
                            const struct nw_polar_opts *opts, struct nw_err *err) {
    if (n_drifts == 0 && n_turns == 0) {
        return nw_err_set(err, NW_DATA, "neither drift nor rotation to find the polar axis from");
    }
    if (!(fabs(opts->latitude_rad) >= LATITUDE_LEAST_RAD &&
          fabs(opts->latitude_rad) < 0.5 * NW_PI)) {
        return nw_err_set(err, NW_DOMAIN,
                          "latitude %g deg: a polar axis wants 2 to 90 deg north or south",
                          opts->latitude_rad * NW_DEG_PER_RAD);
    }
    for (size_t i = 0; i < n_drifts + n_turns; i++) {
        const bool is_drift = i < n_drifts;
        const double dec = is_drift ? drifts[i].dec_rad : turns[i - n_drifts].dec_rad;
        const double sigma = is_drift ? drifts[i].sigma_rad : turns[i - n_drifts].sigma_rad;
        if (!(fabs(dec) <= DEC_MOST_RAD) || !(sigma > 0.0)) {
            return nw_err_set(err, NW_DOMAIN,
                              "%s %zu: declination %g deg with sigma %g arcsec; within 80 deg and "
                              "above 0 are wanted",
                              is_drift ? "drift" : "turn", is_drift ? i + 1 : i - n_drifts + 1,
                              dec * NW_DEG_PER_RAD, sigma * NW_ARCSEC_PER_RAD);
        }
    }
    return NW_OK;
}

static struct layout layout_of(const struct nw_polar_drift *drifts, size_t n_drifts,
                               const struct nw_polar_turn *turns, size_t n_turns) {
    struct layout layout = {.n_pointings = 0};
    for (size_t i = 0; i < n_drifts; i++) {
        layout.n_pointings =
            drifts[i].pointing >= layout.n_pointings ? drifts[i].pointing + 1 : layout.n_pointings;
    }
    for (size_t i = 0; i < n_turns; i++) {
        layout.n_groups = turns[i].group >= layout.n_groups ? turns[i].group + 1 : layout.n_groups;
    }
    layout.bend = P_FIRST;
    layout.response = layout.bend + layout.n_pointings;
    layout.shift = layout.response + layout.n_pointings;
    layout.offset = layout.shift + 2 * layout.n_groups;
    layout.n = layout.offset + layout.n_groups;
    return layout;
}

/* Equations that have all their numbers; the air has none below 10 deg. */
static void lay_out(const struct nw_polar_drift *drifts, size_t n_drifts,
                    const struct nw_polar_turn *turns, size_t n_turns, struct fit *fit) {
    for (size_t i = 0; i < n_drifts; i++) {
        drift_equation(fit, &drifts[i], &fit->drifts[fit->n_drifts]);
        fit->n_drifts += isfinite(fit->drifts[fit->n_drifts].value) ? 1 : 0;
    }
    for (size_t i = 0; i < n_turns; i++) {
        turn_equation(fit, &turns[i], &fit->turns[fit->n_turns]);
        fit->keep_turn[fit->n_turns] = true;
        fit->n_turns += isfinite(fit->turns[fit->n_turns].value) ? 1 : 0;
    }
}

enum nw_status nw_polar_solve(const struct nw_polar_drift *drifts, size_t n_drifts,
                              const struct nw_polar_turn *turns, size_t n_turns,
                              const struct nw_polar_opts *opts, struct nw_polar *ret,
                              struct nw_err *err) {
    enum nw_status status = check(drifts, n_drifts, turns, n_turns, opts, err);
    struct fit fit = {.opts = opts};
    double *scratch = NULL;
    if (status != NW_OK) {
        return status;
    }
    fit.layout = layout_of(drifts, n_drifts, turns, n_turns);
    fit.drifts = nw_calloc(n_drifts + 1, sizeof *fit.drifts);
    fit.turns = nw_calloc(n_turns + 1, sizeof *fit.turns);
    fit.keep_turn = nw_calloc(n_turns + 1, sizeof *fit.keep_turn);
    scratch = nw_calloc(n_turns + 1, sizeof *scratch);
    if (!fit.drifts || !fit.turns || !fit.keep_turn || !scratch || fit.layout.n > 4000) {
        status = nw_err_set(err, NW_NOMEM, "polar axis from %zu pointings",
                            fit.layout.n_pointings + fit.layout.n_groups);
        goto done;
    }
    fit.normal = gsl_matrix_calloc(fit.layout.n, fit.layout.n);
    fit.right = gsl_vector_calloc(fit.layout.n);
    fit.solution = gsl_vector_calloc(fit.layout.n);
    if (!fit.normal || !fit.right || !fit.solution) {
        status = nw_err_set(err, NW_NOMEM, "normal equations of %zu numbers", fit.layout.n);
        goto done;
    }
    lay_out(drifts, n_drifts, turns, n_turns, &fit);
    if (fit.n_drifts + fit.n_turns == 0) {
        status = nw_err_set(err, NW_DATA,
                            "all drifts and rotations lie below an altitude of 10 "
                            "deg, where refraction is not known well enough");
        goto done;
    }
    run(&fit, scratch);
    fill(&fit, ret);
done:
    if (fit.normal) {
        gsl_matrix_free(fit.normal);
    }
    if (fit.right) {
        gsl_vector_free(fit.right);
    }
    if (fit.solution) {
        gsl_vector_free(fit.solution);
    }
    free(scratch);
    free(fit.keep_turn);
    free(fit.turns);
    free(fit.drifts);
    return status;
}
