/* profile_sums.c - the normal equations of a profile fit, a row of pixels at a time.
 * Idea: value and derivatives of the pixel-integrated profile for a whole row stand side by side in
 * short arrays, node after node of the rule inside the pixel, so that the processor works on
 * several pixels at once; the sums have four lanes for the same reason.
 * Holds: 1. all pixels of a row have the rule that the one nearest to the star asks for. 2. the
 * lanes are four whatever the processor, so all give the same sums. */
#include <float.h>

#include "base/clones.h"
#include "image/power.h"
#include "image/profile_internal.h"

enum { LANES = 4, ROW_MAX = (WINDOW_MAX_SIDE + LANES - 1) / LANES * LANES };
enum { ROW_LANES = ROW_MAX / LANES, SKY = 6 };
enum { N_PAIRS = PROFILE_N * (PROFILE_N + 1) / 2 };

/* Four values that the compiler works on together: as many as the registers of AVX2 hold. Of eight
 * it makes detours over the stack there. */
typedef double lanes __attribute__((vector_size(LANES * sizeof(double))));

union values {
    double px[ROW_MAX];
    lanes of_four[ROW_LANES];
};

struct row {
    size_t n;                  /* a whole number of lanes */
    union values d[PROFILE_N]; /* derivatives; d[0] is the value for amplitude 1 */
    union values weight, before, residual;
};

struct sums {
    lanes a[N_PAIRS], b[PROFILE_N], chi2, chi2_before;
};

/* Sums over the nodes of a pixel, for amplitude 1: the value, times ln u, and value / u times the
 * powers of the place. */
struct node_sums {
    double value, by_log, x, y, xx, xy, yy;
};

__attribute__((always_inline)) static inline void
node_add(const struct profile *c, double x, double y, double node_weight, struct node_sums *s) {
    double inverse = 0.0;
    const double u = 1.0 + x * (c->cxx * x + 2.0 * c->cxy * y) + c->cyy * y * y;
    const double log_u = power_log_inverse(u, &inverse);
    const double value = node_weight * power_exp_minus(c->beta * log_u);
    const double share = value * inverse;
    const double share_x = share * x;
    const double share_y = share * y;
    s->value += value;
    s->by_log += value * log_u;
    s->x += share_x;
    s->y += share_y;
    s->xx += share_x * x;
    s->xy += share_x * y;
    s->yy += share_y * y;
}

/* What the nodes of a pixel say to the derivatives: those by u times those of u. */
__attribute__((always_inline)) static inline void
pixel_set(const struct profile *c, const struct node_sums *s, size_t i, struct row *row) {
    const double slope = -c->amplitude * c->beta; /* d model / d u, of a value over u of 1 */
    row->d[0].px[i] = s->value;
    row->d[1].px[i] = -slope * 2.0 * (c->cxx * s->x + c->cxy * s->y);
    row->d[2].px[i] = -slope * 2.0 * (c->cxy * s->x + c->cyy * s->y);
    row->d[3].px[i] = slope * s->xx;
    row->d[4].px[i] = slope * 2.0 * s->xy;
    row->d[5].px[i] = slope * s->yy;
    row->d[7].px[i] = -c->amplitude * s->by_log;
}

__attribute__((always_inline)) static inline void
pixel_add(const struct profile *c, const struct node_sums *s, size_t i, struct row *row) {
    const double slope = -c->amplitude * c->beta;
    row->d[0].px[i] += s->value;
    row->d[1].px[i] -= slope * 2.0 * (c->cxx * s->x + c->cxy * s->y);
    row->d[2].px[i] -= slope * 2.0 * (c->cxy * s->x + c->cyy * s->y);
    row->d[3].px[i] += slope * s->xx;
    row->d[4].px[i] += slope * 2.0 * s->xy;
    row->d[5].px[i] += slope * s->yy;
    row->d[7].px[i] -= c->amplitude * s->by_log;
}

/* Adds one node of the rule: pixel i is at (x0 + i, y) from the star there. */
NW_CLONES static void add_node(const struct profile *p, double x0, double y, double node_weight,
                               struct row *row) {
    const struct profile c = *p;
    const size_t n = row->n;
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        struct node_sums s = {0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0};
        node_add(&c, x0 + (double)(int32_t)i, y, node_weight, &s);
        pixel_add(&c, &s, i, row);
    }
}

