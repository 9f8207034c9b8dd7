/* cells.c - the stars of a frame, gathered in cells of the field.
 * Idea: medians over a dozen stars stand the odd galaxy and double star; the error of a cell comes
 * from the scatter of all stars about their own cell, which is better known than that of a dozen.
 */
#include "field/field_internal.h"

#include <math.h>

enum nw_status nw_field_frame_init(const struct nw_measure *measure,
                                   const struct nw_frame_facts *facts, const char *path,
                                   struct nw_field_frame *ret, struct nw_err *err) {
    const uint32_t bad = NW_STAR_SATURATED | NW_STAR_BLENDED | NW_STAR_EDGE | NW_STAR_STREAK;
    static const double SNR_MIN = 20.0;
    struct nw_field_frame frame = {
        .path = path,
        .width_px = measure->width_px,
        .height_px = measure->height_px,
        .fwhm_px = measure->fwhm_px,
        .position_steps = facts ? facts->focuser_steps : NAN,
        .t_s = facts ? facts->t_start_utc_s : NAN,
        .temperature_K = facts ? facts->focuser_temperature_K : NAN,
        .transmission = NAN,
        .rotator_rad = facts ? facts->rotator_rad : NAN,
        .altitude_rad = facts ? facts->altitude_rad : NAN,
    };
    if (facts) {
        memcpy(frame.tube_side, facts->tube_side, sizeof frame.tube_side);
    }
    frame.stars = nw_calloc(measure->n_stars ? measure->n_stars : 1, sizeof *frame.stars);
    if (!frame.stars) {
        return nw_err_set(err, NW_NOMEM, "%zu stars", measure->n_stars);
    }
    const double w = (double)measure->width_px;
    const double h = (double)measure->height_px;
    const double half_diagonal = 0.5 * hypot(w, h);
    for (size_t i = 0; i < measure->n_stars; i++) {
        const struct nw_star *const star = &measure->stars[i];
        if ((star->flags & bad) || !(star->snr > SNR_MIN) || !(star->half_light_px > 0.0)) {
            continue;
        }
        const bool has_shape = !(star->flags & (NW_STAR_NO_FIT | NW_STAR_NOT_POINT));
        frame.stars[frame.n_stars++] = (struct nw_field_star){
            .u = (star->x_px - 0.5 * (w - 1.0)) / half_diagonal,
            .v = (star->y_px - 0.5 * (h - 1.0)) / half_diagonal,
            .r_px = star->half_light_px,
            .e1 = has_shape ? star->e1 : NAN,
            .e2 = has_shape ? star->e2 : NAN,
            .fwhm_px = has_shape ? star->fwhm_px : NAN,
        };
    }
    *ret = frame;
    return NW_OK;
}

void nw_field_frame_done(struct nw_field_frame *frame) {
    if (frame) {
        free(frame->stars);
        *frame = (struct nw_field_frame){0};
    }
}

struct field_grid field_grid_for(const struct nw_field_frame *frame, size_t n_stars) {
    static const size_t SIDES[][2] = {{9, 6}, {7, 5}, {5, 5}, {5, 4}, {4, 3}, {3, 2}};
    enum { N = sizeof SIDES / sizeof SIDES[0], STARS = 12 };
    const double w = (double)frame->width_px;
    const double h = (double)frame->height_px;
    const double diagonal = hypot(w, h);
    size_t k = 0;
    while (k + 1 < N && n_stars < STARS * SIDES[k][0] * SIDES[k][1]) {
        k++;
    }
    return (struct field_grid){SIDES[k][0], SIDES[k][1], w / diagonal, h / diagonal};
}

static size_t cell_of(const struct field_grid *grid, const struct nw_field_star *star) {
    const double x = (star->u / grid->u_max + 1.0) * 0.5 * (double)grid->nx;
    const double y = (star->v / grid->v_max + 1.0) * 0.5 * (double)grid->ny;
    const double ix = fmin((double)grid->nx - 1.0, fmax(0.0, floor(x)));
    const double iy = fmin((double)grid->ny - 1.0, fmax(0.0, floor(y)));
    return (size_t)iy * grid->nx + (size_t)ix;
}

/* What one cell gathers; `values` has room for all stars. */
static double median_of(const struct nw_field_frame *frame, const size_t *cell, size_t k,
                        size_t offset, double *values, size_t *ret_n) {
    size_t n = 0;
    for (size_t i = 0; i < frame->n_stars; i++) {
        double value = 0.0;
        memcpy(&value, (const char *)&frame->stars[i] + offset, sizeof value);
        if (cell[i] == k && isfinite(value)) {
            values[n++] = value;
        }
    }
    *ret_n = n;
    return n >= FIELD_CELL_STARS ? nw_stat_median(values, n) : NAN;
}

