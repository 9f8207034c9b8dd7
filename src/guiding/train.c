/* train.c - see train.h. */
#include "guiding/train.h"

#include <math.h>

#include "base/constants.h"

/* PHO-02v1, per m^2 and m of wavelength. */
static const double PHOTONS_V0 = 995.5 * 1e4 * 1e10;
static const double COUNTED_TO = 11.5, SLOPE = 0.5;

double nw_guide_star_e_per_s(double magnitude, double aperture_m2, double band_m,
                             double efficiency) {
    return PHOTONS_V0 * pow(10.0, -0.4 * magnitude) * aperture_m2 * band_m * efficiency;
}

double nw_guide_centroid_rad(double sigma_rad, double pixel_rad, double electrons,
                             double background_e2) {
    const double s2 = sigma_rad * sigma_rad;
    const double a2 = pixel_rad * pixel_rad;
    return sqrt((s2 + a2 / 12.0) / electrons +
                8.0 * NW_PI * s2 * s2 * background_e2 / (a2 * electrons * electrons));
}

double nw_guide_noise_gain(double gain) {
    return gain > 0.0 && gain < 2.0 ? gain / (2.0 - gain) : NAN;
}

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

double nw_guide_stars_per_deg2(double magnitude, double galactic_latitude_rad) {
    return density(galactic_latitude_rad) * pow(10.0, SLOPE * fmin(0.0, magnitude - COUNTED_TO));
}

double nw_guide_chance(double expected) {
    return -expm1(-expected);
}
