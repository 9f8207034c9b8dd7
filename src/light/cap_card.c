/* cap_card.c - see cap_card.h. */
#include "light/cap_card.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

enum { CELLS = 16, CELL_PIXELS = 4096, BASE_LEAST = 3 };
#define N_CELLS ((size_t)CELLS * CELLS)
#define DARK_SUN (-6.0 * NW_PI / 180.0)
#define SAME_LENGTH 0.01

/* ---- A leak --------------------------------------------------------------------------------- */

static bool is_of(const struct nw_cap_dark *dark, double exposure_s) {
    return fabs(dark->exposure_s - exposure_s) <= SAME_LENGTH * exposure_s &&
           isfinite(dark->level_adu);
}

/* Levels without light outside, ascending. */
static size_t base_of(const struct nw_cap_dark *darks, size_t n, double exposure_s, bool by_sun,
                      double *work) {
    size_t n_base = 0;
    for (size_t i = 0; i < n; i++) {
        if (is_of(&darks[i], exposure_s) && (!by_sun || darks[i].sun_altitude_rad < DARK_SUN)) {
            work[n_base++] = darks[i].level_adu;
        }
    }
    nw_stat_sort(work, n_base);
    return by_sun || n_base < BASE_LEAST ? n_base : BASE_LEAST;
}

/* Share of drawn sets of n alike whose brightest lies as far above the three darkest; `work`: n. */
static double chance_of_darkest(double excess, size_t n, double *work) {
    enum { SETS = 20000 };
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    int n_beyond = 0;
    if (!rng) {
        return NAN;
    }
    gsl_rng_set(rng, 1); /* the same darks have the same chance each time */
    for (int i = 0; i < SETS; i++) {
        for (size_t k = 0; k < n; k++) {
            work[k] = gsl_ran_ugaussian(rng);
        }
        nw_stat_sort(work, n);
        const double mean = nw_stat_mean(work, BASE_LEAST);
        const double sigma = nw_stat_sd(work, BASE_LEAST, mean) * sqrt(1.0 + 1.0 / BASE_LEAST);
        n_beyond += work[n - 1] - mean >= excess * sigma;
    }
    gsl_rng_free(rng);
    return (double)n_beyond / SETS;
}

static bool compare_length(const struct nw_cap_dark *darks, size_t n, double exposure_s,
                           double *work, struct nw_cap_leak *ret) {
    size_t n_day = 0;
    for (size_t i = 0; i < n; i++) {
        n_day += is_of(&darks[i], exposure_s) && darks[i].sun_altitude_rad >= DARK_SUN;
    }
    const size_t n_base = base_of(darks, n, exposure_s, n_day > 0, work);
    if (n_base < BASE_LEAST) {
        return false;
    }
    const double mean = nw_stat_mean(work, n_base);
    const double sd = nw_stat_sd(work, n_base, mean);
    const double limit = work[n_base - 1];
    double most = -INFINITY;
    double base_K = 0.0;
    size_t n_told = 0; /* of the base; more than three where levels are equal */
    *ret = (struct nw_cap_leak){.exposure_s = exposure_s, .n_base = n_base, .is_by_sun = n_day > 0};
    for (size_t i = 0; i < n; i++) {
        const bool is_lit =
            is_of(&darks[i], exposure_s) &&
            (n_day > 0 ? darks[i].sun_altitude_rad >= DARK_SUN : darks[i].level_adu > limit);
        const bool is_base = is_of(&darks[i], exposure_s) && !is_lit &&
                             (n_day == 0 || darks[i].sun_altitude_rad < DARK_SUN);
        base_K += is_base ? darks[i].temperature_K : 0.0;
        n_told += is_base;
        ret->n_lit += is_lit;
        if (is_lit && darks[i].level_adu > most) {
            most = darks[i].level_adu;
            ret->brightest = i;
        }
    }
    ret->leak_adu_s = (most - mean) / exposure_s;
    ret->sigma_adu_s = sd * sqrt(1.0 + 1.0 / (double)n_base) / exposure_s;
    const double excess = ret->leak_adu_s / ret->sigma_adu_s;
    ret->chance =
        ret->n_lit == 0 ? NAN
        : ret->is_by_sun
            ? fmin(1.0, (double)ret->n_lit * gsl_cdf_tdist_Q(excess, (double)n_base - 1.0))
            : chance_of_darkest(excess, ret->n_lit + n_told, work);
    ret->warmer_K =
        ret->n_lit ? darks[ret->brightest].temperature_K - base_K / (double)n_told : NAN;
    return ret->n_lit > 0;
}

/* Slope of the base levels over the lengths, between the shortest and the longest. */
static void dark_rate(const struct nw_cap_dark *darks, size_t n, double *work,
                      struct nw_cap_leak *ret) {
    double shortest = INFINITY;
    double longest = 0.0;
    double level[2];
    double error2[2];
    ret->dark_adu_s = ret->dark_sigma_adu_s = NAN;
    for (size_t i = 0; i < n; i++) {
        shortest = fmin(shortest, darks[i].exposure_s);
        longest = fmax(longest, darks[i].exposure_s);
    }
    if (!(longest > 1.5 * shortest)) {
        return;
    }
    for (int k = 0; k < 2; k++) {
        const size_t m = base_of(darks, n, k ? longest : shortest, ret->is_by_sun, work);
        if (m < 2) {
            return;
        }
        level[k] = nw_stat_mean(work, m);
        error2[k] = pow(nw_stat_sd(work, m, level[k]), 2.0) / (double)m;
    }
    ret->dark_adu_s = (level[1] - level[0]) / (longest - shortest);
    ret->dark_sigma_adu_s = sqrt(error2[0] + error2[1]) / (longest - shortest);
}