static void fill_cell(const struct nw_field_frame *frame, const size_t *cell, size_t k,
                      double *values, struct field_cell *ret) {
    *ret = (struct field_cell){.r_px = NAN, .e1 = NAN, .e2 = NAN, .fwhm_px = NAN};
    size_t n = 0;
    for (size_t i = 0; i < frame->n_stars; i++) {
        if (cell[i] == k) {
            ret->u += frame->stars[i].u;
            ret->v += frame->stars[i].v;
            ret->rho2 += pow(frame->stars[i].u, 2.0) + pow(frame->stars[i].v, 2.0);
            n++;
        }
    }
    if (n < FIELD_CELL_STARS) {
        return;
    }
    ret->u /= (double)n;
    ret->v /= (double)n;
    ret->rho2 /= (double)n;
    ret->n = n;
    ret->r_px = median_of(frame, cell, k, offsetof(struct nw_field_star, r_px), values, &n);
    ret->e1 = median_of(frame, cell, k, offsetof(struct nw_field_star, e1), values, &n);
    ret->e2 = median_of(frame, cell, k, offsetof(struct nw_field_star, e2), values, &n);
    ret->fwhm_px = median_of(frame, cell, k, offsetof(struct nw_field_star, fwhm_px), values, &n);
    ret->e_sigma = (double)n; /* until the scatter is known */
}

/* Robust scatter of single stars about their cells: of ln r, and of e1, e2 together. A star in a
 * cell of n scatters sqrt(1 - 1/n) about its mean; medians nearly so. */
static void scatter(const struct nw_field_frame *frame, const size_t *cell,
                    const struct field_cell *cells, double *values, double ret[static 2]) {
    size_t n = 0;
    for (size_t i = 0; i < frame->n_stars; i++) {
        const struct field_cell *const c = &cells[cell[i]];
        if (c->n) {
            values[n++] =
                fabs(log(frame->stars[i].r_px / c->r_px)) / sqrt(1.0 - 1.0 / (double)c->n);
        }
    }
    ret[0] = n ? NW_SIGMA_PER_MAD * nw_stat_median(values, n) : NAN;
    n = 0;
    for (size_t i = 0; i < frame->n_stars; i++) {
        const struct field_cell *const c = &cells[cell[i]];
        const struct nw_field_star *const s = &frame->stars[i];
        if (c->n && isfinite(c->e1) && isfinite(s->e1)) {
            values[n++] = fabs(i % 2 ? s->e1 - c->e1 : s->e2 - c->e2);
        }
    }
    ret[1] = n ? NW_SIGMA_PER_MAD * nw_stat_median(values, n) : NAN;
}

enum nw_status field_cells_fill(const struct nw_field_frame *frame, const struct field_grid *grid,
                                struct field_cell *ret, struct nw_err *err) {
    const size_t room = frame->n_stars ? frame->n_stars : 1;
    double *const values = nw_calloc(room, sizeof *values);
    size_t *const cell = nw_calloc(room, sizeof *cell);
    enum nw_status status = NW_OK;
    if (!values || !cell) {
        status = nw_err_set(err, NW_NOMEM, "cells of %zu stars", frame->n_stars);
        goto done;
    }
    for (size_t i = 0; i < frame->n_stars; i++) {
        cell[i] = cell_of(grid, &frame->stars[i]);
    }
    for (size_t k = 0; k < grid->nx * grid->ny; k++) {
        fill_cell(frame, cell, k, values, &ret[k]);
    }
    double sigma[2];
    scatter(frame, cell, ret, values, sigma);
    /* error of a median of Gaussian values (REFERENCES CMB-02); a quarter of a percent is what the
     * measuring itself is good for */
    const double median = sqrt(NW_PI / 2.0);
    for (size_t k = 0; k < grid->nx * grid->ny; k++) {
        if (ret[k].n) {
            ret[k].ln_sigma = hypot(median * sigma[0] / sqrt((double)ret[k].n), 0.0025);
            ret[k].e_sigma = hypot(median * sigma[1] / sqrt(fmax(1.0, ret[k].e_sigma)), 0.002);
        }
    }
done:
    free(values);
    free(cell);
    return status;
}
