/* grid.c - see optics_internal.h.
 * Idea: f = f_max t^2 with Gauss-Legendre t puts the points where profiles have their power.
 * The reach of a product is found on a logarithmic ladder of frequencies; where hard edges (pixel,
 * disc, line) are alone it would not end, and a small Gaussian ends it. */
#include "optics/optics_internal.h"

#include <gsl/gsl_integration.h>
#include <math.h>

enum { SCAN_DIRECTIONS = 12 };
#define SCAN_STEP 1.1
#define REACH_LEVEL 1e-7 /* of the OTF: what lies below is left out */
#define REACH_MOST 64.0  /* in units of f_half */

enum nw_status optics_grid_init(struct optics_grid *grid, double f_max, size_t n_f, size_t n_phi,
                                struct nw_err *err) {
    *grid = (struct optics_grid){.n_f = n_f, .n_phi = n_phi, .n = n_f * n_phi, .f_max = f_max};
    grid->f = nw_calloc(n_f, sizeof *grid->f);
    grid->ring = nw_calloc(n_f, sizeof *grid->ring);
    grid->cos_phi = nw_calloc(n_phi, sizeof *grid->cos_phi);
    grid->sin_phi = nw_calloc(n_phi, sizeof *grid->sin_phi);
    gsl_integration_glfixed_table *table = gsl_integration_glfixed_table_alloc(n_f);
    enum nw_status status = NW_OK;
    if (!grid->f || !grid->ring || !grid->cos_phi || !grid->sin_phi || !table) {
        status = nw_err_set(err, NW_NOMEM, "frequency grid of %zu x %zu", n_f, n_phi);
        optics_grid_done(grid);
        goto done;
    }
    for (size_t i = 0; i < n_f; i++) {
        double t;
        double weight;
        (void)gsl_integration_glfixed_point(0.0, 1.0, i, &t, &weight, table);
        grid->f[i] = f_max * t * t;
        const double df = 2.0 * f_max * t * weight;
        grid->ring[i] = grid->f[i] * df * 2.0 * NW_PI / (double)n_phi;
    }
    for (size_t j = 0; j < n_phi; j++) {
        const double phi = NW_PI * ((double)j + 0.5) / (double)n_phi;
        grid->cos_phi[j] = cos(phi);
        grid->sin_phi[j] = sin(phi);
    }
done:
    if (table) {
        gsl_integration_glfixed_table_free(table);
    }
    return status;
}

void optics_grid_done(struct optics_grid *grid) {
    if (grid) {
        free(grid->f);
        free(grid->ring);
        free(grid->cos_phi);
        free(grid->sin_phi);
        *grid = (struct optics_grid){0};
    }
}

void optics_grid_multiply(const struct optics_grid *grid, const struct nw_otf *otf,
                          double *values) {
    const bool is_round = optics_is_round(otf);
    for (size_t i = 0; i < grid->n_f; i++) {
        const double f = grid->f[i];
        double *row = values + i * grid->n_phi;
        const double same = is_round ? nw_otf_value(otf, f, 0.0) : 1.0;
        for (size_t j = 0; j < grid->n_phi; j++) {
            row[j] *=
                is_round ? same : nw_otf_value(otf, f * grid->cos_phi[j], f * grid->sin_phi[j]);
        }
    }
}

/* Mean and largest magnitude of the product over directions at one frequency. */
static void scan_ring(const struct nw_otf *parts, size_t n, double f, double *ret_mean,
                      double *ret_most) {
    double round_part = 1.0;
    for (size_t k = 0; k < n; k++) {
        round_part *= optics_is_round(&parts[k]) ? nw_otf_value(&parts[k], f, 0.0) : 1.0;
    }
    double sum = 0.0;
    double most = 0.0;
    for (int j = 0; j < SCAN_DIRECTIONS; j++) {
        const double phi = NW_PI * (j + 0.5) / SCAN_DIRECTIONS;
        double value = round_part;
        for (size_t k = 0; k < n; k++) {
            if (!optics_is_round(&parts[k])) {
                value *= nw_otf_value(&parts[k], f * cos(phi), f * sin(phi));
            }
        }
        sum += value;
        most = fmax(most, fabs(value));
    }
    *ret_mean = sum / SCAN_DIRECTIONS;
    *ret_most = most;
}

enum nw_status optics_extent_find(const struct nw_otf *parts, size_t n, struct optics_extent *ret,
                                  struct nw_err *err) {
    if (n == 0) {
        return nw_err_set(err, NW_DOMAIN, "no part to compose: a point has no width");
    }
    double low = 1e-3; /* cycles per radian: a blob as wide as the sky */
    double high = 1e12;
    double mean;
    double most;
    scan_ring(parts, n, high, &mean, &most);
    if (!(mean < 0.5)) {
        return nw_err_set(err, NW_DOMAIN, "the parts have no width: nothing to compose");
    }
    /* first fall to 1/2: coarse ladder up (products may rise again later), then bisection */
    while (4.0 * low < high) {
        scan_ring(parts, n, 4.0 * low, &mean, &most);
        if (mean < 0.5) {
            high = 4.0 * low;
        } else {
            low *= 4.0;
        }
    }
    for (int i = 0; i < 12; i++) { /* f_half need not be exact */
        const double f = 0.5 * (low + high);
        scan_ring(parts, n, f, &mean, &most);
        *(mean < 0.5 ? &high : &low) = f;
    }
    *ret = (struct optics_extent){.f_half = high, .f_max = high};
    const int n_steps = (int)(log(REACH_MOST) / log(SCAN_STEP));
    for (int i = 0; i <= n_steps; i++) {
        const double f = high * pow(SCAN_STEP, i);
        scan_ring(parts, n, f, &mean, &most);
        ret->f_max = most > REACH_LEVEL ? f : ret->f_max;
    }
    if (ret->f_max * SCAN_STEP >= high * REACH_MOST) {
        ret->blur_rad2 = log(1e3) / (2.0 * NW_PI * NW_PI * ret->f_max * ret->f_max);
        return NW_OK;
    }
    /* the edge itself: the cut-off of an aperture is sharp, points beyond it are lost */
    double beyond = ret->f_max * SCAN_STEP;
    for (int i = 0; i < 10; i++) {
        const double f = 0.5 * (ret->f_max + beyond);
        scan_ring(parts, n, f, &mean, &most);
        *(most > REACH_LEVEL ? &ret->f_max : &beyond) = f;
    }
    ret->f_max = beyond;
    return NW_OK;
}
