/* sensor_transfer.c - offset, gain, read noise, linearity and full scale from measured pairs.
 * Idea: the noise of light grows with the light: var(F1 - r F2) - (1 + r^2) var0 = K (1 + r) m
 * (Janesick 2007, ch. 5, with a scaled second frame; EMVA 1288 R3.1 eq. 19). A response that bends,
 * and charge that neighbours share, make the quotient slope with m: it is followed down to m = 0.
 * Linearity from the exposures when drift of the lamp can be told from it, else from that slope. */
#include "light/sensor_internal.h"

#include <math.h>

#define FIT_SHARE 0.7             /* of full scale: EMVA 1288 R3.1 sec. 6.6 */
#define ROUNDING_VAR (1.0 / 12.0) /* adu^2; REFERENCES PHO-23 */

void nw_sensor_two_pairs(const double flat_adu[static 2], const double bias_adu[static 2],
                         double flat_difference_var, double bias_difference_var,
                         double *ret_gain_e_per_adu, double *ret_read_noise_e) {
    const double light = flat_adu[0] + flat_adu[1] - bias_adu[0] - bias_adu[1];
    *ret_gain_e_per_adu = light / (flat_difference_var - bias_difference_var);
    *ret_read_noise_e = *ret_gain_e_per_adu * sqrt(0.5 * bias_difference_var);
}

/* Mean and its error of one number of each tile of a site. */
static void tile_mean(const struct sensor_pair *pair, size_t site, bool is_rows, double *ret_mean,
                      double *ret_sigma) {
    double sum = 0.0;
    double sum2 = 0.0;
    double n = 0.0;
    for (size_t t = 0; t < pair->n_tiles; t++) {
        const struct sensor_tile *const tile = &pair->tiles[t * pair->n_sites + site];
        const double v = is_rows ? tile->var_rows : tile->var_total;
        if (isfinite(v)) {
            sum += v;
            sum2 += v * v;
            n += 1.0;
        }
    }
    *ret_mean = n > 0.0 ? sum / n : NAN;
    *ret_sigma = n > 1.0 ? sqrt(fmax(0.0, sum2 - sum * sum / n) / (n - 1.0) / n) : NAN;
}

static size_t gather_levels(const struct sensor_work *work, enum nw_frame_use use, size_t site,
                            double *levels, size_t max) {
    size_t n = 0;
    for (size_t i = 0; i < work->n && n < max; i++) {
        if (work->is_taken[i] && work->frames[i].use == use && isfinite(work->level_adu[i][site])) {
            levels[n++] = work->level_adu[i][site];
        }
    }
    return n;
}

enum { MAX_LEVELS = 512 };

static void find_offset(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    double levels[MAX_LEVELS];
    double mean[NW_SENSOR_SITES] = {0};
    double drift2 = 0.0;
    size_t n = 0;
    for (size_t s = 0; s < out->n_sites; s++) {
        n = gather_levels(work, NW_USE_BIAS, s, levels, MAX_LEVELS);
        if (n == 0) { /* the shortest darks do as well for the offset of a flat */
            n = gather_levels(work, NW_USE_DARK, s, levels, MAX_LEVELS);
        }
        mean[s] = n ? nw_stat_mean(levels, n) : NAN;
        const double sd = n > 1 ? nw_stat_sd(levels, n, mean[s]) : NAN;
        drift2 += sd * sd / (double)out->n_sites;
        work->offset_adu[s] = mean[s];
    }
    sensor_value_set(&out->offset_adu, sensor_site_mean(mean, out->n_sites),
                     n > 1 ? sqrt(drift2 / (double)n) : NAN);
    if (out->n_bias == 0) {
        sensor_value_why(&out->offset_adu, "no bias frame among the files");
    }
    if (n > 2 && out->n_bias > 2) {
        sensor_value_set(&out->offset_drift_e, sqrt(drift2),
                         sqrt(drift2) / sqrt(2.0 * (double)(n - 1)));
    } else {
        sensor_value_why(&out->offset_drift_e, "needs three biases or more");
    }
}

