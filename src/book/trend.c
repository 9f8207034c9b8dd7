/* trend.c - one number of the book against another, with a robust line.
 * Idea: nights, not frames, are what is drawn anew for the interval: the frames of one night are no
 * independent witnesses. Where the rows come from: trend_rows.c. */
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#include "book/trend_internal.h"

enum { MAX_POINTS = 4000, RESAMPLINGS = 400, ROUNDS = 30, MIN_NIGHTS = 3, MIN_POINTS = 8 };
enum { SEED = 20260514 };
static const double BISQUARE = 4.685;

/* Days since the first night. */
static void count_days(struct nw_book_trend *trend) {
    const double first = trend->n ? trend->points[0].x : 0.0;
    for (size_t i = 0; i < trend->n; i++) {
        trend->points[i].x -= first;
    }
}

/* ---- Groups --------------------------------------------------------------------------------- */

static int by_x(const void *a, const void *b) {
    const double left = ((const struct nw_book_point *)a)->x;
    const double right = ((const struct nw_book_point *)b)->x;
    return left < right ? -1 : left > right ? 1 : 0;
}

static size_t end_of_night(const struct nw_book_trend *trend, size_t first) {
    size_t end = first;
    while (end < trend->n && strcmp(trend->points[end].date, trend->points[first].date) == 0) {
        end++;
    }
    return end;
}

static size_t count_nights(const struct nw_book_trend *trend) {
    size_t n = 0;
    for (size_t i = 0; i < trend->n; i = end_of_night(trend, i)) {
        n++;
    }
    return n;
}

static struct nw_book_point median_of(const struct nw_book_point *points, size_t n, double *work) {
    struct nw_book_point median = points[0];
    for (size_t i = 0; i < n; i++) {
        work[i] = points[i].x;
    }
    median.x = nw_stat_median(work, n);
    for (size_t i = 0; i < n; i++) {
        work[i] = points[i].y;
    }
    median.y = nw_stat_median(work, n);
    return median;
}

/* Each night becomes at most `per_night` points: medians of neighbours in x. In place. */
static enum nw_status group(struct nw_book_trend *trend, size_t per_night, struct nw_err *err) {
    double *const work = nw_calloc(trend->n, sizeof *work);
    if (!work) {
        return nw_err_set(err, NW_NOMEM, "%zu points", trend->n);
    }
    size_t n = 0;
    for (size_t first = 0; first < trend->n;) {
        const size_t end = end_of_night(trend, first);
        const size_t n_night = end - first;
        const size_t n_groups = n_night < per_night ? n_night : per_night;
        qsort(&trend->points[first], n_night, sizeof *trend->points, by_x);
        for (size_t g = 0; g < n_groups; g++) { /* written places are behind those still to read */
            const size_t low = first + g * n_night / n_groups;
            const size_t high = first + (g + 1) * n_night / n_groups;
            trend->points[n++] = median_of(&trend->points[low], high - low, work);
        }
        first = end;
    }
    trend->n = n;
    free(work);
    return NW_OK;
}

/* ---- The line ------------------------------------------------------------------------------- */

struct line {
    double slope, x, y, scatter; /* through (x, y) */
};

/* Weighted least squares; NaN slope when all x are the same. */
static struct line straight(const struct nw_book_point *points, const double *weights, size_t n) {
    double sum = 0.0;
    double x = 0.0;
    double y = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum += weights[i];
        x += weights[i] * points[i].x;
        y += weights[i] * points[i].y;
    }
    x /= sum;
    y /= sum;
    double xx = 0.0;
    double xy = 0.0;
    for (size_t i = 0; i < n; i++) {
        xx += weights[i] * (points[i].x - x) * (points[i].x - x);
        xy += weights[i] * (points[i].x - x) * (points[i].y - y);
    }
    return (struct line){.slope = xx > 0.0 ? xy / xx : NAN, .x = x, .y = y, .scatter = NAN};
}

static double residual(const struct line *line, const struct nw_book_point *point) {
    return point->y - line->y - line->slope * (point->x - line->x);
}

/* Beaton & Tukey 1974: reweighted least squares, the scale from the MAD of the residuals each
 * round. weights and work: n doubles. */
