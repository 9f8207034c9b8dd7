/* background_internal.h - the mesh of sky and noise, between background (which makes it) and
 * background_rows (which reads it out). */
#ifndef NW_BACKGROUND_INTERNAL_H
#define NW_BACKGROUND_INTERNAL_H

#include "image/measure_internal.h"

struct warm_column { /* rows y0 <= y < y1 of column x lie that much above the sky beside them */
    uint32_t x, y0, y1;
    float adu;
};

struct nw_background {
    size_t width_px, height_px, nx, ny;
    double level_adu, noise_adu;
    double *z, *zyy, *zxx, *zxxyy; /* nx * ny: value and second derivatives */
    double *noise;
    double *tiles;               /* the one block all of them live in */
    struct warm_column *columns; /* by x, then y0; may be NULL */
    size_t n_columns;
    bool has_cold; /* some pixels lie further below the sky than noise takes them */
};

#endif
