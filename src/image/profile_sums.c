/* profile_sums.c - the normal equations of a profile fit, a row of pixels at a time.
 * Idea: value and derivatives of the pixel-integrated profile for a whole row stand side by side in
 * short arrays, node after node of the rule inside the pixel, so that the processor works on
 * several pixels at once; the sums have four lanes for the same reason.
 * Holds: 1. all pixels of a row have the rule that the one nearest to the star asks for. 2. the
 * lanes are four whatever the processor, so all give the same sums. */
#include "base/clones.h"
#include "image/power.h"
#include "image/profile_internal.h"

enum { LANES = 4, ROW_MAX = (WINDOW_MAX_SIDE + LANES - 1) / LANES * LANES };
enum { N_PAIRS = PROFILE_N * (PROFILE_N + 1) / 2 };

struct row {
    size_t n;                     /* a whole number of lanes */
    double d[PROFILE_N][ROW_MAX]; /* derivatives; d[0] is the value for amplitude 1 */
    double weight[ROW_MAX], before[ROW_MAX], residual[ROW_MAX];
};

struct sums {
    double a[N_PAIRS][LANES], b[PROFILE_N][LANES], chi2[LANES], chi2_before[LANES];
};

/* Adds one node of the rule: pixel i is at (x0 + i, y) from the star there. */
NW_CLONES static void add_node(const struct profile *p, double x0, double y, double node_weight,
                               struct row *row) {
    const struct profile c = *p;
    const double along = 2.0 * c.cxy * y;
    const double across = 1.0 + c.cyy * y * y;
    double *const d0 = row->d[0];
    double *const d1 = row->d[1];
    double *const d2 = row->d[2];
    double *const d3 = row->d[3];
    double *const d4 = row->d[4];
    double *const d5 = row->d[5];
    double *const d7 = row->d[7];
    const size_t n = row->n;
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        const double x = x0 + (double)(int32_t)i;
        const double u = across + x * (along + c.cxx * x);
        const double log_u = power_log(u);
        const double value = node_weight * power_exp_minus(c.beta * log_u);
        const double light = c.amplitude * value;
        const double slope = -c.beta * light / u; /* d model / d u */
        d0[i] += value;
        d1[i] -= slope * 2.0 * (c.cxx * x + c.cxy * y);
        d2[i] -= slope * 2.0 * (c.cxy * x + c.cyy * y);
        d3[i] += slope * x * x;
        d4[i] += slope * 2.0 * x * y;
        d5[i] += slope * y * y;
        d7[i] -= light * log_u;
    }
}

/* The model along a row whose pixel 0 is at (dx, dy) from the star. */
static void model_row(const struct profile *p, double dx, double dy, double pixel_width,
                      struct row *row) {
    for (int k = 0; k < PROFILE_N; k++) {
        const double first = k == 6 ? 1.0 : 0.0; /* the sky's derivative */
        for (size_t i = 0; i < row->n; i++) {
            row->d[k][i] = first;
        }
    }
    /* the smallest quadratic form along the row decides on the rule */
    const double last = dx + (double)(row->n - 1);
    const double lowest = -p->cxy * dy / p->cxx;
    const double at = lowest < dx ? dx : lowest > last ? last : lowest;
    const double q = p->cxx * at * at + 2.0 * p->cxy * at * dy + p->cyy * dy * dy;
    const struct pixel_rule rule = profile_pixel_rule(p, q, pixel_width);
    for (int j = 0; j < rule.n; j++) {
        for (int i = 0; i < rule.n; i++) {
            add_node(p, dx + rule.node[i] * pixel_width, dy + rule.node[j] * pixel_width,
                     rule.weight[i] * rule.weight[j], row);
        }
    }
}

struct noise {
    double sky_variance, variance_per_adu;
};

/* Weights and residuals; a pixel without value weighs nothing. Returns how many have one. */
static size_t weigh_row(const float *px, size_t n_px, const struct profile *p, struct noise noise,
                        const float *before, float *own, struct row *row) {
    size_t count = 0;
    for (size_t i = 0; i < n_px; i++) {
        const bool has_value = isfinite(px[i]);
        const double light = p->amplitude * row->d[0][i];
        const double variance =
            noise.sky_variance + (light > 0.0 ? light : 0.0) * noise.variance_per_adu;
        own[i] = has_value ? (float)(1.0 / variance) : 0.0F;
        row->weight[i] = (double)own[i];
        row->before[i] = before ? (double)before[i] : 0.0;
        row->residual[i] = has_value ? (double)px[i] - light - p->sky : 0.0;
        count += has_value;
    }
    for (size_t i = n_px; i < row->n; i++) {
        row->weight[i] = row->before[i] = row->residual[i] = 0.0;
    }
    return count;
}

NW_CLONES static void add_row(const struct row *row, int n, struct sums *sums) {
    double weighted[ROW_MAX] = {0.0};
    size_t pair = 0;
    for (int k = 0; k < n; k++) {
        for (size_t i = 0; i < row->n; i++) {
            weighted[i] = row->weight[i] * row->d[k][i];
        }
        for (int l = 0; l <= k; l++, pair++) {
            double lane[LANES];
            memcpy(lane, sums->a[pair], sizeof lane);
            for (size_t i = 0; i < row->n; i += LANES) {
                for (size_t m = 0; m < LANES; m++) {
                    lane[m] += weighted[i + m] * row->d[l][i + m];
                }
            }
            memcpy(sums->a[pair], lane, sizeof lane);
        }
        for (size_t i = 0; i < row->n; i += LANES) {
            for (size_t m = 0; m < LANES; m++) {
                sums->b[k][m] += weighted[i + m] * row->residual[i + m];
            }
        }
    }
    for (size_t i = 0; i < row->n; i += LANES) {
        for (size_t m = 0; m < LANES; m++) {
            const double square = row->residual[i + m] * row->residual[i + m];
            sums->chi2[m] += row->weight[i + m] * square;
            sums->chi2_before[m] += row->before[i + m] * square;
        }
    }
}

static double total(const double lane[static LANES]) {
    return (lane[0] + lane[1]) + (lane[2] + lane[3]);
}

void profile_sums(const struct window *w, const struct profile *p, const struct field *field, int n,
                  const struct profile_weights *before, struct profile_weights *own,
                  struct normal_equations *ret) {
    const size_t side = (size_t)w->side;
    const struct noise noise = {w->noise_adu * w->noise_adu, field->variance_per_adu};
    struct row row;
    struct sums sums = {0};
    row.n = (side + LANES - 1) / LANES * LANES;
    *ret = (struct normal_equations){.n_px = 0};
    for (size_t j = 0; j < side; j++) {
        const size_t first = j * side;
        model_row(p, w->x0 - p->x, w->y0 + (double)j - p->y, field->pixel_width, &row);
        ret->n_px += weigh_row(w->px + first, side, p, noise, before ? before->px + first : NULL,
                               own->px + first, &row);
        add_row(&row, n, &sums);
    }
    size_t pair = 0;
    for (int k = 0; k < n; k++) {
        for (int l = 0; l <= k; l++) {
            ret->a[k][l] = total(sums.a[pair++]);
        }
        ret->b[k] = total(sums.b[k]);
    }
    ret->chi2 = total(sums.chi2);
    ret->chi2_before = total(sums.chi2_before);
}
