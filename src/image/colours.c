/* colours.c - shift, magnification and turn of one colour against another.
 * Idea: the stars of one frame lie within a few pixels of each other in all colours, so the nearest
 * one is the same star; four numbers are fitted to the differences, robustly, and their errors
 * taken from the scatter, since places on a colour grid with pitch 2 are worse than photon noise
 * says. Source: weighted least squares, Press et al. 2007, Numerical Recipes, sec. 15.4. */
#include "image/colours.h"

#include <math.h>

enum { STARS_MAX = 1500, MIN_PAIRS = 8, TERMS = 4, ROUNDS = 10 };
static const double COARSE_PX = 8.0, FINE_PX = 2.0;

struct pairs {
    size_t n;
    double x[STARS_MAX], y[STARS_MAX];   /* from the centre */
    double dx[STARS_MAX], dy[STARS_MAX]; /* other - reference */
    double variance[STARS_MAX];          /* of dx, dy, as the stars' own errors say */
    double weight[STARS_MAX];
    double work[2 * STARS_MAX];
};

static bool is_clean(const struct nw_star *s) {
    return s->flags == 0 && s->snr > 20.0 && isfinite(s->x_sigma_px) && isfinite(s->y_sigma_px);
}

static size_t clean_stars(const struct nw_measure *m, uint32_t *ret) {
    size_t n = 0;
    for (size_t i = 0; i < m->n_stars && n < STARS_MAX; i++) {
        if (is_clean(&m->stars[i])) {
            ret[n++] = (uint32_t)i;
        }
    }
    return n;
}

/* Pairs within radius of where the shift says; each star of `other` takes its nearest. */
static void find_pairs(const struct nw_measure *a, const struct nw_measure *b, double sx, double sy,
                       double radius_px, struct pairs *p) {
    uint32_t ia[STARS_MAX];
    uint32_t ib[STARS_MAX];
    const size_t na = clean_stars(a, ia);
    const size_t nb = clean_stars(b, ib);
    p->n = 0;
    for (size_t j = 0; j < nb; j++) {
        const struct nw_star *const s = &b->stars[ib[j]];
        const struct nw_star *best = NULL;
        double best2 = radius_px * radius_px;
        for (size_t i = 0; i < na; i++) {
            const struct nw_star *const r = &a->stars[ia[i]];
            const double dx = s->x_px - sx - r->x_px;
            const double dy = s->y_px - sy - r->y_px;
            if (dx * dx + dy * dy < best2) {
                best2 = dx * dx + dy * dy;
                best = r;
            }
        }
        if (best) {
            p->x[p->n] = best->x_px - 0.5 * ((double)a->width_px - 1.0);
            p->y[p->n] = best->y_px - 0.5 * ((double)a->height_px - 1.0);
            p->dx[p->n] = s->x_px - best->x_px;
            p->dy[p->n] = s->y_px - best->y_px;
            p->variance[p->n++] =
                0.5 * (s->x_sigma_px * s->x_sigma_px + s->y_sigma_px * s->y_sigma_px +
                       best->x_sigma_px * best->x_sigma_px + best->y_sigma_px * best->y_sigma_px);
        }
    }
}

static double median_of(struct pairs *p, const double *values) {
    memcpy(p->work, values, p->n * sizeof *values);
    return nw_stat_median(p->work, p->n);
}

/* Inverse of a symmetric positive matrix in place (Gauss-Jordan); false when it is singular. */
static bool invert(double a[TERMS][TERMS]) {
    for (int k = 0; k < TERMS; k++) {
        const double pivot = a[k][k];
        if (!(pivot > 1e-300)) {
            return false;
        }
        a[k][k] = 1.0;
        for (int j = 0; j < TERMS; j++) {
            a[k][j] /= pivot;
        }
        for (int i = 0; i < TERMS; i++) {
            const double f = a[i][k];
            if (i != k) {
                a[i][k] = 0.0;
                for (int j = 0; j < TERMS; j++) {
                    a[i][j] -= f * a[k][j];
                }
            }
        }
    }
    return true;
}

/* tx, ty, magnification, rotation; radii in units of `unit` so that the matrix is well scaled. */
static bool solve(const struct pairs *p, double unit, double c[TERMS],
                  double inverse[TERMS][TERMS]) {
    double b[TERMS] = {0.0};
    memset(inverse, 0, TERMS * sizeof *inverse);
    for (size_t k = 0; k < p->n; k++) {
        const double x = p->x[k] / unit;
        const double y = p->y[k] / unit;
        const double row[2][TERMS] = {{1.0, 0.0, x, -y}, {0.0, 1.0, y, x}};
        const double d[2] = {p->dx[k], p->dy[k]};
        for (int axis = 0; axis < 2; axis++) {
            for (int i = 0; i < TERMS; i++) {
                b[i] += p->weight[k] * row[axis][i] * d[axis];
                for (int j = 0; j < TERMS; j++) {
                    inverse[i][j] += p->weight[k] * row[axis][i] * row[axis][j];
                }
            }
        }
    }
    if (!invert(inverse)) {
        return false;
    }
    for (int i = 0; i < TERMS; i++) {
        c[i] = 0.0;
        for (int j = 0; j < TERMS; j++) {
            c[i] += inverse[i][j] * b[j];
        }
    }
    return true;
}

