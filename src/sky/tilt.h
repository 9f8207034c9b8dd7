/* tilt.h - how the image motion of an aperture is spread over frequencies. Second public header of
 * sky, beside nw_sky_tilt_rms_rad of sky.h, which is its integral.
 *
 * The motion is that of the centroid (G-tilt) of a frozen flow of von Karman turbulence (Martin
 * 1987, PASP 99, 1360; Conan, Rousset & Madec 1995, JOSA A 12, 1559). Pure. */
#ifndef NW_SKY_TILT_H
#define NW_SKY_TILT_H

#include "sky/sky.h"

struct nw_tilt_aperture {
    double aperture_m;
    double obstruction;   /* diameter ratio, 0 for a refractor */
    double outer_scale_m; /* of the air; infinite or NaN: Kolmogorov */
};

/* One-sided power of the tilt along and across the flow, by frequency along the flow.
 *   given     frequency_1_m > 0; the wind turns it into time: f = v * frequency_1_m [Hz], and the
 *             power per hertz is the result / v
 *   returned  [rad^2 m] for r0 = 1 m at 500 nm: multiply by r0_500_m^(-5/3). NaN outside the
 *             domain. The integral over all frequencies is the variance of the axis.
 *   accuracy  0.2 % (test_tilt.c: its integrals against nw_sky_tilt_rms_rad) */
struct nw_tilt_power {
    double along_rad2_m, across_rad2_m;
};
struct nw_tilt_power nw_sky_tilt_power(double frequency_1_m,
                                       const struct nw_tilt_aperture *aperture);

#endif
