/* compose.c - the delivered profile: product of OTFs, transformed along a few directions.
 * Idea: I(r, psi) = integral of T(f) cos(2 pi f r cos(phi - psi)) d2f on the polar grid; walked
 * outward by the recurrence of the cosine, the half-maximum radius polished by Newton steps. The
 * contour in 8 directions gives the ellipse r^-2 = A + B cos 2 psi + C sin 2 psi.
 * Equivalent-noise area by Parseval: integral psf^2 = integral T^2 (King 1983, PASP 95, 163). */
#include "optics/optics_internal.h"

#include <math.h>

enum { N_DIRECTIONS = 8, STEPS_MOST = 4000 };

struct walk {
    const struct optics_grid *grid;
    const double *power; /* ring weight x product, at each point */
    double *cos_step, *cos_now, *cos_before;
    double peak, step_rad;
};

static double intensity(const struct walk *walk, double r, double psi, double *ret_slope) {
    const struct optics_grid *grid = walk->grid;
    const double c = cos(psi);
    const double s = sin(psi);
    double sum = 0.0;
    double slope = 0.0;
    for (size_t i = 0; i < grid->n_f; i++) {
        const double k = 2.0 * NW_PI * grid->f[i];
        for (size_t j = 0; j < grid->n_phi; j++) {
            const double along = k * (grid->cos_phi[j] * c + grid->sin_phi[j] * s);
            const double power = walk->power[i * grid->n_phi + j];
            sum += power * cos(along * r);
            slope -= power * along * sin(along * r);
        }
    }
    *ret_slope = slope;
    return sum;
}

static void walk_start(const struct walk *walk, double psi) {
    const struct optics_grid *grid = walk->grid;
    for (size_t i = 0; i < grid->n_f; i++) {
        const double k = 2.0 * NW_PI * grid->f[i] * walk->step_rad;
        for (size_t j = 0; j < grid->n_phi; j++) {
            const size_t at = i * grid->n_phi + j;
            const double c = cos(k * (grid->cos_phi[j] * cos(psi) + grid->sin_phi[j] * sin(psi)));
            walk->cos_step[at] = 2.0 * c;
            walk->cos_now[at] = c;
            walk->cos_before[at] = 1.0;
        }
    }
}

/* One step outward: cos((k+1)x) = 2 cos x cos kx - cos((k-1)x). Returns the intensity before it. */
static double walk_on(const struct walk *walk) {
    double sum = 0.0;
    for (size_t at = 0; at < walk->grid->n; at++) {
        sum += walk->power[at] * walk->cos_now[at];
        const double next = walk->cos_step[at] * walk->cos_now[at] - walk->cos_before[at];
        walk->cos_before[at] = walk->cos_now[at];
        walk->cos_now[at] = next;
    }
    return sum;
}

/* Radius where the intensity is `half`, by a parabola through the last three steps (y[0] oldest).
 */
static double crossing(const double y[3], int k, double half) {
    double r = 0.0;
    for (int a = 0; a < 3; a++) {
        double term = k - 2 + a;
        for (int b = 0; b < 3; b++) {
            term *= a == b ? 1.0 : (half - y[b]) / (y[a] - y[b]);
        }
        r += term;
    }
    const double linear = k - 1 + (y[1] - half) / (y[1] - y[2]);
    return r >= k - 1 && r <= k ? r : linear;
}

static double half_radius(const struct walk *walk, double psi) {
    const double half = 0.5 * walk->peak;
    walk_start(walk, psi);
    double y[3] = {NAN, walk->peak, NAN};
    for (int k = 1; k < STEPS_MOST; k++) {
        y[2] = walk_on(walk);
        if (y[2] < half) {
            double r = crossing(y, k, half) * walk->step_rad;
            for (int i = 0; i < (k > 2 ? 1 : 3); i++) {
                double slope;
                const double miss = intensity(walk, r, psi, &slope) - half;
                if (!(slope < 0.0)) {
                    break;
                }
                r = fmin(k * walk->step_rad, fmax((k - 1) * walk->step_rad, r - miss / slope));
            }
            return r;
        }
        y[0] = y[1];
        y[1] = y[2];
    }
    return NAN;
}

