/* shims.c - see shims.h.
 * Idea: heights h_i at places (x_i, y_i) make the least-squares plane h0 + gx x + gy y; with three
 * screws it goes through them, with four it is the plane of a plate that does not bend. */
#include "field/shims.h"

#include <complex.h>
#include <math.h>

static const struct nw_shim_axes AS_STATED = {false, 0.0};

static void place(const struct nw_shim_screw *screw, const struct nw_shim_axes *axes,
                  double ret[static 2]) {
    const double x = axes->is_mirrored ? -screw->x_m : screw->x_m;
    const double c = cos(axes->turn_rad);
    const double s = sin(axes->turn_rad);
    ret[0] = c * x - s * screw->y_m;
    ret[1] = s * x + c * screw->y_m;
}

/* Slope of the plane through heights h at the screws' stated places, as a linear map: ret[i] is the
 * slope from a unit height at screw i. false: on one line. */
static bool slopes(const struct nw_shim_screw *screws, size_t n, double ret[][2]) {
    double mx = 0.0;
    double my = 0.0;
    for (size_t i = 0; i < n; i++) {
        mx += screws[i].x_m / (double)n;
        my += screws[i].y_m / (double)n;
    }
    double xx = 0.0;
    double xy = 0.0;
    double yy = 0.0;
    for (size_t i = 0; i < n; i++) {
        const double x = screws[i].x_m - mx;
        const double y = screws[i].y_m - my;
        xx += x * x;
        xy += x * y;
        yy += y * y;
    }
    const double det = xx * yy - xy * xy;
    if (!(det > 1e-4 * (xx + yy) * (xx + yy))) {
        return false;
    }
    for (size_t i = 0; i < n; i++) {
        const double x = screws[i].x_m - mx;
        const double y = screws[i].y_m - my;
        ret[i][0] = (yy * x - xy * y) / det * screws[i].per_screw;
        ret[i][1] = (xx * y - xy * x) / det * screws[i].per_screw;
    }
    return true;
}

static enum nw_status check(const struct nw_surface *s, const struct nw_shim_plate *plate,
                            struct nw_err *err) {
    const struct nw_shim_screw *const screws = plate->screws;
    const size_t n = plate->n;
    double unused[NW_SHIM_SCREWS_MAX][2];
    if (n < 3 || n > NW_SHIM_SCREWS_MAX || !slopes(screws, n, unused)) {
        return nw_err_set(err, NW_DOMAIN,
                          "%zu screws make no plane; expected three or four, not on one line", n);
    }
    if (!s->is_metric || !(plate->pixel_m > 0.0)) {
        return nw_err_set(err, NW_DOMAIN,
                          "shims need heights in micrometres and the size of a pixel");
    }
    if (!s->is_sign_known) {
        return nw_err_set(
            err, NW_DOMAIN,
            "one frame leaves the sign of the tilt open; shims need a pair or a sweep");
    }
    return NW_OK;
}

static double half_diagonal_m(const struct nw_surface *s, double pixel_m) {
    return 0.5 * hypot(s->width_px, s->height_px) * pixel_m;
}

enum nw_status nw_field_shims(const struct nw_surface *s, const struct nw_shim_plate *plate,
                              const struct nw_shim_axes *axes, struct nw_shims *ret,
                              struct nw_err *err) {
    const struct nw_shim_screw *const screws = plate->screws;
    const size_t n = plate->n;
    const enum nw_status status = check(s, plate, err);
    if (status != NW_OK) {
        return status;
    }
    const double r_m = half_diagonal_m(s, plate->pixel_m);
    struct nw_shims shims = {0};
    double least = INFINITY;
    for (size_t i = 0; i < n; i++) {
        double at[2];
        place(&screws[i], axes ? axes : &AS_STATED, at);
        const double x = at[0] / r_m / screws[i].per_screw;
        const double y = at[1] / r_m / screws[i].per_screw;
        shims.screws[i].full_m = s->z[NW_SURFACE_A] * x + s->z[NW_SURFACE_B] * y;
        const double variance = x * x * s->cov[NW_SURFACE_A][NW_SURFACE_A] +
                                2.0 * x * y * s->cov[NW_SURFACE_A][NW_SURFACE_B] +
                                y * y * s->cov[NW_SURFACE_B][NW_SURFACE_B] +
                                pow(s->scale_sigma * shims.screws[i].full_m, 2.0);
        shims.screws[i].sigma_m = sqrt(variance);
        least = fmin(least, shims.screws[i].full_m);
    }
    for (size_t i = 0; i < n; i++) {
        shims.screws[i].full_m -= least;
        shims.screws[i].half_m = 0.5 * shims.screws[i].full_m;
    }
    shims.full_spacing_m = -least; /* the plane's height on the axis above its lowest screw */
    shims.half_spacing_m = -0.5 * least;
    *ret = shims;
    return NW_OK;
}

/* What one turn should have done to the slope, as a + i b, and what it did. */
struct change {
    double complex expected, seen;
    double sigma;
};