/* The one node in the middle of the pixel. */
NW_CLONES static void set_middle(const struct profile *p, double x0, double y, struct row *row) {
    const struct profile c = *p;
    const size_t n = row->n;
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        struct node_sums s = {0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0};
        node_add(&c, x0 + (double)(int32_t)i, y, 1.0, &s);
        pixel_set(&c, &s, i, row);
    }
}

/* The series about the middle of the pixel (profile_average); the derivatives to its second order,
 *     d/dk [F + h^2/24 (F2 g + F1 t)] = (F1 + h^2/24 (F3 g + F2 t)) q_k + h^2/24 (F2 g_k + F1 t_k)
 * with g = qx^2 + qy^2 and t = qxx + qyy, a last term for beta, by which F1 and F2 change too. */
__attribute__((always_inline)) static inline void
pixel_series(const struct profile *c, double x, double y, double h2, size_t i, struct row *row) {
    double inverse = 0.0;
    const double u = 1.0 + x * (c->cxx * x + 2.0 * c->cxy * y) + c->cyy * y * y;
    const double log_u = power_log_inverse(u, &inverse);
    const double value = power_exp_minus(c->beta * log_u);
    const double qx = 2.0 * (c->cxx * x + c->cxy * y);
    const double qy = 2.0 * (c->cxy * x + c->cyy * y);
    const double g = qx * qx + qy * qy;
    const double t = 2.0 * (c->cxx + c->cyy);
    const double f1 = -c->beta * inverse;
    const double f2 = -(c->beta + 1.0) * inverse * f1;
    const double f3 = -(c->beta + 2.0) * inverse * f2;
    const double f1_beta = -inverse * (1.0 - c->beta * log_u);
    const double f2_beta =
        inverse * inverse * (2.0 * c->beta + 1.0 - c->beta * (c->beta + 1.0) * log_u);
    const double share = c->amplitude * value;
    const double curved = h2 / 24.0;
    const double slope = share * (f1 + curved * (f3 * g + f2 * t));
    const double by_g = share * curved * f2;
    const double by_t = share * curved * f1;
    row->d[0].px[i] = value * profile_average(c, x, y, inverse, h2);
    row->d[1].px[i] = -slope * qx - by_g * 4.0 * (c->cxx * qx + c->cxy * qy);
    row->d[2].px[i] = -slope * qy - by_g * 4.0 * (c->cxy * qx + c->cyy * qy);
    row->d[3].px[i] = slope * x * x + by_g * 4.0 * x * qx + by_t * 2.0;
    row->d[4].px[i] = slope * 2.0 * x * y + by_g * 4.0 * (y * qx + x * qy);
    row->d[5].px[i] = slope * y * y + by_g * 4.0 * y * qy + by_t * 2.0;
    row->d[7].px[i] = share * (curved * (f2_beta * g + f1_beta * t) - log_u);
}

NW_CLONES static void set_series(const struct profile *p, double x0, double y, double h2,
                                 struct row *row) {
    const struct profile c = *p;
    const size_t n = row->n;
#pragma omp simd
    for (size_t i = 0; i < n; i++) {
        pixel_series(&c, x0 + (double)(int32_t)i, y, h2, i, row);
    }
}

/* The model along a row whose pixel 0 is at (dx, dy) from the star. */
static void model_row(const struct profile *p, double dx, double dy, double pixel_width,
                      struct row *row) {
    /* the smallest quadratic form along the row decides on the rule */
    const double last = dx + (double)(row->n - 1);
    const double lowest = -p->cxy * dy / p->cxx;
    const double at = lowest < dx ? dx : lowest > last ? last : lowest;
    const double q = p->cxx * at * at + 2.0 * p->cxy * at * dy + p->cyy * dy * dy;
    const enum pixel_rule rule = profile_pixel_rule(p, q, pixel_width);
    if (rule == PIXEL_MIDDLE) {
        set_middle(p, dx, dy, row);
        return;
    }
    if (rule == PIXEL_SERIES) {
        set_series(p, dx, dy, pixel_width * pixel_width, row);
        return;
    }
    for (int k = 0; k < PROFILE_N; k++) {
        if (k != SKY) {
            memset(row->d[k].px, 0, row->n * sizeof *row->d[k].px);
        }
    }
    for (int j = 0; j < PIXEL_N; j++) {
        for (int i = 0; i < PIXEL_N; i++) {
            add_node(p, dx + PIXEL_NODE[i] * pixel_width, dy + PIXEL_NODE[j] * pixel_width,
                     PIXEL_WEIGHT[i] * PIXEL_WEIGHT[j], row);
        }
    }
}

