/* train.c - see train.h. */
#include "guiding/train.h"

#include <math.h>

#include "base/constants.h"
#include "sky/sky.h"
#include "sky/spectrum.h"

static const double COUNTED_TO = 11.5;

double nw_guide_star_e_per_s(double magnitude, double aperture_m2, double band_m,
                             double efficiency) {
    return NW_SKY_PHOTONS_V0_s_m2_m * pow(10.0, -0.4 * magnitude) * aperture_m2 * band_m *
           efficiency;
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

double nw_guide_stars_per_deg2(double magnitude, double galactic_latitude_rad) {
    return nw_sky_stars_per_deg2(fmin(magnitude, COUNTED_TO), galactic_latitude_rad);
}

double nw_guide_chance(double expected) {
    return -expm1(-expected);
}