/* Ellipse through the contour; directions k pi / N_DIRECTIONS. */
static void fit_ellipse(const double r[N_DIRECTIONS], struct nw_psf *ret) {
    double a = 0.0;
    double b = 0.0;
    double c = 0.0;
    for (int k = 0; k < N_DIRECTIONS; k++) {
        const double psi = NW_PI * k / N_DIRECTIONS;
        const double inverse = 1.0 / (r[k] * r[k]);
        a += inverse / N_DIRECTIONS;
        b += 2.0 * inverse * cos(2.0 * psi) / N_DIRECTIONS;
        c += 2.0 * inverse * sin(2.0 * psi) / N_DIRECTIONS;
    }
    const double e = hypot(b, c);
    ret->fwhm_major_rad = 2.0 / sqrt(a - e);
    ret->fwhm_minor_rad = 2.0 / sqrt(a + e);
    ret->fwhm_rad = sqrt(ret->fwhm_major_rad * ret->fwhm_minor_rad);
    ret->theta_rad = e > 1e-9 * a ? 0.5 * atan2(-c, -b) : 0.0;
    /* |e| = (1 - q^2)/(1 + q^2), q^2 = (A - E)/(A + E): E/A */
    ret->e1 = -b / a;
    ret->e2 = -c / a;
}

static enum nw_status measure(const struct optics_grid *grid, double *values, double f_half,
                              double blur_rad2, struct nw_psf *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    double *work = nw_calloc(3 * grid->n, sizeof *work);
    if (!work) {
        return nw_err_set(err, NW_NOMEM, "walk over %zu frequencies", grid->n);
    }
    struct walk walk = {.grid = grid,
                        .power = values,
                        .cos_step = work,
                        .cos_now = work + grid->n,
                        .cos_before = work + 2 * grid->n,
                        .step_rad = 0.03 / f_half};
    double square = 0.0;
    for (size_t at = 0; at < grid->n; at++) {
        const double ring = grid->ring[at / grid->n_phi];
        square += ring * values[at] * values[at];
        values[at] *= ring;
        walk.peak += values[at];
    }
    struct nw_psf psf = {.neq_area_rad2 = 1.0 / square, .peak_per_rad2 = walk.peak};
    double r[N_DIRECTIONS];
    bool is_good = walk.peak > 0.0;
    for (int k = 0; k < N_DIRECTIONS && is_good; k++) {
        r[k] = half_radius(&walk, NW_PI * k / N_DIRECTIONS);
        is_good = isfinite(r[k]) && r[k] > 0.0;
    }
    if (is_good) {
        fit_ellipse(r, &psf);
    }
    if (!is_good || !isfinite(psf.fwhm_rad) ||
        psf.fwhm_minor_rad < 3.0 * NW_FWHM_PER_SIGMA * sqrt(blur_rad2)) {
        status = nw_err_set(err, NW_DOMAIN, "the composed profile has no width in one direction");
    } else {
        *ret = psf;
    }
    free(work);
    return status;
}

static enum nw_status compose(const struct nw_otf *parts, size_t n, struct nw_psf *ret,
                              struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct optics_grid grid = {0};
    double *values = NULL;
    struct optics_extent extent;
    status = optics_extent_find(parts, n, &extent, err);
    if (status != NW_OK) {
        return status;
    }
    /* cosines turn by about 2 pi f_max r over the grid, r up to the half-maximum radius */
    const size_t turns = (size_t)(2.5 * extent.f_max / extent.f_half);
    status = optics_grid_init(&grid, extent.f_max, 40 + turns, 16 + turns, err);
    if (status != NW_OK) {
        goto done;
    }
    values = nw_calloc(grid.n, sizeof *values);
    if (!values) {
        status = nw_err_set(err, NW_NOMEM, "profile of %zu frequencies", grid.n);
        goto done;
    }
    for (size_t at = 0; at < grid.n; at++) {
        const double f = grid.f[at / grid.n_phi];
        values[at] = exp(-2.0 * NW_PI * NW_PI * extent.blur_rad2 * f * f);
    }
    for (size_t k = 0; k < n; k++) {
        optics_grid_multiply(&grid, &parts[k], values);
    }
    status = measure(&grid, values, extent.f_half, extent.blur_rad2, ret, err);
done:
    free(values);
    optics_grid_done(&grid);
    return status;
}

enum nw_status nw_psf_compose(const struct nw_otf *parts, size_t n, struct nw_psf *ret,
                              struct nw_err *err) {
    enum nw_status status = NW_OK;
    bool has_pupil = false;
    for (size_t k = 0; k < n; k++) {
        status = nw_otf_check(&parts[k], err);
        if (status != NW_OK) {
            return status;
        }
        has_pupil = has_pupil || parts[k].kind == NW_OTF_PUPIL;
    }
    struct nw_otf *used = nw_calloc(n + 1, sizeof *used);
    if (!used) {
        return nw_err_set(err, NW_NOMEM, "%zu parts", n);
    }
    for (size_t k = 0; k < n; k++) {
        used[k] = has_pupil ? parts[k] : optics_geometric(&parts[k]);
    }
    status = compose(used, n, ret, err);
    free(used);
    return status;
}