enum nw_status nw_cap_leak(const struct nw_cap_dark *darks, size_t n, struct nw_cap_leak *ret,
                           struct nw_err *err) {
    double *work = nw_calloc(n + 1, sizeof *work);
    struct nw_cap_leak best = {.exposure_s = 0.0};
    if (!work) {
        return nw_err_set(err, NW_NOMEM, "%zu darks", n);
    }
    for (size_t i = 0; i < n; i++) {
        struct nw_cap_leak leak;
        if (darks[i].exposure_s > best.exposure_s * (1.0 + SAME_LENGTH) &&
            compare_length(darks, n, darks[i].exposure_s, work, &leak)) {
            best = leak;
        }
    }
    if (best.n_base > 0) {
        dark_rate(darks, n, work, &best);
        *ret = best;
    }
    free(work);
    return best.n_base > 0
               ? NW_OK
               : nw_err_set(err, NW_DATA,
                            "%zu darks: no length has %d without light outside and one with it", n,
                            BASE_LEAST);
}

/* ---- A card --------------------------------------------------------------------------------- */

/* Mean of a cell over pixels of it, evenly; NaN without any. */
static double cell(const struct nw_frame *frame, size_t cx, size_t cy, double offset_adu) {
    const size_t x0 = cx * frame->width_px / CELLS;
    const size_t x1 = (cx + 1) * frame->width_px / CELLS;
    const size_t y0 = cy * frame->height_px / CELLS;
    const size_t y1 = (cy + 1) * frame->height_px / CELLS;
    const size_t step = (size_t)sqrt((double)((x1 - x0) * (y1 - y0)) / CELL_PIXELS) + 1;
    double sum = 0.0;
    size_t n = 0;
    /* an odd step sees all colours of a 2 x 2 pattern alike */
    for (size_t y = y0; y < y1; y += step | 1U) {
        for (size_t x = x0; x < x1; x += step | 1U) {
            const double value = nw_frame_pixel(frame, y * frame->width_px + x) - offset_adu;
            if (isfinite(value)) {
                sum += value;
                n++;
            }
        }
    }
    return n > 0 ? sum / (double)n : NAN;
}

/* Middle of the k-th cell, -1/2 .. 1/2. */
static double across(size_t k) {
    return ((double)k + 0.5) / CELLS - 0.5;
}

/* Plane through z at u, v in -1/2 .. 1/2; a whole grid, so that the columns are orthogonal. */
static void plane(const double *z, struct nw_card_shade *ret) {
    double mean = 0.0;
    double zx = 0.0;
    double zy = 0.0;
    double uu = 0.0;
    double rss = 0.0;
    for (size_t i = 0; i < N_CELLS; i++) {
        const double u = across(i % CELLS);
        const double v = across(i / CELLS);
        mean += z[i] / (double)N_CELLS;
        zx += u * z[i];
        zy += v * z[i];
        uu += u * u;
    }
    ret->slope_x = zx / uu;
    ret->slope_y = zy / uu;
    for (size_t i = 0; i < N_CELLS; i++) {
        const double u = across(i % CELLS);
        const double v = across(i / CELLS);
        rss += pow(z[i] - mean - ret->slope_x * u - ret->slope_y * v, 2.0);
    }
    ret->sigma = sqrt(rss / (double)(N_CELLS - 3) / uu);
    ret->slope = hypot(ret->slope_x, ret->slope_y);
    ret->dark_angle_rad = atan2(-ret->slope_y, -ret->slope_x);
    ret->dark_edge = fabs(ret->slope_x) >= fabs(ret->slope_y)
                         ? (ret->slope_x < 0.0 ? "right" : "left")
                         : (ret->slope_y < 0.0 ? "top" : "bottom");
}

enum nw_status nw_card_shade(const struct nw_frame *flat, const struct nw_frame *plain,
                             double offset_adu, struct nw_card_shade *ret, struct nw_err *err) {
    double z[CELLS * CELLS];
    double sorted[CELLS * CELLS];
    if (plain && (plain->width_px != flat->width_px || plain->height_px != flat->height_px)) {
        return nw_err_set(err, NW_DOMAIN, "%s: %zu x %zu pixels, expected %zu x %zu as in %s",
                          flat->path, flat->width_px, flat->height_px, plain->width_px,
                          plain->height_px, plain->path);
    }
    for (size_t i = 0; i < N_CELLS; i++) {
        z[i] = cell(flat, i % CELLS, i / CELLS, offset_adu);
        if (plain) {
            z[i] /= cell(plain, i % CELLS, i / CELLS, offset_adu);
        }
        sorted[i] = z[i];
    }
    const double median = nw_stat_median(sorted, N_CELLS);
    if (!(median > 0.0) || !isfinite(median)) {
        return nw_err_set(err, NW_DATA, "%s: no light above the offset of %.0f adu", flat->path,
                          offset_adu);
    }
    for (size_t i = 0; i < N_CELLS; i++) {
        z[i] = isfinite(z[i]) ? z[i] / median : 1.0;
    }
    plane(z, ret);
    return NW_OK;
}