/* Noise without light, of biases, else of the shortest darks. */
void sensor_find_bias(struct sensor_work *work) {
    const size_t n_sites = work->out->n_sites;
    find_offset(work);
    const enum nw_frame_use use = work->out->n_bias > 1 ? NW_USE_BIAS : NW_USE_DARK;
    double shortest_s = INFINITY;
    for (size_t i = 0; i < work->n_pairs; i++) {
        const struct nw_sensor_frame *const f = &work->frames[work->pairs[i].a];
        if (f->use == use && work->pairs[i].a != work->pairs[i].b) {
            shortest_s = fmin(shortest_s, isfinite(f->facts.exposure_s) ? f->facts.exposure_s : 0);
        }
    }
    for (size_t s = 0; s < n_sites; s++) {
        double rows = 0.0;
        double total = 0.0;
        double sigma2 = 0.0;
        double n = 0.0;
        for (size_t i = 0; i < work->n_pairs; i++) {
            const struct sensor_pair *const p = &work->pairs[i];
            const struct nw_sensor_frame *const f = &work->frames[p->a];
            const double t_s = isfinite(f->facts.exposure_s) ? f->facts.exposure_s : 0.0;
            if (f->use != use || p->a == p->b || (use == NW_USE_DARK && t_s > shortest_s)) {
                continue;
            }
            double mean = NAN;
            double sigma = NAN;
            tile_mean(p, s, true, &mean, &sigma);
            rows += mean;
            tile_mean(p, s, false, &mean, &sigma);
            total += mean;
            sigma2 += sigma * sigma;
            n += 1.0;
        }
        work->rows_var[s] = n > 0.0 ? 0.5 * rows / n : NAN;
        work->total_var[s] = n > 0.0 ? 0.5 * total / n : NAN;
        work->total_var_sigma[s] = n > 0.0 ? 0.5 * sqrt(sigma2) / n : NAN;
    }
}

/* Slope of noise against light of one pair at one site: K = adu per electron, and its error. */
bool sensor_pair_slope(const struct sensor_work *work, const struct sensor_pair *p, size_t s,
                       double *ret_K, double *ret_sigma) {
    const double r = p->ratio[s];
    const double dark = isfinite(work->rows_var[s]) ? work->rows_var[s] : NAN;
    double noise = 0.0;
    double light = 0.0;
    for (size_t t = 0; t < p->n_tiles; t++) {
        const struct sensor_tile *const tile = &p->tiles[t * p->n_sites + s];
        if (isfinite(tile->var_rows)) {
            noise += tile->var_rows - (1.0 + r * r) * dark;
            light += (tile->mean[0] - work->offset_adu[s]) * (1.0 + r);
        }
    }
    const double K = noise / light;
    double miss2 = 0.0;
    size_t n = 0;
    for (size_t t = 0; t < p->n_tiles; t++) {
        const struct sensor_tile *const tile = &p->tiles[t * p->n_sites + s];
        if (isfinite(tile->var_rows)) {
            const double miss = tile->var_rows - (1.0 + r * r) * dark -
                                K * (tile->mean[0] - work->offset_adu[s]) * (1.0 + r);
            miss2 += miss * miss;
            n++;
        }
    }
    *ret_K = K;
    *ret_sigma = n > 1 ? sqrt(miss2 * (double)n / (double)(n - 1)) / light : NAN;
    return isfinite(K) && K > 0.0 && light > 0.0;
}

/* The points of the curve, all sites one after the other. */
struct points {
    double m[NW_SENSOR_LEVELS * NW_SENSOR_SITES], K[NW_SENSOR_LEVELS * NW_SENSOR_SITES];
    double sigma[NW_SENSOR_LEVELS * NW_SENSOR_SITES];
    size_t site[NW_SENSOR_LEVELS * NW_SENSOR_SITES], level[NW_SENSOR_LEVELS * NW_SENSOR_SITES];
    size_t n;
};

