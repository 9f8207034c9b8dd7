/* pairs.c - a second star on the flank of a brighter one, where both share one maximum.
 * Idea: unequal stars at 1 to 2 widths have one maximum; what the frame's profile leaves of the
 * light around the star, summed over sectors, shows the other. Where a sector stands out both are
 * fitted together with that profile (three unknowns each, and the sky; Levenberg-Marquardt as in
 * profile_fit.c), and the pair must explain what one star alone does not.
 * Holds: a light that one more star does not explain (a galaxy, a ring, a trail) stays one.
 * Fits of groups with one common profile: Stetson 1987, PASP 99, 191, sec. III. */
#include "image/stars_internal.h"

enum { STARS = 2, N_MAX = 3 * STARS + 1, SECTORS = 8, RINGS = 2 };
/* Limits in widths, squared: where a second star may stand, and where the rings part. */
static const double Q_NEAR = 0.49, Q_PART = 2.1, Q_FAR = 6.25;
static const double SECTOR_SIGMAS = 5.0;
static const double SECTOR_SHARE = 0.015; /* of the star's light: less is no star of FAINTEST */
static const double PROFILE_ERROR = 0.03; /* of a pixel's light: no star is the mean profile */
static const double EXPLAINED = 0.7;      /* of what one star leaves (common practice, no source) */
static const double FAINTEST =
    0.05; /* share of the brighter one: below, wings of real optics look like stars */
static const double LEFT_MAX = 2.0;    /* chi2 per pixel of a pair: else it is something else */
static const double SCATTER_MAX = 0.1; /* of the widths: else there is no common profile */
/* narrower stars part by their maxima nearly always: 99.8 % found without a search (3 px) */
static const double SEEK_MIN_PX = 3.4;
static const double WIDTH_MIN_PX = 2.0; /* below, the table's mean over angles is too coarse */

void flank_make(const struct seeing *seeing, double pixel_width, struct flank *ret) {
    *ret = (struct flank){.is_known = false};
    if (!seeing->is_fitted || seeing->fwhm_px < WIDTH_MIN_PX ||
        !(seeing->width_scatter < SCATTER_MAX)) {
        return;
    }
    const double alpha = seeing->fwhm_optical_px / moffat_fwhm_per_alpha(seeing->beta);
    const struct profile round_star = {.amplitude = 1.0,
                                       .cxx = 1.0 / (alpha * alpha),
                                       .cyy = 1.0 / (alpha * alpha),
                                       .beta = seeing->beta};
    const double w = seeing->fwhm_px;
    const double top = profile_pixel(&round_star, 0.0, 0.0, pixel_width);
    for (int k = 0; k < FLANK_STEPS + 2; k++) {
        const double r = w * sqrt(k * Q_FAR * 2.0 / FLANK_STEPS);
        /* along 22.5 deg, between the pixel's side and its corner */
        ret->value[k] =
            (float)(profile_pixel(&round_star, 0.92388 * r, 0.38268 * r, pixel_width) / top);
    }
    /* light within the circle: pi w^2 times the integral over q, by trapezoids */
    const double dq = Q_FAR * 2.0 / FLANK_STEPS;
    for (int k = 0; k * dq < APERTURE_FWHM * APERTURE_FWHM; k++) {
        const double value = 0.5 * ((double)ret->value[k] + (double)ret->value[k + 1]);
        ret->light += NW_PI * w * w * dq * value;
    }
    const double e2 = seeing->shape1 * seeing->shape1 + seeing->shape2 * seeing->shape2;
    const double scale = 1.0 / (w * w * sqrt(fmax(1.0 - e2, 0.1))); /* keeps the area */
    ret->fwhm_px = w;
    ret->sxx = scale * (1.0 + seeing->shape1);
    ret->syy = scale * (1.0 - seeing->shape1);
    ret->sxy = scale * seeing->shape2;
    ret->is_known = true;
}

static double q_at(const struct flank *f, double dx, double dy) {
    return f->sxx * dx * dx + 2.0 * f->sxy * dx * dy + f->syy * dy * dy;
}