static const float NOTHING[WINDOW_MAX_SIDE] = {0.0F};

struct noise {
    double sky_variance, variance_per_adu;
};

/* Weights and residuals; a pixel without value weighs nothing. Returns how many have one. */
NW_CLONES static size_t weigh_row(const float *px, size_t n_px, const struct profile *p,
                                  struct noise noise, const float *before, float *own,
                                  struct row *row) {
    const struct profile c = *p;
    uint64_t count = 0;
#pragma omp simd reduction(+ : count)
    for (size_t i = 0; i < n_px; i++) {
        const bool has_value = fabsf(px[i]) <= FLT_MAX;
        const double light = c.amplitude * row->d[0].px[i];
        const double variance =
            noise.sky_variance + (light > 0.0 ? light : 0.0) * noise.variance_per_adu;
        const double residual = (double)px[i] - light - c.sky;
        own[i] = has_value ? (float)(1.0 / variance) : 0.0F;
        row->weight.px[i] = (double)own[i];
        row->before.px[i] = (double)before[i];
        row->residual.px[i] = has_value ? residual : 0.0;
        count += has_value ? 1 : 0;
    }
    for (size_t i = n_px; i < row->n; i++) {
        row->weight.px[i] = row->before.px[i] = row->residual.px[i] = 0.0;
    }
    return (size_t)count;
}

NW_CLONES static void add_row(const struct row *row, int n, struct sums *sums) {
    lanes weighted[ROW_LANES];
    const size_t n_lanes = row->n / LANES;
    size_t pair = 0;
    for (int k = 0; k < n; k++) {
        lanes b = sums->b[k];
        for (size_t i = 0; i < n_lanes; i++) {
            weighted[i] = row->weight.of_four[i] * row->d[k].of_four[i];
            b += weighted[i] * row->residual.of_four[i];
        }
        sums->b[k] = b;
        for (int l = 0; l <= k; l++, pair++) {
            lanes a = sums->a[pair];
            for (size_t i = 0; i < n_lanes; i++) {
                a += weighted[i] * row->d[l].of_four[i];
            }
            sums->a[pair] = a;
        }
    }
    for (size_t i = 0; i < n_lanes; i++) {
        const lanes square = row->residual.of_four[i] * row->residual.of_four[i];
        sums->chi2 += row->weight.of_four[i] * square;
        sums->chi2_before += row->before.of_four[i] * square;
    }
}

static double total(const lanes *sum) {
    const lanes s = *sum;
    return (s[0] + s[1]) + (s[2] + s[3]);
}

void profile_sums(const struct window *w, const struct profile *p, const struct field *field, int n,
                  const struct profile_weights *before, struct profile_weights *own,
                  struct normal_equations *ret) {
    const size_t side = (size_t)w->side;
    const struct noise noise = {w->noise_adu * w->noise_adu, field->variance_per_adu};
    struct row row;
    struct sums sums;
    memset(&sums, 0, sizeof sums);
    row.n = (side + LANES - 1) / LANES * LANES;
    for (size_t i = 0; i < row.n; i++) {
        row.d[SKY].px[i] = 1.0;
    }
    *ret = (struct normal_equations){.n_px = 0};
    for (size_t j = 0; j < side; j++) {
        const size_t first = j * side;
        model_row(p, w->x0 - p->x, w->y0 + (double)j - p->y, field->pixel_width, &row);
        ret->n_px += weigh_row(w->px + first, side, p, noise, before ? before->px + first : NOTHING,
                               own->px + first, &row);
        add_row(&row, n, &sums);
    }
    size_t pair = 0;
    for (int k = 0; k < n; k++) {
        for (int l = 0; l <= k; l++) {
            ret->a[k][l] = total(&sums.a[pair++]);
        }
        ret->b[k] = total(&sums.b[k]);
    }
    ret->chi2 = total(&sums.chi2);
    ret->chi2_before = total(&sums.chi2_before);
}
