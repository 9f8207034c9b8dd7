/* profile_internal.h - the pixel's average of a profile, between profile and profile_sums; the
 * normal equations of a fit, between profile_sums and profile_fit. Order of parameters: amplitude,
 * x, y, cxx, cxy, cyy, sky, beta. */
#ifndef NW_PROFILE_INTERNAL_H
#define NW_PROFILE_INTERNAL_H

#include "image/measure_internal.h"

enum { PROFILE_N = 8 };

/* How the average over a pixel is taken, by what the curvature there asks for. */
enum pixel_rule {
    PIXEL_MIDDLE, /* the value in the middle: the profile is straight over the pixel */
    PIXEL_SERIES, /* Taylor's series about the middle: profile_average */
    PIXEL_NODES   /* PIXEL_N x PIXEL_N nodes of Gauss and Legendre */
};
enum { PIXEL_N = 5 };
/* Along one side of a pixel, -1/2 .. 1/2. */
extern const double PIXEL_NODE[PIXEL_N], PIXEL_WEIGHT[PIXEL_N];
/* q: value of the quadratic form in the middle of the pixel. */
enum pixel_rule profile_pixel_rule(const struct profile *profile, double q, double pixel_width);

/* The average over a pixel, of the value in its middle, (x, y) from the star; inverse: 1 / u there.
 * For F(q) with q = a x^2 + 2 c x y + b y^2 and a pixel of width h, by Taylor's series,
 *     mean = F + h^2/24 (Fxx + Fyy) + h^4/1920 (Fxxxx + Fyyyy) + h^4/576 Fxxyy + O(h^6):
 * closer than four nodes of Gauss and Legendre, at the price of one and a half. */
__attribute__((always_inline)) static inline double
profile_average(const struct profile *p, double x, double y, double inverse, double h2) {
    const double qx = 2.0 * (p->cxx * x + p->cxy * y);
    const double qy = 2.0 * (p->cxy * x + p->cyy * y);
    const double qxx = 2.0 * p->cxx;
    const double qyy = 2.0 * p->cyy;
    const double qxy = 2.0 * p->cxy;
    /* derivatives of u^-beta by q over the value itself */
    const double f1 = -p->beta * inverse;
    const double f2 = -(p->beta + 1.0) * inverse * f1;
    const double f3 = -(p->beta + 2.0) * inverse * f2;
    const double f4 = -(p->beta + 3.0) * inverse * f3;
    const double qx2 = qx * qx;
    const double qy2 = qy * qy;
    const double second = f2 * (qx2 + qy2) + f1 * (qxx + qyy);
    const double fourth = f4 * (qx2 * qx2 + qy2 * qy2) + 6.0 * f3 * (qx2 * qxx + qy2 * qyy) +
                          3.0 * f2 * (qxx * qxx + qyy * qyy);
    const double across = f4 * qx2 * qy2 + f3 * (qx2 * qyy + qy2 * qxx + 4.0 * qx * qy * qxy) +
                          f2 * (qxx * qyy + 2.0 * qxy * qxy);
    return 1.0 + h2 * (second / 24.0 + h2 * (fourth / 1920.0 + across / 576.0));
}

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
