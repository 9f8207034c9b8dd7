/* sensor_dark.c - dark current by exposures, its doubling, hot pixels.
 * Idea: the mean level grows with exposure, but the offset wanders from frame to frame and some
 * cameras take the dark off themselves; the noise of the difference of two darks grows with the
 * charge and knows of neither (Janesick 2007, ch. 7). Both are fitted; the slope of the levels is
 * believed unless the noise contradicts it, or knows so much more. */
#include "light/sensor_internal.h"

#include <math.h>

#define SAME_TEMPERATURE_K 0.75
#define CLAMP_SIGMAS 4.0 /* to say that the camera takes the dark off */
#define DOUBT_SIGMAS 2.5 /* to leave a level that the noise contradicts */
#define GOOD_SHARE 0.05  /* an error that is good enough: 5 %, or */
#define GOOD_E_S 0.0005  /* this */
#define HOT_SIGMAS 6.0   /* in each of two darks */

enum { MAX_POINTS = 600 };
struct points {
    double t_s[MAX_POINTS], y[MAX_POINTS], sigma[MAX_POINTS];
    size_t n;
};

/* Same temperature; a bias that does not say goes with all. */
static bool belongs(const struct sensor_work *work, size_t i, double temperature_K) {
    const double t = sensor_temperature_K(&work->frames[i]);
    if (!work->is_taken[i] ||
        (work->frames[i].use != NW_USE_DARK && work->frames[i].use != NW_USE_BIAS)) {
        return false;
    }
    return isfinite(t) && isfinite(temperature_K) ? fabs(t - temperature_K) < SAME_TEMPERATURE_K
           : work->frames[i].use == NW_USE_BIAS   ? !isfinite(t) || !isfinite(temperature_K)
                                                  : !isfinite(t) && !isfinite(temperature_K);
}

static double exposure_of(const struct nw_sensor_frame *f) {
    return isfinite(f->facts.exposure_s) ? f->facts.exposure_s : f->use == NW_USE_BIAS ? 0.0 : NAN;
}

static void add_point(struct points *points, double t_s, double y, double sigma) {
    if (points->n < MAX_POINTS && isfinite(t_s) && isfinite(y)) {
        points->t_s[points->n] = t_s;
        points->y[points->n] = y;
        points->sigma[points->n++] = sigma;
    }
}

struct line_of {
    double slope, covariance, chi2; /* covariance: for weights of one where errors are not known */
    size_t n;
};

static bool fit_line(const struct points *points, bool has_sigma, struct line_of *ret) {
    double x[2 * MAX_POINTS];
    double w[MAX_POINTS];
    struct sensor_line line = {.n = points->n, .k = 2, .x = x, .y = points->y, .w = w};
    for (size_t i = 0; i < points->n; i++) {
        x[2 * i] = 1.0;
        x[2 * i + 1] = points->t_s[i];
        w[i] = has_sigma ? pow(points->sigma[i], -2.0) : 1.0;
        if (!isfinite(w[i])) {
            return false;
        }
    }
    if (points->n < 2 || !sensor_line_fit(&line)) {
        return false;
    }
    *ret = (struct line_of){line.b[1], line.covariance[1][1], line.chi2, points->n};
    return true;
}

/* Slope and error of points of known errors. */
static bool slope(const struct points *points, double ret[static 2]) {
    struct line_of line;
    if (!fit_line(points, true, &line)) {
        return false;
    }
    const double excess = points->n > 2 ? fmax(1.0, line.chi2 / (double)(points->n - 2)) : 1.0;
    ret[0] = line.slope;
    ret[1] = sqrt(line.covariance * excess);
    return true;
}

/* Levels of one temperature, all of one weight. */
static bool fit_levels(const struct sensor_work *work, const struct nw_sensor_dark *dark,
                       struct line_of *ret) {
    struct points points = {.n = 0};
    for (size_t i = 0; i < work->n; i++) {
        if (belongs(work, i, dark->temperature_K)) {
            add_point(&points, exposure_of(&work->frames[i]),
                      sensor_site_mean(work->level_adu[i], work->out->n_sites), NAN);
        }
    }
    return dark->n_exposures >= 2 && fit_line(&points, false, ret);
}

/* The offset wanders alike at all temperatures: its scatter about all lines together is the error
 * of a level. With a few darks a temperature, each one's own would often be far too small. */
