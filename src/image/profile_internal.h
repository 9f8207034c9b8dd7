/* profile_internal.h - the normal equations of a profile fit, between profile_sums and profile_fit.
 * Order of parameters: amplitude, x, y, cxx, cxy, cyy, sky, beta. */
#ifndef NW_PROFILE_INTERNAL_H
#define NW_PROFILE_INTERNAL_H

#include "image/measure_internal.h"

enum { PROFILE_N = 8 };

struct normal_equations {
    double a[PROFILE_N][PROFILE_N], b[PROFILE_N]; /* a: the lower triangle */
    double chi2;                                  /* with this profile's own weights */
    double chi2_before;                           /* with the weights before */
    size_t n_px;
};
/* Weights of the pixels of a window: sky noise, and the photons of a profile. */
struct profile_weights {
    float px[WINDOW_MAX_SIDE * WINDOW_MAX_SIDE];
};
/* Sums over the pixels of the window that have a value, for the first n parameters. before: weights
 * of another profile, NULL for none; own: those of this one. */
void profile_sums(const struct window *window, const struct profile *profile,
                  const struct field *field, int n, const struct profile_weights *before,
                  struct profile_weights *own, struct normal_equations *ret);

#endif
