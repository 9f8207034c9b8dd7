/* level.c - see level.h. */
#include "light/level.h"

#include <math.h>
#include <stdlib.h>

enum { MOST_PIXELS = 1000000 };

/* Steps that share a divisor with the width would see the same columns alone: on a chip read out by
 * two amplifiers in turn, those of one of them. */
static size_t step_of(size_t n_all, size_t width_px) {
    size_t step = n_all / MOST_PIXELS + 1;
    for (;; step++) {
        size_t a = step;
        size_t b = width_px;
        while (b > 0) { /* Euclid */
            const size_t rest = a % b;
            a = b;
            b = rest;
        }
        if (a == 1) {
            return step;
        }
    }
}

enum nw_status nw_dark_level(const struct nw_frame *frame, double *ret_adu, struct nw_err *err) {
    const size_t n_all = frame->width_px * frame->height_px;
    const size_t step = step_of(n_all, frame->width_px);
    double *const values = nw_calloc(n_all / step + 1, sizeof *values);
    size_t n = 0;
    if (!values) {
        return nw_err_set(err, NW_NOMEM, "%zu pixels", n_all / step + 1);
    }
    for (size_t i = 0; i < n_all; i += step) {
        const double value = nw_frame_pixel(frame, i);
        if (isfinite(value)) {
            values[n++] = value;
        }
    }
    *ret_adu = n > 0 ? nw_stat_clipped_mean(values, n, 5.0, NULL, NULL) : NAN;
    free(values);
    return NW_OK;
}