static enum nw_status change_of(const struct nw_surface *before, const struct nw_surface *after,
                                const struct nw_shim_plate *plate, const struct nw_shim_turn *turn,
                                struct change *ret, struct nw_err *err) {
    enum nw_status status = check(before, plate, err);
    if (status == NW_OK) {
        status = check(after, plate, err);
    }
    if (status != NW_OK) {
        return status;
    }
    if (turn->which >= plate->n || !(fabs(turn->raised_m) > 0.0)) {
        return nw_err_set(err, NW_DOMAIN, "screw %zu raised by %g m: no known turn",
                          turn->which + 1, turn->raised_m);
    }
    double slope[NW_SHIM_SCREWS_MAX][2];
    (void)slopes(plate->screws, plate->n, slope);
    const double way = turn->raised_m * half_diagonal_m(before, plate->pixel_m);
    /* the sensor's side that goes out sees best focus come nearer: slopes of z fall by the turn */
    *ret = (struct change){
        .expected = way * (slope[turn->which][0] + I * slope[turn->which][1]),
        .seen = before->z[NW_SURFACE_A] - after->z[NW_SURFACE_A] +
                I * (before->z[NW_SURFACE_B] - after->z[NW_SURFACE_B]),
        .sigma = sqrt(
            0.5 * (before->cov[1][1] + before->cov[2][2] + after->cov[1][1] + after->cov[2][2])),
    };
    const double size = cabs(ret->seen);
    return size > 2.5 * ret->sigma
               ? NW_OK
               : nw_err_set(err, NW_DATA,
                            "the turn of screw %zu changed the slope by %.1f +- %.1f um per half "
                            "diagonal; turn farther",
                            turn->which + 1, size * 1e6, ret->sigma * 1e6);
}

/* seen = q x expected, or q x its mirror image (x to -x): q and chi^2. */
static double fit_turns(const struct change *c, size_t n, bool is_mirrored, double complex *ret_q) {
    double complex sum = 0.0;
    double weight = 0.0;
    double chi2 = 0.0;
    for (size_t i = 0; i < n; i++) {
        const double complex e = is_mirrored ? -conj(c[i].expected) : c[i].expected;
        sum += conj(e) * c[i].seen / (c[i].sigma * c[i].sigma);
        weight += creal(e * conj(e)) / (c[i].sigma * c[i].sigma);
    }
    *ret_q = sum / weight;
    for (size_t i = 0; i < n; i++) {
        const double complex e = is_mirrored ? -conj(c[i].expected) : c[i].expected;
        chi2 += pow(cabs(c[i].seen - *ret_q * e) / c[i].sigma, 2.0);
    }
    return chi2;
}

enum nw_status nw_field_shim_responses(const struct nw_surface *const *surfaces, size_t n,
                                       const struct nw_shim_plate *plate,
                                       const struct nw_shim_turn *turns,
                                       struct nw_shim_response *ret, struct nw_err *err) {
    static const double SURE = 9.0;
    struct change changes[NW_SHIM_TURNS_MAX];
    if (n == 0 || n > NW_SHIM_TURNS_MAX) {
        return nw_err_set(err, NW_LIMIT, "%zu known turns, expected 1 to %d", n, NW_SHIM_TURNS_MAX);
    }
    double weight = 0.0;
    for (size_t i = 0; i < n; i++) {
        const enum nw_status status =
            change_of(surfaces[i], surfaces[i + 1], plate, &turns[i], &changes[i], err);
        if (status != NW_OK) {
            return status;
        }
        weight += pow(cabs(changes[i].expected) / changes[i].sigma, 2.0);
    }
    double complex q[2];
    const double chi2[2] = {fit_turns(changes, n, false, &q[0]),
                            fit_turns(changes, n, true, &q[1])};
    const bool is_mirrored = chi2[1] < chi2[0];
    const double gain = cabs(q[is_mirrored ? 1 : 0]);
    *ret = (struct nw_shim_response){
        .plain = {false, carg(q[0])},
        .mirrored = {true, carg(q[1])},
        .turn_sigma_rad = 1.0 / (sqrt(weight) * gain),
        .gain = gain,
        .gain_sigma = 1.0 / sqrt(weight),
        .n_turns = n,
        .chi2_plain = chi2[0],
        .chi2_mirrored = chi2[1],
        .is_settled = fabs(chi2[1] - chi2[0]) > SURE,
        .is_mirrored = is_mirrored,
    };
    return NW_OK;
}

enum nw_status nw_field_shim_response(const struct nw_surface *before,
                                      const struct nw_surface *after,
                                      const struct nw_shim_plate *plate,
                                      const struct nw_shim_turn *turn, struct nw_shim_response *ret,
                                      struct nw_err *err) {
    const struct nw_surface *const surfaces[2] = {before, after};
    return nw_field_shim_responses(surfaces, 1, plate, turn, ret, err);
}
