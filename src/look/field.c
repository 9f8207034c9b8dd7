/* field.c - the pattern over the field that all frames of a group share.
 * Idea: each zone's width relative to its own frame, median over the frames: seeing and focus of
 * the single frame drop out, what the instrument does everywhere the same stays. */
#include <math.h>

#include "look/look_internal.h"

enum { N_ZONES = NW_ZONES_X * NW_ZONES_Y, FRAMES_MIN = 1 };

static bool is_corner(size_t ix, size_t iy) {
    return (ix == 0 || ix == NW_ZONES_X - 1) && (iy == 0 || iy == NW_ZONES_Y - 1);
}

static bool is_inner(size_t ix, size_t iy) {
    return ix >= 1 && ix + 2 <= NW_ZONES_X && iy >= 1 && iy + 2 <= NW_ZONES_Y;
}

/* -1 left or low, 0 middle, +1 right or high */
static int side_of(size_t i, size_t n) {
    return 2 * i + 1 < n ? -1 : 2 * i + 1 > n ? 1 : 0;
}

/* A mean of zones with its error. */
struct part {
    double sum, sum_variance;
    size_t n;
};

static void part_add(struct part *part, double ratio, double sigma) {
    if (isfinite(ratio)) {
        part->sum += ratio;
        part->sum_variance += isfinite(sigma) ? sigma * sigma : 0.0;
        part->n++;
    }
}

static double part_mean(const struct part *part) {
    return part->n ? part->sum / (double)part->n : NAN;
}

static double part_sigma(const struct part *part) {
    return part->n ? sqrt(part->sum_variance) / (double)part->n : NAN;
}

/* Median over the frames of zone width / frame width; its error from the scatter of the frames, of
 * a single frame from the stars. */
static void fill_zone(const struct nw_look *look, const struct nw_look_group *group, size_t zone,
                      struct nw_look_field *field, struct look_series *series) {
    double star_sigma = NAN;
    series->n = 0;
    for (size_t i = 0; i < group->n_frames; i++) {
        const struct nw_measure *const m = look->frames[group->frames[i]].measure;
        if (m) {
            look_series_add(series, group->frames[i], 0.0, m->zones[zone].fwhm_px / m->fwhm_px);
            star_sigma = m->zones[zone].fwhm_sigma_px / m->fwhm_px;
            field->u[zone] = m->zones[zone].u;
            field->v[zone] = m->zones[zone].v;
        }
    }
    field->ratio[zone] = look_median(series);
    field->sigma[zone] =
        series->n > 2 ? 1.25 * look_mad_sigma(series) / sqrt((double)series->n) : star_sigma;
    field->n = series->n > field->n ? series->n : field->n;
}

static void fill_sums(struct nw_look_field *field) {
    struct part inner = {0};
    struct part corners = {0};
    struct part column[3] = {{0}};
    struct part row[3] = {{0}};
    double best = INFINITY;
    for (size_t zone = 0; zone < N_ZONES; zone++) {
        const size_t ix = zone % NW_ZONES_X;
        const size_t iy = zone / NW_ZONES_X;
        const double ratio = field->ratio[zone];
        const double sigma = field->sigma[zone];
        if (is_corner(ix, iy)) {
            part_add(&corners, ratio, sigma);
        }
        if (is_inner(ix, iy)) {
            part_add(&inner, ratio, sigma);
        }
        part_add(&column[1 + side_of(ix, NW_ZONES_X)], ratio, sigma);
        part_add(&row[1 + side_of(iy, NW_ZONES_Y)], ratio, sigma);
        best = fmin(best, ratio);
    }
    field->centre = part_mean(&inner);
    field->corners = part_mean(&corners);
    field->corner_excess = field->corners / field->centre - 1.0;
    field->corner_sigma = hypot(part_sigma(&corners), part_sigma(&inner)) / field->centre;
    field->right_excess = (part_mean(&column[2]) - part_mean(&column[0])) / field->centre;
    field->top_excess = (part_mean(&row[2]) - part_mean(&row[0])) / field->centre;
    field->side_sigma = hypot(part_sigma(&column[2]), part_sigma(&column[0])) / field->centre;
}

/* Against the sharp part of this field: the lower quarter of the zones. */
static void fill_cost(struct nw_look_field *field) {
    double ratios[N_ZONES];
    size_t n = 0;
    for (size_t zone = 0; zone < N_ZONES; zone++) {
        if (isfinite(field->ratio[zone])) {
            ratios[n++] = field->ratio[zone];
        }
    }
    if (n < 5) {
        return;
    }
    const double best = nw_stat_quantile(ratios, n, 0.25);
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum += fmin(1.0, best * best / (ratios[i] * ratios[i]));
    }
    field->cost = 1.0 - sum / (double)n;
}

void look_field(const struct nw_look *look, struct nw_look_group *group,
                struct look_series *series) {
    struct nw_look_field *const field = &group->field;
    *field = (struct nw_look_field){.cost = NAN};
    for (size_t zone = 0; zone < N_ZONES; zone++) {
        fill_zone(look, group, zone, field, series);
    }
    fill_sums(field);
    fill_cost(field);
    if (field->n < FRAMES_MIN) {
        field->cost = NAN;
    }
}
