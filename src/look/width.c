/* width.c - star width and shape through the night.
 * Idea: seeing grows with airmass as X^0.6 (Fried 1966; REFERENCES IMG-15), which is nobody's
 * fault; what is left after dividing by it is compared with the best part of the night. Sharpness
 * is paid in exposure time through the equivalent-noise area (King 1983, PASP 95, 163), which for a
 * given profile goes with the square of the width.
 * Only the air follows X^0.6; the optics' share of the width does not, so that the division takes
 * a little too much. */
#include <math.h>

#include "look/look_internal.h"

static const double AIR_EXPONENT = 0.6;
static const double BEST_PART = 0.1; /* quantile that stands for the best part of the night */
static const double DIRECTION_RAD = 22.5 * NW_PI / 180.0;

static const struct nw_look_frame *frame_of(const struct nw_look *look,
                                            const struct nw_look_group *group, size_t i) {
    return &look->frames[group->frames[i]];
}

static double width_of(const struct nw_look_frame *frame) {
    return frame->measure ? frame->measure->fwhm_px : NAN;
}

/* X^0.6, or 1 when the airmass of this frame is not known. */
static double air_factor(const struct nw_look_frame *frame) {
    return isfinite(frame->airmass) ? pow(frame->airmass, AIR_EXPONENT) : 1.0;
}

/* Effective width squared: the noise area when it was measured, else what the width says. */
static double area_of(const struct nw_look_frame *frame) {
    const struct nw_measure *const measure = frame->measure;
    if (!measure) {
        return NAN;
    }
    return isfinite(measure->neq_area_px2) ? measure->neq_area_px2
                                           : measure->fwhm_px * measure->fwhm_px;
}

/* Best, median, worst, and the span of airmass. */
static void fill_extremes(const struct nw_look *look, struct nw_look_group *group,
                          struct look_series *series) {
    struct nw_look_width *const width = &group->width;
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = frame_of(look, group, i);
        const double fwhm_px = width_of(frame);
        look_series_add(series, group->frames[i], 0.0, fwhm_px);
        if (!isfinite(fwhm_px)) {
            continue;
        }
        if (!(fwhm_px >= width->best_px)) {
            width->best_px = fwhm_px;
            width->best_frame = group->frames[i];
        }
        if (!(fwhm_px <= width->worst_px)) {
            width->worst_px = fwhm_px;
            width->worst_frame = group->frames[i];
        }
        width->airmass_low = fmin(width->airmass_low, frame->airmass); /* fmin drops NaN */
        width->airmass_high = fmax(width->airmass_high, frame->airmass);
    }
    width->n = series->n;
    width->median_px = look_median(series);
}

static bool has_airmass_span(const struct nw_look_width *width) {
    return width->n >= LOOK_SLOPE_FRAMES &&
           width->airmass_high - width->airmass_low >= LOOK_AIRMASS_SPAN;
}

/* Share of time lost against the best part, with and without the part that airmass explains:
 * 1 - mean(A_best / A), A at most A_best counted as A_best. */
static void fill_costs(const struct nw_look *look, struct nw_look_group *group,
                       struct look_series *series) {
    struct nw_look_width *const width = &group->width;
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = frame_of(look, group, i);
        const double air = air_factor(frame);
        if (isfinite(width_of(frame))) {
            look_series_add(series, i, air * air, area_of(frame) / (air * air));
        }
    }
    if (series->n < 3) {
        return;
    }
    const double best = look_quantile(series, BEST_PART);
    double air_best = INFINITY;
    for (size_t k = 0; k < series->n; k++) {
        air_best = fmin(air_best, series->x[k]);
    }
    double sum_rest = 0.0;
    double sum_air = 0.0;
    for (size_t k = 0; k < series->n; k++) {
        sum_rest += fmin(1.0, best / series->y[k]);
        sum_air += air_best / series->x[k];
    }
    width->cost_rest = 1.0 - sum_rest / (double)series->n;
    if (isfinite(width->airmass_low)) {
        width->cost_airmass = 1.0 - sum_air / (double)series->n;
    }
}

