/* spline.c - natural cubic splines on equidistant nodes.
 * Idea: linear in the values, so a surface needs second derivatives along x, along y and along
 * both, computed once; any row of it is then four weights and one cubic an interval. Formulas:
 * Press et al. 2007, Numerical Recipes, 3rd ed., sec. 3.3, with step 1. */
#include "image/measure_internal.h"

void spline_second_derivatives(const double *z, size_t n, size_t stride, double *ret,
                               double *work) {
    for (size_t i = 0; i < n; i++) {
        ret[i * stride] = 0.0;
    }
    if (n < 3) {
        return;
    }
    work[0] = 0.0;
    for (size_t i = 1; i + 1 < n; i++) { /* m[i-1] + 4 m[i] + m[i+1] = 6 (second difference) */
        const double second = z[(i - 1) * stride] - 2.0 * z[i * stride] + z[(i + 1) * stride];
        const double pivot = 4.0 + work[i - 1];
        work[i] = -1.0 / pivot;
        ret[i * stride] = (6.0 * second - ret[(i - 1) * stride]) / pivot;
    }
    for (size_t i = n - 1; i-- > 1;) {
        ret[i * stride] += work[i] * ret[(i + 1) * stride];
    }
}

void spline_weights(double t, double weight[static 4]) {
    const double s = 1.0 - t;
    weight[0] = s;
    weight[1] = t;
    if (t < 0.0) { /* straight on with the slope at the first node */
        weight[2] = -t / 3.0;
        weight[3] = -t / 6.0;
    } else if (t > 1.0) {
        weight[2] = (t - 1.0) / 6.0;
        weight[3] = (t - 1.0) / 3.0;
    } else {
        weight[2] = (s * s * s - s) / 6.0;
        weight[3] = (t * t * t - t) / 6.0;
    }
}