/* Value of the profile; *ret_slope: d value / d q. Beyond twice Q_FAR 0. */
static double flank_at(const struct flank *f, double q, double *ret_slope) {
    const double steps = q * (FLANK_STEPS / (2.0 * Q_FAR));
    if (!(steps < FLANK_STEPS)) {
        *ret_slope = 0.0;
        return 0.0;
    }
    const int k = (int)steps;
    const double step = (double)f->value[k + 1] - (double)f->value[k];
    *ret_slope = step * (FLANK_STEPS / (2.0 * Q_FAR));
    return (double)f->value[k] + step * (steps - k);
}

/* ---- stars fitted together ---- */
struct group {
    int n;
    double p[N_MAX]; /* amplitude, x, y of each star in the window, then the sky */
};
struct group_sums {
    double a[N_MAX][N_MAX], b[N_MAX], chi2;
    size_t n_px;
};

static void group_sum(const struct window *w, const struct field *field, const struct flank *flank,
                      const struct group *g, struct group_sums *ret) {
    const int n = 3 * g->n + 1;
    *ret = (struct group_sums){.n_px = 0};
    for (int k = 0; k < w->side * w->side; k++) {
        const double value = (double)w->px[k];
        const int row = k / w->side;
        if (!isfinite(value)) {
            continue;
        }
        if (q_at(flank, k % w->side - g->p[1], row - g->p[2]) > Q_FAR) {
            continue;
        }
        double d[N_MAX];
        double model = g->p[n - 1];
        for (size_t s = 0; s < (size_t)g->n; s++) {
            const double *const p = g->p + 3 * s;
            const double dx = k % w->side - p[1];
            const double dy = row - p[2];
            double slope = 0.0;
            d[3 * s] = flank_at(flank, q_at(flank, dx, dy), &slope);
            d[3 * s + 1] = -2.0 * p[0] * slope * (flank->sxx * dx + flank->sxy * dy);
            d[3 * s + 2] = -2.0 * p[0] * slope * (flank->sxy * dx + flank->syy * dy);
            model += p[0] * d[3 * s];
        }
        d[n - 1] = 1.0;
        const double light = fmax(value, 0.0);
        const double floor = PROFILE_ERROR * light;
        const double weight =
            1.0 / (w->noise_adu * w->noise_adu + light * field->variance_per_adu + floor * floor);
        const double residual = value - model;
        for (int i = 0; i < n; i++) {
            for (int j = 0; j <= i; j++) {
                ret->a[i][j] += weight * d[i] * d[j];
            }
            ret->b[i] += weight * d[i] * residual;
        }
        ret->chi2 += weight * residual * residual;
        ret->n_px++;
    }
}

/* (A + lambda diag A) x = b by Gauss elimination; false when singular. */
static bool damped_step(const struct group_sums *s, int n, double lambda, double *x) {
    double a[N_MAX][N_MAX + 1];
    for (int i = 0; i < n; i++) {
        for (int j = 0; j < n; j++) {
            a[i][j] = (i >= j ? s->a[i][j] : s->a[j][i]) * (i == j ? 1.0 + lambda : 1.0);
        }
        a[i][n] = s->b[i];
    }
    for (int k = 0; k < n; k++) { /* positive definite: no pivoting */
        if (!(a[k][k] > 0.0)) {
            return false;
        }
        for (int i = k + 1; i < n; i++) {
            const double f = a[i][k] / a[k][k];
            for (int j = k; j <= n; j++) {
                a[i][j] -= f * a[k][j];
            }
        }
    }
    for (int k = n - 1; k >= 0; k--) {
        x[k] = a[k][n];
        for (int j = k + 1; j < n; j++) {
            x[k] -= a[k][j] * x[j];
        }
        x[k] /= a[k][k];
    }
    return true;
}

/* chi2 at the minimum; *ret_n_px: pixels that counted. */
static double group_fit(const struct window *w, const struct field *field,
                        const struct flank *flank, struct group *g, size_t *ret_n_px) {
    const int n = 3 * g->n + 1;
    struct group_sums sums;
    group_sum(w, field, flank, g, &sums);
    double lambda = 1e-2;
    for (int round = 0; round < 15 && lambda < 1e4; round++) {
        double step[N_MAX] = {0.0};
        struct group next = *g;
        struct group_sums there;
        if (!damped_step(&sums, n, lambda, step)) {
            break;
        }
        for (int i = 0; i < n; i++) {
            const bool is_place = i < n - 1 && i % 3 > 0; /* half a width at a time */
            const double most = is_place ? 0.5 * flank->fwhm_px : INFINITY;
            next.p[i] += fmin(fmax(step[i], -most), most);
        }
        group_sum(w, field, flank, &next, &there);
        if (!(there.chi2 < sums.chi2)) {
            lambda *= 10.0;
            continue;
        }
        const double gain = sums.chi2 - there.chi2;
        *g = next;
        sums = there;
        lambda *= 0.1;
        if (gain < 0.1 * (1.0 + 1e-2 * sums.chi2)) {
            break;
        }
    }
    *ret_n_px = sums.n_px;
    return sums.chi2;
}

