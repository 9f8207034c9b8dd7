/* fading_fit.c - one slope for all targets, a level for each; see fading.h.
 * Robust by reweighting (bisquare, Beaton & Tukey 1974, Technometrics 16, 147), the levels taken
 * out by weighted means; nights drawn anew for the interval. */
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#include "book/fading.h"

enum { ROUNDS = 20, RESAMPLINGS = 400, LEAST_NIGHTS = 6, SEED = 20260514 };
static const double BISQUARE = 4.685, DAY_S = 86400.0, LEAST_SPAN_S = 21.0 * 86400.0;

struct work {
    double *weights, *rests, *drawn; /* of each point; drawn: how often its night was drawn */
    double *means[2];                /* of each group: t, ln light */
    double *sums;
};

/* Weighted means of each group out of t and y, then the slope of what is left. */
static double slope_of(const struct nw_fading *f, struct work *w) {
    double tt = 0.0;
    double ty = 0.0;
    for (size_t g = 0; g < f->n_groups; g++) {
        w->means[0][g] = w->means[1][g] = w->sums[g] = 0.0;
    }
    for (size_t i = 0; i < f->n; i++) {
        const size_t g = f->points[i].group;
        const double weight = w->weights[i] * w->drawn[i];
        w->sums[g] += weight;
        w->means[0][g] += weight * (f->points[i].t_s - f->points[0].t_s);
        w->means[1][g] += weight * f->points[i].ln_light;
    }
    for (size_t g = 0; g < f->n_groups; g++) {
        w->means[0][g] /= w->sums[g] > 0.0 ? w->sums[g] : 1.0;
        w->means[1][g] /= w->sums[g] > 0.0 ? w->sums[g] : 1.0;
    }
    for (size_t i = 0; i < f->n; i++) {
        const size_t g = f->points[i].group;
        const double t = f->points[i].t_s - f->points[0].t_s - w->means[0][g];
        tt += w->weights[i] * w->drawn[i] * t * t;
        ty += w->weights[i] * w->drawn[i] * t * (f->points[i].ln_light - w->means[1][g]);
    }
    const double slope = tt > 0.0 ? ty / tt : NAN;
    for (size_t i = 0; i < f->n; i++) {
        const size_t g = f->points[i].group;
        w->rests[i] = f->points[i].ln_light - w->means[1][g] -
                      slope * (f->points[i].t_s - f->points[0].t_s - w->means[0][g]);
    }
    return slope;
}

/* room: as long as the points. */
static double robust_slope(const struct nw_fading *f, struct work *w, double *room,
                           double *ret_scatter) {
    double slope = NAN;
    for (size_t i = 0; i < f->n; i++) {
        w->weights[i] = 1.0;
    }
    for (int round = 0; round < ROUNDS; round++) {
        slope = slope_of(f, w);
        size_t n = 0;
        for (size_t i = 0; i < f->n; i++) {
            if (w->drawn[i] > 0.0) {
                room[n++] = w->rests[i];
            }
        }
        const double scatter = fmax(nw_stat_mad_sigma(room, n, NULL), 1e-6);
        *ret_scatter = scatter;
        for (size_t i = 0; i < f->n; i++) {
            const double u = w->rests[i] / (BISQUARE * scatter);
            w->weights[i] = fabs(u) < 1.0 ? (1.0 - u * u) * (1.0 - u * u) : 0.0;
        }
    }
    return slope;
}

