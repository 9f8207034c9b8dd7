/* aspects.h - what a frame tells beyond its stars: slope of the sky, noise against what is
 * expected, the halo around stars, the faintest star, streaks. image.h includes it; every
 * nw_measure holds one nw_aspects. Conventions as in image.h; NaN: not measured. */
#ifndef NW_IMAGE_ASPECTS_H
#define NW_IMAGE_ASPECTS_H

#include <stdbool.h>
#include <stddef.h>

/* The plane that fits the sky best, robustly; parts with nebula count little.
 *   error   delete-a-group jackknife over 4 x 4 parts of the frame (Wolter 2007, Introduction to
 *           Variance Estimation, ch. 4): noise and everything that is no plane together
 *   note    light of the sky, uneven flat and stray light all look like this in one frame */
struct nw_gradient {
    double u_adu, v_adu; /* rise along +x and +y, per half diagonal */
    double u_sigma_adu, v_sigma_adu;
    double adu, sigma_adu; /* length of that vector; sigma along it */
    double direction_rad;  /* towards which the sky grows brighter, from +x to +y */
    double bend_adu;       /* robust scatter of the sky about the plane */
};

/* Noise of the sky as the pixels show it, and how alike neighbouring pixels are. Raw pixels are
 * independent; resampling, debayering, smoothing make neighbours alike, and then the noise of one
 * pixel says too little of the noise of an area (Casertano et al. 2000, AJ 120, 2747, app. A). */
struct nw_noise {
    double pixel_adu, pixel_sigma_adu;   /* of one pixel; its standard error over the frame */
    double x_correlation, y_correlation; /* with the next pixel to the right, upwards */
    double correlation_sigma;            /* of each */
    double coarse_ratio; /* noise of 4 x 4 px sums over 4 times the noise of one pixel: 1 when
                            independent. It holds faint stars and nebula as well. */
    double coarse_sigma;
    /* What electrons would give (nw_noise_expected_adu). Without the camera's offset only its ends
     * are known: no sky at all, and all of the level sky. NaN without gain and read noise. */
    double expected_adu, expected_low_adu, expected_high_adu;
    double ratio, ratio_sigma; /* of pixel_adu to expected_adu; sigma: of the noise alone, gain,
                                  read noise and offset taken as exact */
};

/* Light between 3 and 10 FWHM from bright stars over their light within 1.5 FWHM; sky from 11 to 13
 * FWHM. Grows with dew, haze, dirt; comparable between frames of one setup, not between setups. */
struct nw_halo {
    double ratio, sigma;
    size_t n_stars; /* ratio NaN under 5 */
};

/* A point source at 5 sigma, noise of the sky in the equivalent noise area and its own photons
 * (King 1983, PASP 95, 163). The magnitude is instrumental: -2.5 log10(ADU / s); differences
 * between frames of one camera and gain are real, the zero point is not known. */
struct nw_limit {
    double flux_adu;
    double magnitude, sigma_mag; /* NaN without exposure time */
};

enum { NW_STREAKS_MAX = 16 };
/* A straight trail of light. Positions on its middle line, in frame pixels. */
struct nw_streak {
    double x0_px, y0_px, x1_px, y1_px; /* where it begins and ends, x0 <= x1 */
    double length_px;
    double angle_rad;                    /* from +x to +y, -pi/2 .. pi/2 */
    double width_px;                     /* FWHM across */
    double adu_per_px, adu_per_px_sigma; /* light per pixel of length, above the sky */
    double snr;                          /* of the whole trail */
    bool is_crossing;                    /* both ends are where the frame ends */
};

struct nw_aspects {
    struct nw_gradient gradient;
    struct nw_noise noise;
    struct nw_halo halo;
    struct nw_limit limit;
    struct nw_streak streaks[NW_STREAKS_MAX]; /* brightest first */
    size_t n_streaks;
};

/* What is known of the camera; 0 or NaN: not known. */
struct nw_camera_noise {
    double gain_e_per_adu, read_noise_e;
    double offset_adu; /* level of a frame without light; NaN: not known (0 is a value) */
};

/* Noise of a sky pixel from electrons: sky photons, read noise, rounding to whole steps.
 *   given     sky_adu above the camera's offset; gain [e/ADU]; read_noise_e; step_adu between the
 *             values that a frame can have, 0 where they are not rounded
 *   returned  [ADU]; NaN when something is not known
 *   source    Howell 2006, Handbook of CCD Astronomy, sec. 4.4; rounding step / sqrt(12) */
double nw_noise_expected_adu(double sky_adu, double gain_e_per_adu, double read_noise_e,
                             double step_adu);

#endif
