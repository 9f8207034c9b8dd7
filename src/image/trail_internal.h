/* trail_internal.h - what trail_find.c hands to trail.c. */
#ifndef NW_TRAIL_INTERNAL_H
#define NW_TRAIL_INTERNAL_H

#include "image/trail.h"

/* The image less its sky. When `swapped`, coordinate a (along the trail, roughly) is the frame's y
 * and b its x; else a is x. */
struct trail_plane {
    float *px;
    size_t width_px, height_px, stride_a, stride_b, size_a, size_b;
    bool swapped;
    double noise_adu;
};
static inline double trail_at(const struct trail_plane *plane, size_t a, size_t b) {
    return (double)plane->px[a * plane->stride_a + b * plane->stride_b];
}

/* One patch of light above the threshold. Frame coordinates. */
struct trail_patch {
    size_t n_px;
    double sx, sy, sxx, syy, sxy; /* sums; then, in place, means and central moments */
    double peak_adu, light_adu;
    size_t x0, x1, y0, y1;
    double angle_rad, length_px, width_px; /* of an even bar with these moments */
};
struct trail_patches {
    struct trail_patch *items;
    size_t n;
};

enum nw_status trail_plane_init(struct nw_image_view image, struct trail_plane *ret,
                                struct nw_err *err) NW_CHECKED;
/* Patches above `threshold_adu` with at least `min_px` pixels, brightest first. */
enum nw_status trail_patches_find(const struct trail_plane *plane, double threshold_adu,
                                  size_t min_px, struct trail_patches *ret,
                                  struct nw_err *err) NW_CHECKED;

enum { TRAIL_HALF_WINDOW_MAX = 64 };
/* One trail at work: its cuts (trail_cut.c). */
struct trail_cuts {
    const struct trail_plane *plane;
    double first_a, sigma_px /* in the cut */, gain_e_per_adu;
    size_t n;
    double *centre; /* n */
    double moment2, weighed, noise2;
};
/* Finds core width and centres together, from `start` (n places): the width whose own weight leaves
 * half of its variance. false: lost, or out of the image. */
bool trail_cuts_settle(struct trail_cuts *cuts, const double *start);
/* Takes off constant, line and bend. */
void trail_straighten(double *values, size_t n);
/* Steps far from their neighbours (a particle hit, a hot pixel) are filled from them; how many.
 * work: 2 n */
size_t trail_mend(double *values, size_t n, double noise_px, double *work);

/* Light by distance from the trail, all trails laid over each other (trail_profile.c). */
enum { TRAIL_BINS = 40 };
struct trail_stack {
    double bin_px;
    double sum[TRAIL_BINS], count[TRAIL_BINS];
};
void trail_stack_add(struct trail_stack *stack, const struct trail_cuts *cuts, double cosine);
void trail_stack_fit(const struct trail_stack *stack, double weight_px,
                     struct nw_trail_profile *ret);

#endif