static double level_sigma(const struct sensor_work *work) {
    double chi2 = 0.0;
    double dof = 0.0;
    for (size_t i = 0; i < work->out->n_darks; i++) {
        struct line_of line;
        if (fit_levels(work, &work->out->darks[i], &line) && line.n > 2) {
            chi2 += line.chi2;
            dof += (double)(line.n - 2);
        }
    }
    return dof > 0.0 ? sqrt(chi2 / dof) : NAN;
}

static void by_levels(const struct sensor_work *work, double sigma_adu,
                      struct nw_sensor_dark *dark) {
    const double gain = work->out->gain_e_per_adu.v;
    struct line_of line;
    if (fit_levels(work, dark, &line)) {
        sensor_value_set(&dark->slope_e_s, gain * line.slope,
                         gain * sigma_adu * sqrt(line.covariance));
    } else {
        sensor_value_why(&dark->slope_e_s, "needs darks of two exposures, or biases beside them");
    }
}

/* Variance of one frame of the pair, mean over sites. */
static void pair_noise(const struct sensor_pair *p, double *ret_var, double *ret_sigma) {
    double sum = 0.0;
    double sum2 = 0.0;
    double n = 0.0;
    for (size_t t = 0; t < p->n_tiles * p->n_sites; t++) {
        const double v = 0.5 * p->tiles[t].var_rows;
        if (isfinite(v)) {
            sum += v;
            sum2 += v * v;
            n += 1.0;
        }
    }
    *ret_var = sum / n;
    *ret_sigma = sqrt(fmax(0.0, sum2 - sum * sum / n) / (n - 1.0) / n);
}

static void by_noise(const struct sensor_work *work, struct nw_sensor_dark *dark) {
    struct points points = {.n = 0};
    const double gain = work->out->gain_e_per_adu.v;
    for (size_t i = 0; i < work->n_pairs; i++) {
        const struct sensor_pair *const p = &work->pairs[i];
        if (p->a != p->b && belongs(work, p->a, dark->temperature_K)) {
            double var = NAN;
            double sigma = NAN;
            pair_noise(p, &var, &sigma);
            add_point(&points, exposure_of(&work->frames[p->a]), var, sigma);
        }
    }
    double result[2];
    if (slope(&points, result)) {
        sensor_value_set(&dark->variance_e_s, gain * gain * result[0], gain * gain * result[1]);
    } else {
        sensor_value_why(&dark->variance_e_s, "needs pairs of darks of two exposures, or a pair "
                                              "of biases beside a pair of darks");
    }
}

static bool is_good(const struct nw_sensor_value *v) {
    return isfinite(v->v) && 2.0 * v->sigma <= fmax(GOOD_E_S, GOOD_SHARE * fabs(v->v));
}

static void believe(struct nw_sensor_dark *dark) {
    const struct nw_sensor_value *const s = &dark->slope_e_s;
    const struct nw_sensor_value *const n = &dark->variance_e_s;
    dark->is_clamped = isfinite(s->v) && isfinite(n->v) && s->v < 0.5 * n->v &&
                       n->v > CLAMP_SIGMAS * n->sigma &&
                       n->v - s->v > CLAMP_SIGMAS * hypot(s->sigma, n->sigma);
    const bool is_doubted = fabs(n->v - s->v) > DOUBT_SIGMAS * hypot(s->sigma, n->sigma);
    const bool is_poor = !isfinite(s->v) || (!is_good(s) && !(n->sigma > s->sigma));
    dark->is_from_variance = isfinite(n->v) && (is_doubted || is_poor);
    dark->dark_e_s = dark->is_from_variance ? *n : *s;
}

static void count_dark(const struct sensor_work *work, struct nw_sensor_dark *dark) {
    double seen[32];
    size_t n_seen = 0;
    for (size_t i = 0; i < work->n; i++) {
        const double t_s =
            belongs(work, i, dark->temperature_K) ? exposure_of(&work->frames[i]) : NAN;
        if (!isfinite(t_s)) {
            continue;
        }
        dark->n_frames += work->frames[i].use == NW_USE_DARK;
        dark->longest_s = fmax(dark->longest_s, t_s);
        bool is_new = true;
        for (size_t k = 0; k < n_seen; k++) {
            is_new = is_new && fabs(seen[k] - t_s) > 0.02 * t_s + 0.05;
        }
        if (is_new && n_seen < sizeof seen / sizeof seen[0]) {
            seen[n_seen++] = t_s;
        }
    }
    dark->n_exposures = n_seen;
}

