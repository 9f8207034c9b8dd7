/* optics.h - star profiles by multiplying OTFs on a fine grid; scale, sampling, depth of focus.
 *
 * Idea: every contributor to the width of a star is an OTF, a real or complex function of spatial
 * frequency on the sky; the delivered profile is the Fourier transform of their product, the pixel
 * included once. Second moments and quadrature are never used: seeing has wings.
 * Frame axes x, y; frequencies in cycles per radian; angles on the sky in radians. */
#ifndef NW_OPTICS_H
#define NW_OPTICS_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"

#define NW_OTF_LIST(X)                                                                             \
    X(SEEING, "von Karman long exposure",                                                          \
      "r0 [m], wavelength [m], outer scale [m] (inf: Kolmogorov)")                                 \
    X(PUPIL, "annular aperture", "diameter [m], wavelength [m], obstruction")                      \
    X(DISC, "uniform disc", "diameter [rad]")                                                      \
    X(GAUSS, "Gaussian", "variance xx, xy, yy [rad2]")                                             \
    X(LINE, "uniform line", "extent along x, along y [rad], end to end")                           \
    X(BOX, "square pixel", "side [rad]")                                                           \
    X(BILINEAR, "bilinear resampling, mean over shifts", "pixel [rad]")                            \
    X(LANCZOS3, "Lanczos-3 resampling, mean over shifts", "pixel [rad]")
enum nw_otf_kind {
#define X(name, text, parameters) NW_OTF_##name,
    NW_OTF_LIST(X)
#undef X
};
struct nw_otf {
    enum nw_otf_kind kind;
    double p[4]; /* as listed above */
};

/* Value at a frequency; 1 at zero. Source of each formula in otf.c. */
double nw_otf_value(const struct nw_otf *otf, double fx_cyc_rad, double fy_cyc_rad);

/* What a composed profile looks like. */
struct nw_psf {
    double fwhm_rad; /* sqrt(major * minor) of the contour at half maximum */
    double fwhm_major_rad, fwhm_minor_rad, theta_rad; /* theta from +x towards +y */
    double e1, e2;        /* of the half-maximum ellipse: |e| = (1-q^2)/(1+q^2) */
    double neq_area_rad2; /* equivalent-noise area 1 / integral psf^2 (King 1983) */
    double peak_per_rad2; /* of a profile with unit flux */
};
/* Errors: DOMAIN for a part with parameters out of range; nothing wider than the grid. n = 0 is
 * DOMAIN (a point). Accuracy of fwhm: 1e-3 (tests/unit/optics). */
enum nw_status nw_psf_compose(const struct nw_otf *parts, size_t n, struct nw_psf *ret,
                              struct nw_err *err) NW_CHECKED;

/* A budget line: one name, one or several OTFs (a line that is absent has n = 0). */
struct nw_otf_line {
    const struct nw_otf *parts;
    size_t n;
};
/* For lines 0..n-1: the FWHM of each alone, of all without it, and its order-free share of FWHM^2
 * (Shapley 1953; exact over all subsets, n <= 16); shares sum to fwhm^2 of the whole. Also the
 * equivalent-noise area without each line. Any result pointer may be NULL. */
struct nw_shares {
    struct nw_psf whole;
    double alone_rad[16], without_rad[16], share[16]; /* share: fraction, sums to 1 */
    double neq_without_rad2[16];
};
enum nw_status nw_psf_shares(const struct nw_otf_line *lines, size_t n, struct nw_shares *ret,
                             struct nw_err *err) NW_CHECKED;

/* Angle of one pixel, rad: exact atan; REFERENCES IMG-02. */
double nw_optics_scale_rad_px(double pixel_m, double focal_length_m);
/* Defocus at the sensor from focuser travel: m^2 when the corrector rides on the focuser, 1 when
 * only the camera does (longitudinal magnification). */
double nw_optics_defocus_per_travel(double corrector_magnification, bool corrector_rides);
/* Quarter-wave depth of focus, +- 2 lambda N^2 (Born & Wolf sec. 9.3; Schroeder); REFERENCES
 * FOC-01. */
double nw_optics_depth_of_focus_m(double wavelength_m, double f_ratio);
/* Diameter on the sky of the geometric disc of a defocus: d / (N f); REFERENCES FOC-05. */
double nw_optics_defocus_disc_rad(double defocus_m, double f_ratio, double focal_length_m);

#endif
