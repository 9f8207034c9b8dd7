/* series.c - statistics of one series of frames: median, line, step. */
#include <float.h>
#include <math.h>

#include "look/look_internal.h"

enum { STEP_SIDE = 5, STEP_SIDE_MIN = 2, STEP_FRAMES_MIN = 6, CLIP_ROUNDS = 5 };
static const double CLIP_SIGMA = 3.0;
static const double STEP_SIGMA = 5.0;
static const double STEP_RATIO = 0.05;

enum nw_status look_series_init(struct look_series *series, size_t n_max, struct nw_err *err) {
    *series = (struct look_series){
        .x = nw_calloc(n_max, sizeof *series->x),
        .y = nw_calloc(n_max, sizeof *series->y),
        .frame = nw_calloc(n_max, sizeof *series->frame),
        .work = nw_calloc(n_max, sizeof *series->work),
    };
    if (!series->x || !series->y || !series->frame || !series->work) {
        look_series_done(series);
        return nw_err_set(err, NW_NOMEM, "series of %zu frames", n_max);
    }
    return NW_OK;
}

void look_series_done(struct look_series *series) {
    free(series->x);
    free(series->y);
    free(series->frame);
    free(series->work);
    *series = (struct look_series){0};
}

void look_series_add(struct look_series *series, size_t frame, double x, double y) {
    if (isfinite(x) && isfinite(y)) {
        series->x[series->n] = x;
        series->y[series->n] = y;
        series->frame[series->n] = frame;
        series->n++;
    }
}

double look_quantile(const struct look_series *series, double p) {
    if (series->n == 0) {
        return NAN;
    }
    memcpy(series->work, series->y, series->n * sizeof *series->work);
    return nw_stat_quantile(series->work, series->n, p);
}

double look_median(const struct look_series *series) {
    return look_quantile(series, 0.5);
}

double look_mad_sigma(const struct look_series *series) {
    if (series->n < 2) {
        return NAN;
    }
    memcpy(series->work, series->y, series->n * sizeof *series->work);
    return nw_stat_mad_sigma(series->work, series->n, NULL);
}

/* One unweighted fit over the rows whose residual is within `limit` of the line before. */
static struct nw_look_line fit_once(const struct look_series *series,
                                    const struct nw_look_line *before, double limit) {
    struct nw_look_line line = {.at_mean = NAN, .slope = NAN, .slope_sigma = NAN, .scatter = NAN};
    double sum_x = 0.0;
    double sum_y = 0.0;
    for (size_t i = 0; i < series->n; i++) {
        const double model = before->at_mean + before->slope * (series->x[i] - before->mean_x);
        const bool is_kept = !(fabs(series->y[i] - model) > limit);
        series->work[i] = is_kept ? 1.0 : 0.0;
        sum_x += is_kept ? series->x[i] : 0.0;
        sum_y += is_kept ? series->y[i] : 0.0;
        line.n += is_kept ? 1 : 0;
    }
    if (line.n == 0) {
        return line;
    }
    line.mean_x = sum_x / (double)line.n;
    line.at_mean = sum_y / (double)line.n;
    double sxx = 0.0;
    double sxy = 0.0;
    for (size_t i = 0; i < series->n; i++) {
        const double dx = series->x[i] - line.mean_x;
        sxx += series->work[i] * dx * dx;
        sxy += series->work[i] * dx * (series->y[i] - line.at_mean);
    }
    if (line.n < 3 || !(sxx > DBL_EPSILON * line.mean_x * line.mean_x)) {
        return line;
    }
    line.slope = sxy / sxx;
    double sum2 = 0.0;
    for (size_t i = 0; i < series->n; i++) {
        const double rest = series->y[i] - line.at_mean - line.slope * (series->x[i] - line.mean_x);
        sum2 += series->work[i] * rest * rest;
    }
    line.slope_sigma = sqrt(sum2 / (double)(line.n - 2) / sxx);
    return line;
}

static double scatter_about(const struct look_series *series, const struct nw_look_line *line) {
    for (size_t i = 0; i < series->n; i++) {
        series->work[i] =
            series->y[i] - line->at_mean - line->slope * (series->x[i] - line->mean_x);
    }
    return nw_stat_mad_sigma(series->work, series->n, NULL);
}

struct nw_look_line look_line(struct look_series *series) {
    const struct nw_look_line none = {0};
    struct nw_look_line line = fit_once(series, &none, INFINITY);
    for (int round = 0; round < CLIP_ROUNDS && isfinite(line.slope); round++) {
        line.scatter = scatter_about(series, &line);
        /* rounding alone is no outlier */
        const double limit = fmax(CLIP_SIGMA * line.scatter, 1e-12 * (1.0 + fabs(line.at_mean)));
        struct nw_look_line next = fit_once(series, &line, limit);
        if (!isfinite(next.slope) || 2 * next.n < series->n) {
            break; /* more outliers than values: there is no line to speak of */
        }
        next.scatter = line.scatter;
        const bool is_same = next.n == line.n && round > 0;
        line = next;
        if (is_same) {
            break;
        }
    }
    return line;
}

/* Noise of one value from the differences of neighbours: a step or a slow trend hardly enters. */
static double neighbour_sigma(const struct look_series *series) {
    for (size_t i = 1; i < series->n; i++) {
        series->work[i - 1] = series->y[i] - series->y[i - 1];
    }
    return nw_stat_mad_sigma(series->work, series->n - 1, NULL) / sqrt(2.0);
}

static double median_of(const double *values, size_t n) {
    double few[STEP_SIDE];
    memcpy(few, values, n * sizeof *few);
    return nw_stat_median(few, n);
}

struct nw_look_step look_step(struct look_series *series) {
    struct nw_look_step step = {.ratio = NAN, .before = NAN, .after = NAN, .significance = NAN};
    if (series->n < STEP_FRAMES_MIN) {
        return step;
    }
    /* a floor of 0.1 %: a series without noise still has a sigma */
    const double sigma = fmax(neighbour_sigma(series), 1e-3 * fabs(look_median(series)));
    double largest = 0.0;
    for (size_t i = STEP_SIDE_MIN; i + STEP_SIDE_MIN <= series->n; i++) {
        const size_t n_before = i < STEP_SIDE ? i : STEP_SIDE;
        const size_t n_after = series->n - i < STEP_SIDE ? series->n - i : STEP_SIDE;
        const double before = median_of(series->y + i - n_before, n_before);
        const double after = median_of(series->y + i, n_after);
        /* the median of n Gaussians scatters by about 1.25 sigma / sqrt(n) */
        const double error = 1.25 * sigma * sqrt(1.0 / (double)n_before + 1.0 / (double)n_after);
        const double significance = fabs(after - before) / error;
        /* the sharpest place: the pair at the edge counts among equals */
        const double edge = fabs(series->y[i] - series->y[i - 1]) / sigma;
        if (significance + 0.1 * edge > largest) {
            largest = significance + 0.1 * edge;
            step = (struct nw_look_step){.frame = series->frame[i],
                                         .ratio = after / before,
                                         .before = before,
                                         .after = after,
                                         .significance = significance};
        }
    }
    step.is_found =
        step.significance > STEP_SIGMA && fabs(log(step.after / step.before)) > STEP_RATIO;
    return step;
}