static void gather_points(struct sensor_work *work, struct points *points) {
    struct nw_sensor *const out = work->out;
    for (size_t i = 0; i < work->n_pairs && out->n_levels < NW_SENSOR_LEVELS; i++) {
        const struct sensor_pair *const p = &work->pairs[i];
        if (work->frames[p->a].use != NW_USE_FLAT || p->a == p->b) {
            continue;
        }
        struct nw_sensor_level *const level = &out->levels[out->n_levels];
        *level = (struct nw_sensor_level){.exposure_s = work->frames[p->a].facts.exposure_s,
                                          .gain_e_per_adu = NAN,
                                          .gain_sigma_e_per_adu = NAN,
                                          .lamp_change = 1.0 / p->ratio[0] - 1.0};
        const bool is_whole = !work->is_clipped[p->a] && !work->is_clipped[p->b];
        double sum = 0.0;
        double sum_w = 0.0;
        for (size_t s = 0; s < out->n_sites; s++) {
            const double m = p->mean[0][s] - work->offset_adu[s];
            double K = NAN;
            double sigma = NAN;
            level->mean_adu = fmax(level->mean_adu, m);
            if (!sensor_pair_slope(work, p, s, &K, &sigma) || !(sigma > 0.0)) {
                continue;
            }
            const double w = pow(K / sigma, 2.0);
            sum += w / K;
            sum_w += w;
            if (is_whole) {
                const size_t k = points->n++;
                points->m[k] = m;
                points->K[k] = K;
                points->sigma[k] = sigma;
                points->site[k] = s;
                points->level[k] = out->n_levels;
            }
        }
        level->gain_e_per_adu = sum / sum_w;
        level->gain_sigma_e_per_adu = sum / sum_w / sqrt(sum_w);
        level->is_used = is_whole;
        out->largest_scaling_percent =
            fmax(out->largest_scaling_percent, 100.0 * fabs(level->lamp_change));
        out->n_levels++;
    }
}

/* Points above the range of the fit, and where the noise collapses because wells are full, go. */
static void choose_points(struct sensor_work *work, struct points *points) {
    struct nw_sensor *const out = work->out;
    double top = 0.0;
    double K_low = NAN;
    double m_low = INFINITY;
    for (size_t k = 0; k < points->n; k++) {
        if (points->m[k] < m_low) {
            m_low = points->m[k];
            K_low = points->K[k];
        }
    }
    for (size_t i = 0; i < work->n; i++) {
        for (size_t s = 0; s < out->n_sites && work->is_taken[i]; s++) {
            if (work->frames[i].use == NW_USE_FLAT && isfinite(work->level_adu[i][s])) {
                top = fmax(top, work->level_adu[i][s] - work->offset_adu[s]);
            }
        }
    }
    const bool is_saturated = isfinite(out->full_scale_adu.v);
    const double limit = is_saturated ? FIT_SHARE * out->full_scale_adu.v : top * 1.0001;
    size_t n = 0;
    for (size_t k = 0; k < points->n; k++) {
        const bool is_in = points->m[k] <= limit && points->K[k] > 0.6 * K_low;
        if (!is_in) {
            out->levels[points->level[k]].is_used = false;
            continue;
        }
        points->m[n] = points->m[k];
        points->K[n] = points->K[k];
        points->sigma[n] = points->sigma[k];
        points->site[n] = points->site[k];
        points->level[n] = points->level[k];
        n++;
    }
    points->n = n;
}

/* K of each site, and the common slope with the level (returned; NaN: not fitted). */
static bool fit_points(const struct points *points, size_t site, bool has_slope,
                       struct sensor_line *line) {
    double x[2 * NW_SENSOR_LEVELS];
    double y[NW_SENSOR_LEVELS];
    double w[NW_SENSOR_LEVELS];
    *line = (struct sensor_line){.k = has_slope ? 2 : 1, .x = x, .y = y, .w = w};
    for (size_t k = 0; k < points->n; k++) {
        if (points->site[k] == site && line->n < NW_SENSOR_LEVELS) {
            x[line->n * line->k] = 1.0;
            if (has_slope) {
                x[line->n * line->k + 1] = points->m[k];
            }
            y[line->n] = points->K[k];
            w[line->n++] = 1.0 / (points->sigma[k] * points->sigma[k]);
        }
    }
    const bool is_done = line->n >= line->k && sensor_line_fit(line);
    line->x = line->y = line->w = NULL;
    return is_done;
}

static bool is_wide(const struct points *points) {
    double low = INFINITY;
    double high = 0.0;
    size_t n = 0;
    for (size_t k = 0; k < points->n; k++) {
        if (points->site[k] == points->site[0]) {
            low = fmin(low, points->m[k]);
            high = fmax(high, points->m[k]);
            n++;
        }
    }
    return n >= 3 && high > 2.0 * low;
}

