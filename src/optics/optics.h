/* optics.h - star profiles by multiplying OTFs on a fine grid; scale, sampling, depth of focus.
 *
 * Idea: every contributor to the width of a star is an OTF, a real function of spatial frequency on
 * the sky; the delivered profile is the Fourier transform of their product, the pixel included
 * once. Second moments and quadrature are never used: seeing has wings.
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
    X(DISC, "uniform disc", "diameter [rad], wavelength / aperture [rad] (0: geometric)")          \
    X(DISCS, "mean of uniform discs", "-, wavelength / aperture [rad] (0: geometric); mix, n_mix") \
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
/* Discs of changing size (a drifting focus): weights >= 0, not all 0; sizes >= 0. */
struct nw_disc {
    double diameter_rad, weight;
};
struct nw_otf {
    enum nw_otf_kind kind;
    double p[4];               /* as listed above */
    const struct nw_disc *mix; /* of DISCS; borrowed */
    size_t n_mix;
};

/* Value at a frequency; 1 at zero. Parameters in range are the caller's promise (nw_otf_check).
 *   SEEING    exp(-D(lambda f)/2), D the von Karman phase structure function (Tokovinin 2002, PASP
 *             114, 1156; Conan 2000), the whole of the tip-tilt in it; L0 inf: Fried 1966 (3.442)
 *   PUPIL     overlap of two annuli (O'Neill 1956, JOSA 46, 285); REFERENCES IMG-04, IMG-09
 *   DISC      2 J1(a)/a, a = pi d f (1 - f lambda/D): defocus beside an aperture, within 0.04 of
 *             diffraction theory up to half a wave (Stokseth 1969, JOSA 59, 1314, there from
 * memory; test_compose.c); without lambda/D or without the PUPIL beside it the geometric disc a =
 * pi d f, which overdoes a defocus inside the depth of focus GAUSS  exp(-2 pi^2 f' C f) LINE sinc(f
 * . L)                      BOX    sinc(fx p) sinc(fy p) BILINEAR, LANCZOS3   the Fourier transform
 * of the kernel: averaged over subpixel shifts a resampled star is exactly the delivered profile
 * convolved with the kernel */
double nw_otf_value(const struct nw_otf *otf, double fx_cyc_rad, double fy_cyc_rad);
/* DOMAIN, naming the part and the parameter, for what is out of range. */
enum nw_status nw_otf_check(const struct nw_otf *otf, struct nw_err *err) NW_CHECKED;
/* Width of one part by itself, where a half-maximum contour says little (a line has no minor axis,
 * a mean of discs has a spike): FWHM of the seeing, the aperture, a disc, a Gaussian (root mean
 * square of its axes), the rms disc of several, a line's length / sqrt 2 (the same root mean square
 * over its axes), the side of a pixel, the FWHM of a kernel. */
double nw_otf_alone_rad(const struct nw_otf *otf);

/* What a composed profile looks like. */
struct nw_psf {
    double fwhm_rad; /* sqrt(major * minor) of the contour at half maximum */
    double fwhm_major_rad, fwhm_minor_rad, theta_rad; /* theta from +x towards +y */
    double e1, e2;        /* of the half-maximum ellipse: |e| = (1-q^2)/(1+q^2) */
    double neq_area_rad2; /* equivalent-noise area 1 / integral psf^2 (King 1983) */
    double peak_per_rad2; /* of a profile with unit flux */
};
/* Errors: DOMAIN for a part with parameters out of range, for n = 0 or parts without width (a
 * point), and for a profile that is a line. Accuracy of the FWHM: 1e-5 for profiles with seeing,
 * aperture or Gaussian in them, 1e-3 for those of hard edges alone (test_compose.c). */
enum nw_status nw_psf_compose(const struct nw_otf *parts, size_t n, struct nw_psf *ret,
                              struct nw_err *err) NW_CHECKED;

/* A budget line: one name, one or several OTFs (a line that is absent has n = 0). */
struct nw_otf_line {
    const struct nw_otf *parts;
    size_t n;
};
/* For lines 0..n-1: the width of each alone (nw_otf_alone_rad; 0 for an absent line), the FWHM and
 * the equivalent-noise area of all without it (NaN where nothing is left), and its order-free share
 * of FWHM^2 (Shapley 1953), exact over all 2^n subsets, n <= NW_SHARES_MAX; shares sum to 1.
 *   note      Discs are geometric in shares: a subset may lack the aperture. A subset's FWHM^2 is
 * taken beside a Gaussian point of 1/8 of the whole width, whose square is taken off again, so that
 * lines, pixels and discs by themselves have one; for Gaussian lines that changes nothing. accuracy
 * 0.5 % of a share's line, whole and without as nw_psf_compose (test_shares.c) */
#define NW_SHARES_MAX 16
struct nw_shares {
    struct nw_psf whole;
    double alone_rad[NW_SHARES_MAX], without_rad[NW_SHARES_MAX];
    double share[NW_SHARES_MAX]; /* fraction */
    double neq_without_rad2[NW_SHARES_MAX];
};
enum nw_status nw_psf_shares(const struct nw_otf_line *lines, size_t n, struct nw_shares *ret,
                             struct nw_err *err) NW_CHECKED;

/* Angle of one pixel, rad: exact atan; REFERENCES IMG-02. */
double nw_optics_scale_rad_px(double pixel_m, double focal_length_m);
/* Defocus at the sensor from focuser travel: m^2 when the corrector rides on the focuser, 1 when
 * only the camera does (longitudinal magnification; ray trace in test_focus.c). */
double nw_optics_defocus_per_travel(double corrector_magnification, bool corrector_rides);
/* Quarter-wave depth of focus, +- 2 lambda N^2 (Born & Wolf sec. 9.3; Schroeder); REFERENCES
 * FOC-01. */
double nw_optics_depth_of_focus_m(double wavelength_m, double f_ratio);
/* Diameter on the sky of the geometric disc of a defocus: |d| / (N f); REFERENCES FOC-05. */
double nw_optics_defocus_disc_rad(double defocus_m, double f_ratio, double focal_length_m);

#endif