/* ---- where to look ---- */
struct sector {
    double light, variance, model, weight, x, y; /* x, y: of light above the model, weighted */
};

static int sector_of(double dx, double dy, double q) {
    const int octant = (dx > 0.0 ? 4 : 0) + (dy > 0.0 ? 2 : 0) + (fabs(dx) > fabs(dy) ? 1 : 0);
    return (q > Q_PART ? SECTORS : 0) + octant;
}

/* Amplitude of the star alone, from the light within one width. */
static double amplitude_of(const struct window *w, const struct flank *flank, double x, double y) {
    double up = 0.0;
    double down = 0.0;
    const int reach = (int)ceil(flank->fwhm_px) + 1;
    for (int j = (int)fmax(y - reach, 0.0); j < w->side && j <= y + reach; j++) {
        for (int i = (int)fmax(x - reach, 0.0); i < w->side && i <= x + reach; i++) {
            const double value = (double)w->px[(size_t)j * (size_t)w->side + (size_t)i];
            const double q = q_at(flank, i - x, j - y);
            if (q < 1.0 && isfinite(value)) {
                double slope = 0.0;
                const double p = flank_at(flank, q, &slope);
                up += p * value;
                down += p * p;
            }
        }
    }
    return down > 0.0 ? up / down : (double)NAN;
}

/* The sector that stands out most; NULL when none does. */
static const struct sector *best_sector(const struct window *w, const struct field *field,
                                        const struct flank *flank, const struct group *star,
                                        struct sector list[static RINGS * SECTORS]) {
    const double x = star->p[1];
    const double y = star->p[2];
    for (int j = 0; j < w->side; j++) {
        for (int i = j % 2; i < w->side; i += 2) { /* half of the pixels, as a chess board */
            const double dx = i - x;
            const double dy = j - y;
            const double q = q_at(flank, dx, dy);
            const double value = (double)w->px[(size_t)j * (size_t)w->side + (size_t)i];
            if (!(q > Q_NEAR && q < Q_FAR) || !isfinite(value)) {
                continue;
            }
            double slope = 0.0;
            const double model = star->p[0] * flank_at(flank, q, &slope);
            struct sector *const s = &list[sector_of(dx, dy, q)];
            const double over = fmax(value - model, 0.0);
            s->light += value - model;
            s->variance += w->noise_adu * w->noise_adu + model * field->variance_per_adu;
            s->model += model;
            s->weight += over;
            s->x += over * i;
            s->y += over * j;
        }
    }
    const struct sector *best = NULL;
    double most = SECTOR_SIGMAS;
    for (int k = 0; k < RINGS * SECTORS; k++) {
        const double sigma = hypot(sqrt(list[k].variance), PROFILE_ERROR * list[k].model);
        if (list[k].light > most * sigma &&
            list[k].light > SECTOR_SHARE * star->p[0] * flank->light) {
            most = list[k].light / sigma;
            best = &list[k];
        }
    }
    return best;
}

/* Is the second star of a fitted pair a place where there may be one, with light of its own? */
static bool is_plausible(const struct window *w, const struct flank *flank, const struct group *g) {
    const double *const p = g->p;
    const int i = (int)lround(p[4]);
    const int j = (int)lround(p[5]);
    if (i < 1 || j < 1 || i >= w->side - 1 || j >= w->side - 1) {
        return false;
    }
    const double q = q_at(flank, p[4] - p[1], p[5] - p[2]);
    const bool has_value = isfinite(w->px[(size_t)j * (size_t)w->side + (size_t)i]);
    return has_value && q > Q_NEAR && q < Q_FAR && p[0] > 0.0 && p[3] > FAINTEST * p[0] &&
           p[3] < 1.2 * p[0];
}