static void set_read_noise(struct sensor_work *work, const double *gain, size_t s,
                           struct nw_sensor_value *ret) {
    const double var = work->total_var[s] - ROUNDING_VAR;
    if (work->total_var[s] > 0.24) { /* below, rounding is no longer noise: EMVA R3.1 eq. 43 */
        const double noise = gain[0] * sqrt(var);
        sensor_value_set(
            ret, noise,
            hypot(noise * gain[1] / gain[0], 0.5 * gain[0] * work->total_var_sigma[s] / sqrt(var)));
    } else {
        sensor_value_why(ret, isfinite(work->total_var[s])
                                  ? "below the converter's step: less than 0.4 adu"
                                  : "needs two biases, or two darks of one exposure");
    }
}

static void finish_planes(struct sensor_work *work, double gains[][2]) {
    struct nw_sensor *const out = work->out;
    const char *const letters = out->n_sites > 1 ? "RGB" : "M";
    double sum[4] = {0};
    for (size_t k = 0; letters[k]; k++) {
        struct nw_sensor_plane *const plane = &out->planes[out->n_planes++];
        double g = 0.0;
        double g2 = 0.0;
        double noise = 0.0;
        double noise2 = 0.0;
        double offset = 0.0;
        double n = 0.0;
        for (size_t s = 0; s < out->n_sites; s++) {
            if (out->n_sites > 1 && out->pattern[s] != letters[k]) {
                continue;
            }
            struct nw_sensor_value read = {.v = NAN};
            set_read_noise(work, gains[s], s, &read);
            plane->read_noise_e = read;
            g += gains[s][0];
            g2 += gains[s][1] * gains[s][1];
            noise += read.v;
            noise2 += read.sigma * read.sigma;
            offset += work->offset_adu[s];
            n += 1.0;
        }
        plane->name = letters[k];
        sensor_value_set(&plane->offset_adu, offset / n, out->offset_adu.sigma);
        sensor_value_set(&plane->gain_e_per_adu, g / n, sqrt(g2) / n);
        if (isfinite(noise)) {
            sensor_value_set(&plane->read_noise_e, noise / n, sqrt(noise2) / n);
        }
        sum[0] += g;
        sum[1] += g2;
        sum[2] += noise;
        sum[3] += noise2;
    }
    const double n = (double)out->n_sites;
    sensor_value_set(&out->gain_e_per_adu, sum[0] / n, sqrt(sum[1]) / n);
    out->read_noise_e = out->planes[0].read_noise_e;
    if (isfinite(sum[2])) {
        sensor_value_set(&out->read_noise_e, sum[2] / n, sqrt(sum[3]) / n);
    }
}

static void no_gain(struct nw_sensor *out) {
    const char *const why = out->n_flat < 2 ? "needs two flats of one exposure"
                            : !isfinite(out->offset_adu.v) && out->n_dark == 0
                                ? "needs two biases, or two darks of one exposure"
                                : "no pair of flats of one filter and exposure below saturation "
                                  "beside a pair without light";
    sensor_value_why(&out->gain_e_per_adu, why);
    sensor_value_why(&out->read_noise_e, "needs the gain");
}

void sensor_find_gain(struct sensor_work *work) {
    struct nw_sensor *const out = work->out;
    struct points points = {.n = 0};
    double gains[NW_SENSOR_SITES][2] = {{0.0}};
    gather_points(work, &points);
    choose_points(work, &points);
    const bool has_slope = points.n > 0 && is_wide(&points);
    double bend = 0.0;
    double bend_w = 0.0;
    for (size_t s = 0; s < out->n_sites; s++) {
        struct sensor_line line = {.n = 0};
        if (!fit_points(&points, s, has_slope, &line)) {
            no_gain(out);
            return;
        }
        const double excess =
            line.n > line.k ? fmax(1.0, line.chi2 / (double)(line.n - line.k)) : 1.0;
        gains[s][0] = 1.0 / line.b[0];
        gains[s][1] = sqrt(line.covariance[0][0] * excess) / (line.b[0] * line.b[0]);
        if (has_slope) { /* (dy/dS)^2 S / y = K (1 + 3 bend y) for y = K S exp(bend y) */
            const double w = line.b[0] * line.b[0] / (line.covariance[1][1] * excess);
            bend += w * line.b[1] / line.b[0] / 3.0;
            bend_w += w;
        }
    }
    out->bend_per_adu = bend_w > 0.0 ? bend / bend_w : NAN;
    out->nonlinearity_from = bend_w > 0.0 ? "noise" : NULL;
    out->bend_sigma_per_adu = bend_w > 0.0 ? 1.0 / (3.0 * sqrt(bend_w)) : NAN;
    finish_planes(work, gains);
}
