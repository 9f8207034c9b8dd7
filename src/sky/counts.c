/* counts.c - how many stars there are; see sky.h. */
#include <math.h>

#include "sky/sky.h"

static const double COUNTED_TO = 11.5, SLOPE_BRIGHT = 0.5;
/* Slopes of the cumulative counts beyond: V 12 to 14 and 14 to 16 of REFERENCES GUI-13, whose four
 * directions lie within 0.03 of these. */
static const double SLOPE_TO_14 = 0.36, SLOPE_FAINT = 0.31;

/* log of the density at V 11.5 through the three values, parabola in |sin b|: 0, 0.5, 1. */
static double density(double galactic_latitude_rad) {
    const double x = fabs(sin(galactic_latitude_rad));
    const double plane = log(150.0);
    const double middle = log(50.0);
    const double pole = log(25.0);
    const double c = 2.0 * (plane - 2.0 * middle + pole);
    const double b = pole - plane - c;
    return exp(plane + b * x + c * x * x);
}

double nw_sky_stars_per_deg2(double magnitude, double galactic_latitude_rad) {
    const double bright = fmin(0.0, magnitude - COUNTED_TO);
    const double middle = fmax(0.0, fmin(magnitude, 14.0) - COUNTED_TO);
    const double faint = fmax(0.0, magnitude - 14.0);
    return density(galactic_latitude_rad) *
           pow(10.0, SLOPE_BRIGHT * bright + SLOPE_TO_14 * middle + SLOPE_FAINT * faint);
}

double nw_sky_galactic_latitude_rad(double ra_rad, double dec_rad) {
    static const double POLE_RA = 192.85948 * NW_RAD_PER_DEG; /* of the Hipparcos catalogue: */
    static const double POLE_DEC = 27.12825 * NW_RAD_PER_DEG; /* ESA SP-1200, vol. 1, 1.5.3 */
    const double s =
        sin(dec_rad) * sin(POLE_DEC) + cos(dec_rad) * cos(POLE_DEC) * cos(ra_rad - POLE_RA);
    return asin(fmax(-1.0, fmin(1.0, s)));
}