static int by_date(const void *a, const void *b) {
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

/* Dates once each, in order. */
static size_t list_nights(const struct nw_fading *f, const char **dates) {
    size_t n = 0;
    for (size_t i = 0; i < f->n; i++) {
        dates[i] = f->points[i].date;
    }
    qsort((void *)dates, f->n, sizeof *dates, by_date);
    for (size_t i = 0; i < f->n; i++) {
        if (n == 0 || strcmp(dates[n - 1], dates[i]) != 0) {
            dates[n++] = dates[i];
        }
    }
    return n;
}

static void draw(const struct nw_fading *f, const char *const *dates, size_t n_nights,
                 size_t *counts, struct work *w, gsl_rng *rng) {
    memset(counts, 0, n_nights * sizeof *counts);
    for (size_t k = 0; k < n_nights; k++) {
        counts[gsl_rng_uniform_int(rng, n_nights)]++;
    }
    for (size_t i = 0; i < f->n; i++) {
        const char *const key = f->points[i].date;
        const char *const *const at =
            bsearch(&key, (const void *)dates, n_nights, sizeof *dates, by_date);
        w->drawn[i] = (double)counts[at - dates];
    }
}

/* When so much is lost since the first night, at a slope that loses `per_s`. */
static double due_s(const struct nw_fading *f, double per_s) {
    return per_s > 0.0 ? f->start_s - log(1.0 - NW_FADING_ALLOWED) / per_s : INFINITY;
}

static void sum_up(struct nw_fading *f, double slope, double *slopes, size_t n_slopes) {
    double last_s = f->points[0].t_s;
    f->start_s = last_s;
    for (size_t i = 0; i < f->n; i++) {
        f->start_s = fmin(f->start_s, f->points[i].t_s);
        last_s = fmax(last_s, f->points[i].t_s);
    }
    f->loss_per_s = -slope;
    f->low_per_s = -nw_stat_quantile(slopes, n_slopes, 0.975);
    f->high_per_s = -nw_stat_quantile(slopes, n_slopes, 0.025);
    f->lost = 1.0 - exp(slope * (last_s - f->start_s));
    f->due_s = due_s(f, f->loss_per_s);
    f->due_from_s = due_s(f, f->high_per_s);
    f->due_until_s = due_s(f, f->low_per_s);
}

static bool is_enough(struct nw_fading *f, size_t n_nights) {
    double from_s = INFINITY;
    double to_s = -INFINITY;
    for (size_t i = 0; i < f->n; i++) {
        from_s = fmin(from_s, f->points[i].t_s);
        to_s = fmax(to_s, f->points[i].t_s);
    }
    f->n_nights = n_nights;
    if (n_nights >= LEAST_NIGHTS && to_s - from_s >= LEAST_SPAN_S) {
        return true;
    }
    (void)snprintf(
        f->why_null, sizeof f->why_null,
        "%zu nights over %.0f days on targets that come back, a trend takes %d over %.0f", n_nights,
        n_nights > 0 ? (to_s - from_s) / DAY_S : 0.0, LEAST_NIGHTS, LEAST_SPAN_S / DAY_S);
    return false;
}

enum nw_status nw_fading_fit(struct nw_fading *f, struct nw_err *err) {
    const size_t n = f->n + 1;
    const size_t groups = f->n_groups + 1;
    double *const room = nw_calloc(4 * n + 3 * groups + RESAMPLINGS, sizeof *room);
    const char **const dates = nw_calloc(n, sizeof *dates);
    size_t *const counts = nw_calloc(n, sizeof *counts);
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    enum nw_status status = NW_OK;
    if (!room || !dates || !counts || !rng) {
        status = nw_err_set(err, NW_NOMEM, "%zu nights", f->n);
        goto done;
    }
    struct work w = {.weights = room,
                     .rests = room + n,
                     .drawn = room + 2 * n,
                     .means = {room + 4 * n, room + 4 * n + groups},
                     .sums = room + 4 * n + 2 * groups};
    double *const slopes = room + 4 * n + 3 * groups;
    const size_t n_nights = list_nights(f, dates);
    f->loss_per_s = f->low_per_s = f->high_per_s = f->scatter = f->lost = NAN;
    f->due_s = f->due_from_s = f->due_until_s = NAN;
    if (!is_enough(f, n_nights)) {
        goto done;
    }
    gsl_rng_set(rng, SEED);
    for (size_t i = 0; i < f->n; i++) {
        w.drawn[i] = 1.0;
    }
    const double slope = robust_slope(f, &w, room + 3 * n, &f->scatter);
    size_t n_slopes = 0;
    for (size_t k = 0; k < RESAMPLINGS; k++) {
        double unused = NAN;
        draw(f, dates, n_nights, counts, &w, rng);
        const double drawn = robust_slope(f, &w, room + 3 * n, &unused);
        if (isfinite(drawn)) {
            slopes[n_slopes++] = drawn;
        }
    }
    if (!isfinite(slope) || n_slopes < RESAMPLINGS / 2) {
        nw_text_copy(f->why_null, sizeof f->why_null,
                     "no target came back on another night with its airmass known");
    } else {
        sum_up(f, slope, slopes, n_slopes);
    }
done:
    free(room);
    free((void *)dates);
    free(counts);
    gsl_rng_free(rng);
    return status;
}

void nw_fading_done(struct nw_fading *fading) {
    free(fading->points);
    fading->points = NULL;
    fading->n = 0;
}
