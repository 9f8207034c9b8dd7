/* light.c - light lost between frames, and the brightness of the sky.
 * Idea: a line of magnitude against airmass takes out what clear air does; what a frame is still
 * below the best is cloud, haze or dew. For sky-limited frames time goes with the square of the
 * transmission and with one over the variance of the sky (CCD equation; Howell 2006). */
#include <math.h>

#include "look/look_internal.h"

static const double LOST_BELOW = 0.85;
static const double SLOPE_MAX_MAG = 0.6; /* per airmass: more is not clear air */
static const double BEST_PART = 0.9;

/* Magnitudes lost, against airmass. */
static double slope_of(const struct nw_look *look, const struct nw_look_group *group,
                       struct look_series *series) {
    const struct nw_look_width *const width = &group->width;
    if (!(width->airmass_high - width->airmass_low >= LOOK_AIRMASS_SPAN)) {
        return NAN;
    }
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        look_series_add(series, group->frames[i], frame->airmass,
                        -2.5 * log10(frame->transmission.value));
    }
    return series->n >= LOOK_SLOPE_FRAMES ? look_line(series).slope : NAN;
}

static void fill_extremes(const struct nw_look *look, struct nw_look_group *group,
                          struct look_series *series) {
    struct nw_look_light *const light = &group->light;
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        const double value = frame->transmission.value;
        if (!frame->measure) {
            continue;
        }
        if (!isfinite(value)) {
            light->n_unmatched++;
            continue;
        }
        look_series_add(series, group->frames[i], 0.0, value);
        light->best = fmax(light->best, value);
        if (!(value >= light->worst)) {
            light->worst = value;
            light->worst_frame = group->frames[i];
        }
    }
    light->n = series->n;
    light->median = look_median(series);
}

enum nw_status look_light(const struct nw_look *look, struct nw_look_group *group,
                          struct look_series *series, struct nw_err *err) {
    struct nw_look_light *const light = &group->light;
    *light = (struct nw_look_light){
        .best = NAN, .median = NAN, .worst = NAN, .slope_mag = NAN, .cost = NAN};
    fill_extremes(look, group, series);
    light->slope_mag = slope_of(look, group, series);
    if (light->n < 3) {
        return NW_OK;
    }
    const double slope =
        isfinite(light->slope_mag) ? fmin(fmax(light->slope_mag, 0.0), SLOPE_MAX_MAG) : 0.0;
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        const double above =
            isfinite(frame->airmass) ? frame->airmass - group->width.airmass_low : 0.0;
        look_series_add(series, group->frames[i], 0.0,
                        frame->transmission.value * pow(10.0, 0.4 * slope * above));
    }
    const double best = look_quantile(series, BEST_PART);
    light->lost = nw_calloc(series->n, sizeof *light->lost);
    if (!light->lost) {
        return nw_err_set(err, NW_NOMEM, "list of %zu frames", series->n);
    }
    double sum = 0.0;
    for (size_t k = 0; k < series->n; k++) {
        const double share = fmin(1.0, series->y[k] / best);
        sum += share * share;
        if (share < LOST_BELOW) {
            light->lost[light->n_lost++] = series->frame[k];
        }
    }
    light->cost = 1.0 - sum / (double)series->n;
    return NW_OK;
}

static double median_of_three(const double *values, size_t n) {
    double few[3];
    const size_t n_few = n < 3 ? n : 3;
    memcpy(few, values, n_few * sizeof *few);
    return n_few ? nw_stat_median(few, n_few) : NAN;
}

/* 1 - mean(darkest variance / variance): signal noise of a sky pixel, read noise included. */
static double sky_cost(const struct nw_look *look, const struct nw_look_group *group,
                       struct look_series *series) {
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_measure *const m = look->frames[group->frames[i]].measure;
        if (m && m->noise_adu > 0.0) {
            look_series_add(series, group->frames[i], 0.0, m->noise_adu * m->noise_adu);
        }
    }
    if (series->n < 3) {
        return NAN;
    }
    const double darkest = look_quantile(series, 1.0 - BEST_PART);
    double sum = 0.0;
    for (size_t k = 0; k < series->n; k++) {
        sum += fmin(1.0, darkest / series->y[k]);
    }
    return 1.0 - sum / (double)series->n;
}

void look_sky(const struct nw_look *look, struct nw_look_group *group, struct look_series *series) {
    struct nw_look_sky *const sky = &group->sky;
    *sky = (struct nw_look_sky){.lowest_adu = NAN, .highest_adu = NAN};
    sky->cost = sky_cost(look, group, series);
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_measure *const m = look->frames[group->frames[i]].measure;
        const double level = m ? m->background_adu : NAN;
        look_series_add(series, group->frames[i], 0.0, level);
        if (isfinite(level) && !(level >= sky->lowest_adu)) {
            sky->lowest_adu = level;
            sky->lowest_frame = group->frames[i];
        }
        if (isfinite(level) && !(level <= sky->highest_adu)) {
            sky->highest_adu = level;
            sky->highest_frame = group->frames[i];
        }
    }
    sky->n = series->n;
    const size_t n_last = sky->n < 3 ? sky->n : 3;
    sky->first_adu = median_of_three(series->y, sky->n);
    sky->last_adu = median_of_three(series->y + (sky->n - n_last), n_last);
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        look_series_add(series, group->frames[i], look_hours(look, frame),
                        frame->measure ? frame->measure->background_adu : NAN);
    }
    sky->per_hour = look_line(series);
}
