/* optics_internal.h - the polar grid of frequencies on which OTFs are multiplied.
 * Idea: products are smooth and of finite extent, so Gauss-Legendre points in sqrt(f) and equal
 * steps in direction integrate them to many digits with few points. All OTFs are real and the same
 * at -f, so half of the directions is enough. */
#ifndef NW_OPTICS_INTERNAL_H
#define NW_OPTICS_INTERNAL_H

#include "optics/optics.h"

struct optics_grid {
    size_t n_f, n_phi, n; /* n = n_f * n_phi points, direction runs fastest */
    double f_max;
    double *f;    /* n_f */
    double *ring; /* n_f: integral over the whole ring = ring[i] * sum over directions */
    double *cos_phi, *sin_phi; /* n_phi, directions 0..pi */
};

enum nw_status optics_grid_init(struct optics_grid *grid, double f_max, size_t n_f, size_t n_phi,
                                struct nw_err *err) NW_CHECKED;
void optics_grid_done(struct optics_grid *grid);
/* values[i] *= the OTF at point i. */
void optics_grid_multiply(const struct optics_grid *grid, const struct nw_otf *otf, double *values);
bool optics_is_round(const struct nw_otf *otf);
/* The same part with a disc as geometry has it, without an aperture. */
struct nw_otf optics_geometric(const struct nw_otf *otf);

/* How far a product reaches. blur_rad2: variance of a round Gaussian that has to be multiplied in
 * because hard edges alone reach for ever; 0 where something else ends it. */
struct optics_extent {
    double f_half; /* where the mean over directions first falls to 1/2 */
    double f_max;
    double blur_rad2;
};
enum nw_status optics_extent_find(const struct nw_otf *parts, size_t n, struct optics_extent *ret,
                                  struct nw_err *err) NW_CHECKED;

#endif