/* Star s of a group in frame coordinates; its errors from the inverse of the normal equations. */
static struct pair_star pair_star_of(const struct window *w, const struct flank *flank,
                                     const struct group *g, const struct group_sums *sums,
                                     size_t s) {
    const size_t first = 3 * s;
    double sigma[3];
    for (size_t k = 0; k < 3; k++) {
        struct group_sums unit = *sums;
        double column[N_MAX] = {0.0};
        memset(unit.b, 0, sizeof unit.b);
        unit.b[first + k] = 1.0;
        const bool is_solved = damped_step(&unit, 3 * g->n + 1, 0.0, column);
        sigma[k] = is_solved ? sqrt(fmax(column[first + k], 0.0)) : (double)NAN;
    }
    return (struct pair_star){.x = w->x0 + g->p[first + 1],
                              .y = w->y0 + g->p[first + 2],
                              .light_adu = flank->light * g->p[first],
                              .x_sigma_px = sigma[1],
                              .y_sigma_px = sigma[2],
                              .light_sigma_adu = flank->light * sigma[0]};
}

static struct companion companion_of(const struct window *w, const struct field *field,
                                     const struct flank *flank, const struct group *pair,
                                     double snr) {
    struct group_sums sums;
    group_sum(w, field, flank, pair, &sums);
    return (struct companion){.first = pair_star_of(w, flank, pair, &sums, 0),
                              .second = pair_star_of(w, flank, pair, &sums, 1),
                              .snr = snr * pair->p[3] / pair->p[0],
                              .is_there = true};
}

struct companion companion_fit(const struct window *w, const struct field *field,
                               const struct flank *flank, const struct peak *first,
                               const struct peak *second) {
    struct group pair = {.n = STARS,
                         .p = {0.0, first->x - w->x0, first->y - w->y0, 0.0, second->x - w->x0,
                               second->y - w->y0, 0.0}};
    pair.p[0] = amplitude_of(w, flank, pair.p[1], pair.p[2]);
    pair.p[3] = pair.p[0] * (double)(second->snr / first->snr);
    size_t n_px = 0;
    const double chi2 = group_fit(w, field, flank, &pair, &n_px);
    const bool is_good = chi2 < LEFT_MAX * (double)n_px && is_plausible(w, flank, &pair);
    const double moved = hypot(pair.p[4] + w->x0 - second->x, pair.p[5] + w->y0 - second->y);
    return is_good && moved < 0.7 * flank->fwhm_px ? companion_of(w, field, flank, &pair, 1.0)
                                                   : (struct companion){.is_there = false};
}

struct companion companion_seek(const struct window *w, const struct field *field,
                                const struct flank *flank, const struct nw_star *star,
                                double threshold) {
    const struct companion none = {.is_there = false};
    const uint32_t unfit = NW_STAR_SATURATED | NW_STAR_EDGE | NW_STAR_STREAK;
    if (!flank->is_known || flank->fwhm_px < SEEK_MIN_PX || (star->flags & unfit) ||
        !(star->snr > 3.0 * threshold)) {
        return none;
    }
    struct group alone = {.n = 1, .p = {0.0, star->x_px - w->x0, star->y_px - w->y0, 0.0}};
    alone.p[0] = amplitude_of(w, flank, alone.p[1], alone.p[2]);
    if (!(alone.p[0] > 0.0)) {
        return none;
    }
    struct sector sectors[RINGS * SECTORS] = {{0.0, 0.0, 0.0, 0.0, 0.0, 0.0}};
    const struct sector *const where = best_sector(w, field, flank, &alone, sectors);
    if (!where) {
        return none;
    }
    struct group pair = {.n = STARS,
                         .p = {alone.p[0], alone.p[1], alone.p[2], 0.2 * alone.p[0],
                               where->x / where->weight, where->y / where->weight, 0.0}};
    size_t n_px = 0;
    const double chi2_alone = group_fit(w, field, flank, &alone, &n_px);
    if (!(chi2_alone > (double)n_px + threshold * threshold)) {
        return none; /* the star alone is enough */
    }
    const double chi2_pair = group_fit(w, field, flank, &pair, &n_px);
    const double gain = chi2_alone - chi2_pair;
    const double unexplained = chi2_alone - (double)n_px;
    if (!(gain > 1.5 * threshold * threshold) || !(gain > EXPLAINED * unexplained) ||
        !(chi2_pair < LEFT_MAX * (double)n_px) || !is_plausible(w, flank, &pair)) {
        return none;
    }
    return companion_of(w, field, flank, &pair, star->snr);
}