/* ln D = a + ln 2 / T2 (T - T0), weighted. */
static void find_doubling(struct nw_sensor *out) {
    double x[2 * NW_SENSOR_TEMPERATURES];
    double y[NW_SENSOR_TEMPERATURES];
    double w[NW_SENSOR_TEMPERATURES];
    struct sensor_line line = {.k = 2, .x = x, .y = y, .w = w};
    for (size_t i = 0; i < out->n_darks; i++) {
        const struct nw_sensor_value *const d = &out->darks[i].dark_e_s;
        if (isfinite(out->darks[i].temperature_K) && d->v > 3.0 * d->sigma && d->sigma > 0.0) {
            x[2 * line.n] = 1.0;
            x[2 * line.n + 1] = out->darks[i].temperature_K - out->darks[0].temperature_K;
            y[line.n] = log(d->v);
            w[line.n++] = 1.0 / (pow(d->sigma / d->v, 2.0) + 0.01 * 0.01);
        }
    }
    if (line.n < 3 || !sensor_line_fit(&line) || !(line.b[1] > 0.0)) {
        sensor_value_why(&out->doubling_K, "needs darks at three temperatures or more, with a dark "
                                           "current that stands out at each");
        return;
    }
    const double doubling = log(2.0) / line.b[1];
    const double excess = fmax(1.0, line.chi2 / (double)(line.n - 2));
    sensor_value_set(&out->doubling_K, doubling,
                     doubling * sqrt(line.covariance[1][1] * excess) / line.b[1]);
}

void sensor_find_dark(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    for (size_t i = 0; i < out->n_darks; i++) {
        count_dark(work, &out->darks[i]);
    }
    const double sigma_adu = level_sigma(work);
    for (size_t i = 0; i < out->n_darks; i++) {
        struct nw_sensor_dark *const dark = &out->darks[i];
        if (isfinite(out->gain_e_per_adu.v)) {
            by_levels(work, sigma_adu, dark);
            by_noise(work, dark);
            believe(dark);
            if (dark->is_clamped) {
                sensor_note(out,
                            "at %.1f degC the level does not grow with exposure as the noise "
                            "does: the camera takes the dark off itself; the dark current is "
                            "from the noise",
                            dark->temperature_K - NW_ZERO_CELSIUS_K);
            }
        } else {
            sensor_value_why(&dark->slope_e_s, "needs the gain");
            sensor_value_why(&dark->variance_e_s, "needs the gain");
            sensor_value_why(&dark->dark_e_s, "needs the gain");
        }
    }
    find_doubling(out);
    if (isfinite(out->hot_above_e_s)) {
        out->hot_above_e_s *= out->gain_e_per_adu.v; /* was adu/s */
    }
}

void sensor_find_hot(struct sensor_work *work, const struct sensor_pair *pair,
                     const struct nw_frame *a, const struct nw_frame *b) {
    struct nw_sensor *const out = work->out;
    const struct nw_image_view va = nw_frame_plane(a, 0);
    const struct nw_image_view vb = nw_frame_plane(b, 0);
    float *const work_row = nw_calloc(2 * a->width_px, sizeof *work_row);
    double var = NAN;
    double sigma = NAN;
    pair_noise(pair, &var, &sigma);
    const double threshold = HOT_SIGMAS * sqrt(var);
    const double mean_a = sensor_site_mean(pair->mean[0], out->n_sites);
    const double mean_b = sensor_site_mean(pair->mean[1], out->n_sites);
    const double t_s = work->frames[pair->a].facts.exposure_s;
    size_t n = 0;
    for (size_t y = 0; work_row && y < a->height_px; y++) {
        const float *const ra = nw_image_span(&va, 0, a->width_px, y, work_row);
        const float *const rb = nw_image_span(&vb, 0, a->width_px, y, work_row + a->width_px);
        for (size_t x = 0; x < a->width_px; x++) {
            n += (double)ra[x] - mean_a > threshold && (double)rb[x] - mean_b > threshold;
        }
    }
    if (work_row && isfinite(threshold) && t_s > 0.0) {
        sensor_value_set(&out->hot_pixels, (double)n, sqrt((double)n));
        out->hot_above_e_s = threshold / t_s;
    }
    free(work_row);
}