static struct line fit(const struct nw_book_point *points, size_t n, double *weights,
                       double *work) {
    for (size_t i = 0; i < n; i++) {
        weights[i] = 1.0;
    }
    struct line line = straight(points, weights, n);
    for (size_t round = 0; round < ROUNDS && isfinite(line.slope); round++) {
        for (size_t i = 0; i < n; i++) {
            work[i] = residual(&line, &points[i]);
        }
        const double sigma = nw_stat_mad_sigma(work, n, NULL);
        if (!(sigma > 0.0)) { /* more than half lie on the line */
            line.scatter = 0.0;
            return line;
        }
        for (size_t i = 0; i < n; i++) {
            const double t = residual(&line, &points[i]) / (BISQUARE * sigma);
            weights[i] = fabs(t) < 1.0 ? (1.0 - t * t) * (1.0 - t * t) : 0.0;
        }
        const double before = line.slope;
        line = straight(points, weights, n);
        line.scatter = sigma;
        if (fabs(line.slope - before) <= 1e-9 * (fabs(before) + 1e-30)) {
            break;
        }
    }
    return line;
}

/* Draws as many nights as there are, with replacement. */
static size_t draw(const struct nw_book_trend *trend, const size_t *starts, gsl_rng *rng,
                   struct nw_book_point *to) {
    size_t n = 0;
    for (size_t i = 0; i < trend->n_nights; i++) {
        const size_t night = gsl_rng_uniform_int(rng, trend->n_nights);
        const size_t len = starts[night + 1] - starts[night];
        memcpy(&to[n], &trend->points[starts[night]], len * sizeof *to);
        n += len;
    }
    return n;
}

/* The longest drawing: every time the longest night. */
static size_t longest_draw(const struct nw_book_trend *trend, const size_t *starts) {
    size_t longest = 0;
    for (size_t i = 0; i < trend->n_nights; i++) {
        const size_t len = starts[i + 1] - starts[i];
        longest = len > longest ? len : longest;
    }
    return longest * trend->n_nights;
}

static enum nw_status bound(struct nw_book_trend *trend, const size_t *starts, double *slopes,
                            struct nw_err *err) {
    const size_t room = longest_draw(trend, starts);
    struct nw_book_point *const drawn = nw_calloc(room, sizeof *drawn);
    double *const work = nw_calloc(2 * room, sizeof *work);
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    enum nw_status status = NW_OK;
    size_t n_slopes = 0;
    if (!drawn || !work || !rng) {
        status = nw_err_set(err, NW_NOMEM, "%zu points", room);
        goto done;
    }
    gsl_rng_set(rng, SEED);
    for (size_t i = 0; i < RESAMPLINGS; i++) {
        const size_t n = draw(trend, starts, rng, drawn);
        const struct line line = fit(drawn, n, work, work + room);
        if (isfinite(line.slope)) {
            slopes[n_slopes++] = line.slope;
        }
    }
    if (n_slopes > RESAMPLINGS / 2) {
        trend->slope_low = nw_stat_quantile(slopes, n_slopes, 0.025);
        trend->slope_high = nw_stat_quantile(slopes, n_slopes, 0.975);
    }
done:
    free(drawn);
    free(work);
    gsl_rng_free(rng);
    return status;
}

/* ---- Ranks ---------------------------------------------------------------------------------- */

struct ranked {
    double value;
    size_t at;
};

static int by_value(const void *a, const void *b) {
    const double left = ((const struct ranked *)a)->value;
    const double right = ((const struct ranked *)b)->value;
    return left < right ? -1 : left > right ? 1 : 0;
}

/* Mean rank of ties. */
static void rank(struct ranked *items, size_t n, double *ranks) {
    qsort(items, n, sizeof *items, by_value);
    for (size_t i = 0; i < n;) {
        size_t end = i + 1;
        while (end < n && !(items[end].value > items[i].value)) {
            end++;
        }
        for (size_t k = i; k < end; k++) {
            ranks[items[k].at] = 0.5 * (double)(i + end - 1);
        }
        i = end;
    }
}

