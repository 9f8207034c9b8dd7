/* aspects.c - what the frames of a group tell beyond their stars, through the night: halo, faintest
 * star, slope of the sky, noise against sky, streaks, and why stars are long.
 * Idea: each number of a frame has an error of its own; through the night a straight line, outliers
 * clipped, says whether it grows. Variance against level of the sky is a line whose slope is one
 * over the gain (photon transfer: Janesick 2007, ch. 4), free of offset and read noise. */
#include <math.h>

#include "look/look_internal.h"

static void fill_trend(struct look_series *series, struct nw_look_trend *trend) {
    *trend = (struct nw_look_trend){
        .n = series->n, .first = NAN, .last = NAN, .lowest = NAN, .highest = NAN};
    trend->per_hour = (struct nw_look_line){.slope = NAN, .slope_sigma = NAN};
    if (series->n == 0) {
        return;
    }
    const size_t k = series->n < 3 ? series->n : 3;
    double work[3];
    memcpy(work, series->y, k * sizeof *work);
    trend->first = nw_stat_median(work, k);
    memcpy(work, series->y + (series->n - k), k * sizeof *work);
    trend->last = nw_stat_median(work, k);
    for (size_t i = 0; i < series->n; i++) {
        trend->lowest = fmin(trend->lowest, series->y[i]); /* fmin drops NaN */
        trend->highest = fmax(trend->highest, series->y[i]);
    }
    trend->per_hour = look_line(series);
}

enum kind { HALO, LIMIT, SLOPE };

static double value_of(const struct nw_measure *m, enum kind kind) {
    return kind == HALO    ? m->aspects.halo.ratio
           : kind == LIMIT ? m->aspects.limit.magnitude
                           : m->aspects.gradient.adu;
}

static void trend_of(const struct nw_look *look, const struct nw_look_group *group, enum kind kind,
                     struct look_series *series, struct nw_look_trend *trend) {
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        look_series_add(series, group->frames[i], look_hours(look, frame),
                        frame->measure ? value_of(frame->measure, kind) : (double)NAN);
    }
    fill_trend(series, trend);
}

/* One over the slope of variance against level; NaN when the sky hardly changed. */
static void gain_from_sky(const struct nw_look *look, const struct nw_look_group *group,
                          struct look_series *series, struct nw_look_aspects *a) {
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_measure *const m = look->frames[group->frames[i]].measure;
        const double noise = m ? m->aspects.noise.pixel_adu : NAN;
        look_series_add(series, group->frames[i], m ? m->background_adu : NAN, noise * noise);
    }
    const struct nw_look_line line = look_line(series);
    a->gain_e_per_adu = a->gain_sigma = NAN;
    if (series->n >= LOOK_SLOPE_FRAMES && line.slope > 5.0 * line.slope_sigma) {
        a->gain_e_per_adu = 1.0 / line.slope;
        a->gain_sigma = line.slope_sigma / (line.slope * line.slope);
    }
}

/* Means over the frames: zones, and dispersion as a vector where the vertical is known. */
static void explain(const struct nw_look *look, const struct nw_look_group *group,
                    struct nw_look_aspects *a) {
    struct nw_elongation_facts f = {.e1 = group->shape.e1,
                                    .e2 = group->shape.e2,
                                    .e_sigma = group->shape.e_sigma,
                                    .fwhm_px = group->width.median_px,
                                    .moffat_beta = NAN,
                                    .dispersion_px2 = NAN,
                                    .up_rad = NAN,
                                    .east_rad = NAN,
                                    .scatter = group->shape.scatter};
    double sum[4] = {0.0}; /* variance; the same along and across 2 up; frames with it */
    double n_zone[NW_ZONES_X * NW_ZONES_Y] = {0.0};
    double n = 0.0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = &look->frames[group->frames[i]];
        if (!frame->measure || !frame->header) {
            continue;
        }
        struct nw_elongation_facts one;
        nw_elongation_facts_of_frame(frame->header, frame->measure, &one);
        n += 1.0;
        f.e_sigma = isfinite(f.e_sigma) ? f.e_sigma : one.e_sigma;
        f.east_rad = one.east_rad; /* after a flip the axis is the same */
        if (isfinite(one.dispersion_px2)) {
            sum[0] += one.dispersion_px2;
            sum[1] += one.dispersion_px2 * cos(2.0 * one.up_rad);
            sum[2] += one.dispersion_px2 * sin(2.0 * one.up_rad);
            sum[3] += 1.0;
        }
        for (int k = 0; k < NW_ZONES_X * NW_ZONES_Y; k++) {
            const struct nw_zone *const z = &one.zones[k];
            f.zones[k].u = z->u;
            f.zones[k].v = z->v;
            if (isfinite(z->e1) && isfinite(z->e_sigma)) {
                f.zones[k].e1 += z->e1;
                f.zones[k].e2 += z->e2;
                f.zones[k].e_sigma += z->e_sigma * z->e_sigma;
                n_zone[k] += 1.0;
            }
        }
    }
    for (int k = 0; k < NW_ZONES_X * NW_ZONES_Y; k++) {
        f.zones[k].e1 /= n_zone[k]; /* 0 / 0: NaN, not measured */
        f.zones[k].e2 /= n_zone[k];
        f.zones[k].e_sigma = sqrt(f.zones[k].e_sigma) / n_zone[k];
    }
    if (n > 0.0 && sum[3] == n) {
        const double length = hypot(sum[1], sum[2]);
        f.dispersion_px2 = (isfinite(length) ? length : sum[0]) / n;
        f.up_rad = 0.5 * atan2(sum[2], sum[1]);
    }
    a->has_causes = nw_elongation_explain(&f, &a->causes);
}

void look_aspects(const struct nw_look *look, struct nw_look_group *group,
                  struct look_series *series) {
    struct nw_look_aspects *const a = &group->aspects;
    *a = (struct nw_look_aspects){.n_streaks = 0};
    trend_of(look, group, HALO, series, &a->halo);
    trend_of(look, group, LIMIT, series, &a->limit_mag);
    trend_of(look, group, SLOPE, series, &a->slope_adu);
    gain_from_sky(look, group, series, a);
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_measure *const m = look->frames[group->frames[i]].measure;
        a->n_streaks += m ? m->aspects.n_streaks : 0;
        a->n_frames_with_streaks += m && m->aspects.n_streaks > 0;
    }
    explain(look, group, a);
}
