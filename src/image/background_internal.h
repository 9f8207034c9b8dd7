/* background_internal.h - the mesh of sky and noise, between background (which makes it) and
 * background_rows (which reads it out). */
#ifndef NW_BACKGROUND_INTERNAL_H
#define NW_BACKGROUND_INTERNAL_H

#include "image/measure_internal.h"

struct nw_background {
    size_t width_px, height_px, nx, ny;
    double level_adu, noise_adu;
    double *z, *zyy, *zxx, *zxxyy; /* nx * ny: value and second derivatives */
    double *noise;
    double *tiles; /* the one block all of them live in */
};

#endif