static double off_x(const struct pairs *p, size_t k, const double c[TERMS], double unit) {
    return p->dx[k] - c[0] - (c[2] * p->x[k] - c[3] * p->y[k]) / unit;
}
static double off_y(const struct pairs *p, size_t k, const double c[TERMS], double unit) {
    return p->dy[k] - c[1] - (c[2] * p->y[k] + c[3] * p->x[k]) / unit;
}

/* Robust fit; the scatter that the stars' errors do not hold is added to all of them. */
static bool fit(struct pairs *p, double unit, struct nw_colour_shift *ret) {
    double c[TERMS] = {0.0};
    double inverse[TERMS][TERMS];
    double extra2 = 0.0;
    double scale = INFINITY;
    for (int round = 0; round < ROUNDS; round++) {
        for (size_t k = 0; k < p->n; k++) {
            const double v = p->variance[k] + extra2;
            double t = 0.0;
            if (round > 0) { /* biweight of the distance, out from 6 sigma on */
                t = hypot(off_x(p, k, c, unit), off_y(p, k, c, unit)) / (6.0 * scale * sqrt(v));
            }
            p->weight[k] = t < 1.0 ? (1.0 - t * t) * (1.0 - t * t) / v : 0.0;
        }
        if (!solve(p, unit, c, inverse)) {
            return false;
        }
        for (size_t k = 0; k < p->n; k++) {
            p->work[2 * k] = fabs(off_x(p, k, c, unit));
            p->work[2 * k + 1] = fabs(off_y(p, k, c, unit));
        }
        const double seen = 1.4826 * nw_stat_median(p->work, 2 * p->n); /* CMB-05 */
        const double usual2 = median_of(p, p->variance);
        extra2 = fmax(seen * seen - usual2, 0.0);
        scale = 1.0;
        ret->rms_px = seen;
    }
    double chi2 = 0.0;
    double total = 0.0;
    for (size_t k = 0; k < p->n; k++) {
        const double v = p->variance[k] + extra2;
        const double x = off_x(p, k, c, unit);
        const double y = off_y(p, k, c, unit);
        chi2 += p->weight[k] * p->weight[k] * v * (x * x + y * y);
        total += p->weight[k] * v;
    }
    /* 2 n values, 4 numbers; weights below 1 lose a little more */
    const double s = sqrt(fmax(chi2 / (2.0 * total - TERMS), 1.0));
    ret->x_px = c[0];
    ret->y_px = c[1];
    ret->shift_sigma_px = s * sqrt(0.5 * (inverse[0][0] + inverse[1][1]));
    ret->magnification = c[2] / unit;
    ret->magnification_sigma = s * sqrt(inverse[2][2]) / unit;
    ret->rotation_rad = c[3] / unit;
    ret->rotation_sigma_rad = s * sqrt(inverse[3][3]) / unit;
    return true;
}

enum nw_status nw_colours_compare(const struct nw_measure *reference,
                                  const struct nw_measure *other, struct nw_colour_shift *ret,
                                  struct nw_err *err) {
    struct pairs *const p = nw_calloc(1, sizeof *p);
    if (!p) {
        return nw_err_set(err, NW_NOMEM, "pairs of two colours");
    }
    enum nw_status status = NW_OK;
    struct nw_colour_shift shift = {0};
    find_pairs(reference, other, 0.0, 0.0, COARSE_PX, p);
    if (p->n >= MIN_PAIRS) {
        const double sx = median_of(p, p->dx);
        const double sy = median_of(p, p->dy);
        find_pairs(reference, other, sx, sy, FINE_PX, p);
    }
    shift.n_stars = p->n;
    const double unit = 0.25 * hypot((double)reference->width_px, (double)reference->height_px);
    if (p->n < MIN_PAIRS || !fit(p, unit, &shift)) {
        status = nw_err_set(err, NW_DATA, "%zu clean stars in common, at least %d are needed", p->n,
                            MIN_PAIRS);
    } else {
        shift.width_ratio = other->fwhm_px / reference->fwhm_px;
        shift.width_ratio_sigma =
            shift.width_ratio * hypot(other->fwhm_sigma_px / other->fwhm_px,
                                      reference->fwhm_sigma_px / reference->fwhm_px);
        *ret = shift;
    }
    free(p);
    return status;
}