void look_width(const struct nw_look *look, struct nw_look_group *group,
                struct look_series *series) {
    struct nw_look_width *const width = &group->width;
    *width = (struct nw_look_width){.best_px = NAN,
                                    .worst_px = NAN,
                                    .airmass_low = NAN,
                                    .airmass_high = NAN,
                                    .exponent = NAN,
                                    .exponent_sigma = NAN,
                                    .zenith_px = NAN,
                                    .zenith_scatter = NAN,
                                    .cost_airmass = NAN,
                                    .cost_rest = NAN};
    fill_extremes(look, group, series);
    if (has_airmass_span(width)) {
        series->n = 0;
        for (size_t i = 0; i < group->n_frames; i++) {
            const struct nw_look_frame *const frame = frame_of(look, group, i);
            look_series_add(series, group->frames[i], log(frame->airmass), log(width_of(frame)));
        }
        const struct nw_look_line line = look_line(series);
        width->exponent = line.slope;
        width->exponent_sigma = line.slope_sigma;
    }
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = frame_of(look, group, i);
        look_series_add(series, group->frames[i], 0.0, width_of(frame) / air_factor(frame));
    }
    const double median = look_median(series);
    width->zenith_px = isfinite(width->airmass_low) ? median : NAN;
    width->zenith_scatter = look_mad_sigma(series) / median;
    width->step = look_step(series);
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_look_frame *const frame = frame_of(look, group, i);
        look_series_add(series, group->frames[i], look_hours(look, frame),
                        log(width_of(frame) / air_factor(frame)));
    }
    width->per_hour = look_line(series);
    fill_costs(look, group, series);
}

/* Mean of (e1, e2) over the frames; the scatter is what a frame is off the mean. */
static void fill_mean_shape(const struct nw_look *look, const struct nw_look_group *group,
                            struct nw_look_shape *shape) {
    double sum1 = 0.0;
    double sum2 = 0.0;
    double sum_square = 0.0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_measure *const m = frame_of(look, group, i)->measure;
        if (m && isfinite(m->e1) && isfinite(m->e2)) {
            sum1 += m->e1;
            sum2 += m->e2;
            sum_square += m->e1 * m->e1 + m->e2 * m->e2;
            shape->n++;
        }
    }
    if (shape->n == 0) {
        return;
    }
    const double n = (double)shape->n;
    shape->e1 = sum1 / n;
    shape->e2 = sum2 / n;
    const double e = fmin(hypot(shape->e1, shape->e2), 0.999);
    shape->elongation = sqrt((1.0 + e) / (1.0 - e));
    shape->angle_rad = 0.5 * atan2(shape->e2, shape->e1);
    shape->cost = 1.0 - 1.0 / shape->elongation;
    if (shape->n > 1) {
        const double rest = sum_square - n * (shape->e1 * shape->e1 + shape->e2 * shape->e2);
        shape->scatter = sqrt(fmax(rest, 0.0) / (2.0 * (n - 1.0)));
        shape->e_sigma = shape->scatter / sqrt(n);
    }
}

void look_shape(const struct nw_look *look, struct nw_look_group *group,
                struct look_series *series) {
    struct nw_look_shape *const shape = &group->shape;
    *shape = (struct nw_look_shape){.e1 = NAN,
                                    .e2 = NAN,
                                    .e_sigma = NAN,
                                    .scatter = NAN,
                                    .elongation = NAN,
                                    .angle_rad = NAN,
                                    .median_elongation = NAN,
                                    .share_in_direction = NAN,
                                    .cost = NAN};
    fill_mean_shape(look, group, shape);
    series->n = 0;
    size_t n_near = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_measure *const m = frame_of(look, group, i)->measure;
        if (m && isfinite(m->e1) && isfinite(m->e2)) {
            look_series_add(series, group->frames[i], 0.0, m->elongation);
            /* axes, not arrows: the difference is taken modulo 180 deg */
            const double turn = remainder(m->elongation_angle_rad - shape->angle_rad, NW_PI);
            n_near += fabs(turn) <= DIRECTION_RAD ? 1 : 0;
        }
    }
    shape->median_elongation = look_median(series);
    if (shape->n > 0) {
        shape->share_in_direction = (double)n_near / (double)shape->n;
    }
}