/* Spearman 1904, Am. J. Psychol. 15, 72: correlation of the ranks. */
static double rank_correlation(const struct nw_book_trend *trend, double *work) {
    const size_t n = trend->n;
    struct ranked *const items = nw_calloc(n, sizeof *items);
    double *const rx = work;
    double *const ry = work + n;
    if (!items) {
        return NAN;
    }
    for (size_t i = 0; i < n; i++) {
        items[i] = (struct ranked){trend->points[i].x, i};
    }
    rank(items, n, rx);
    for (size_t i = 0; i < n; i++) {
        items[i] = (struct ranked){trend->points[i].y, i};
    }
    rank(items, n, ry);
    free(items);
    const double mean = 0.5 * (double)(n - 1);
    double xx = 0.0;
    double yy = 0.0;
    double xy = 0.0;
    for (size_t i = 0; i < n; i++) {
        xx += (rx[i] - mean) * (rx[i] - mean);
        yy += (ry[i] - mean) * (ry[i] - mean);
        xy += (rx[i] - mean) * (ry[i] - mean);
    }
    return xx > 0.0 && yy > 0.0 ? xy / sqrt(xx * yy) : NAN;
}

/* ---- Together ------------------------------------------------------------------------------- */

static enum nw_status fit_trend(struct nw_book_trend *trend, struct nw_err *err) {
    size_t *const starts = nw_calloc(trend->n_nights + 1, sizeof *starts);
    double *const work = nw_calloc(2 * trend->n + RESAMPLINGS, sizeof *work);
    enum nw_status status = NW_OK;
    if (!starts || !work) {
        status = nw_err_set(err, NW_NOMEM, "%zu points", trend->n);
        goto done;
    }
    size_t n = 0;
    for (size_t i = 0; i < trend->n; i = end_of_night(trend, i)) {
        starts[n++] = i;
    }
    starts[n] = trend->n;
    const struct line line = fit(trend->points, trend->n, work, work + trend->n);
    if (!isfinite(line.slope)) {
        nw_text_copy(trend->why_null, sizeof trend->why_null, "all values along x are the same");
        goto done;
    }
    trend->slope = line.slope;
    trend->at_x = line.x;
    trend->at_y = line.y;
    trend->scatter = line.scatter;
    trend->rank_correlation = rank_correlation(trend, work);
    status = bound(trend, starts, work, err);
done:
    free(starts);
    free(work);
    return status;
}

enum nw_status nw_book_trend(struct nw_book *book, const struct nw_book_trend_opts *opts,
                             struct nw_book_trend *ret, struct nw_err *err) {
    struct nw_book_trend trend = {.slope = NAN,
                                  .slope_low = NAN,
                                  .slope_high = NAN,
                                  .at_x = NAN,
                                  .at_y = NAN,
                                  .scatter = NAN,
                                  .rank_correlation = NAN};
    bool is_joined = false;
    enum nw_status status = book_trend_points(book, opts, &trend, &is_joined, err);
    if (status == NW_OK && trend.n == 0) {
        status = nw_err_set(
            err, NW_DATA, "no row of the book has both %s and %s%s", opts->y, opts->x,
            opts->filter || opts->object || opts->n_where > 0 ? " (of what was asked for)" : "");
    }
    if (status == NW_OK && strcmp(opts->x, BOOK_TREND_NIGHT) == 0) {
        count_days(&trend);
    }
    trend.n_nights = count_nights(&trend);
    if (status == NW_OK && trend.n_nights > 0 && (opts->is_by_night || trend.n > MAX_POINTS)) {
        const size_t most = MAX_POINTS / trend.n_nights;
        status = group(&trend, opts->is_by_night || most == 0 ? 1 : most, err);
    }
    if (status == NW_OK && (trend.n_nights < MIN_NIGHTS || trend.n < MIN_POINTS)) {
        (void)snprintf(trend.why_null, sizeof trend.why_null,
                       "%zu points of %zu nights, a line takes %d of %d", trend.n, trend.n_nights,
                       MIN_POINTS, MIN_NIGHTS);
    } else if (status == NW_OK) {
        status = fit_trend(&trend, err);
    }
    if (status == NW_OK) {
        *ret = trend;
    } else {
        nw_book_trend_done(&trend);
    }
    return status;
}

void nw_book_trend_done(struct nw_book_trend *trend) {
    free(trend->points);
    *trend = (struct nw_book_trend){.n = 0};
}
