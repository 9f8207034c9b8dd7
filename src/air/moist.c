/* moist.c - vapour pressure over water and ice, dew and frost points, densities; see air.h.
 * Idea: the Magnus form e = 611.2 Pa exp(a t / (b + t)) can be solved for t, so that a point and
 * its pressure agree to rounding. */
#include <math.h>

#include "air/air.h"

/* WMO-No. 8 (2018), annex 4.B; ranges there. */
struct magnus {
    double a, b_C, low_C, high_C;
};
static const struct magnus WATER = {17.62, 243.12, -45.0, 60.0};
static const struct magnus ICE = {22.46, 272.62, -65.0, 0.01};
static const double AT_ZERO_Pa = 611.2;
static const double R_VAPOUR_J_KG_K = 461.512; /* 1e5 / 216.679: REFERENCES MOI-08 */
static const double R_AIR_J_KG_K = 287.05287;  /* ISO 2533:1975 */

static double saturation_Pa(const struct magnus *m, double temperature_K) {
    const double t = temperature_K - NW_ZERO_CELSIUS_K;
    return t >= m->low_C && t <= m->high_C ? AT_ZERO_Pa * exp(m->a * t / (m->b_C + t)) : NAN;
}

static double point_K(const struct magnus *m, double vapour_Pa) {
    if (!(vapour_Pa > 0.0)) {
        return NAN;
    }
    const double x = log(vapour_Pa / AT_ZERO_Pa);
    const double t = m->b_C * x / (m->a - x);
    return t >= m->low_C && t <= m->high_C ? t + NW_ZERO_CELSIUS_K : NAN;
}

double nw_air_saturation_water_Pa(double temperature_K) {
    return saturation_Pa(&WATER, temperature_K);
}

double nw_air_saturation_ice_Pa(double temperature_K) {
    return saturation_Pa(&ICE, temperature_K);
}

double nw_air_dew_point_K(double vapour_Pa) {
    return point_K(&WATER, vapour_Pa);
}

double nw_air_frost_point_K(double vapour_Pa) {
    return point_K(&ICE, vapour_Pa);
}

double nw_air_wetting_point_K(double vapour_Pa, bool *ret_is_frost) {
    const bool is_frost = vapour_Pa < AT_ZERO_Pa;
    if (ret_is_frost) {
        *ret_is_frost = is_frost;
    }
    return is_frost ? nw_air_frost_point_K(vapour_Pa) : nw_air_dew_point_K(vapour_Pa);
}

double nw_air_saturation_surface_Pa(double temperature_K) {
    return temperature_K < NW_ZERO_CELSIUS_K ? nw_air_saturation_ice_Pa(temperature_K)
                                             : nw_air_saturation_water_Pa(temperature_K);
}

double nw_air_vapour_Pa(double temperature_K, double relative_humidity) {
    return relative_humidity * nw_air_saturation_water_Pa(temperature_K);
}

double nw_air_humidity(double temperature_K, double vapour_Pa) {
    return vapour_Pa / nw_air_saturation_water_Pa(temperature_K);
}

double nw_air_vapour_density_kg_m3(double temperature_K, double vapour_Pa) {
    return vapour_Pa / (R_VAPOUR_J_KG_K * temperature_K);
}

double nw_air_vapour_of_density_Pa(double temperature_K, double density_kg_m3) {
    return density_kg_m3 * R_VAPOUR_J_KG_K * temperature_K;
}

double nw_air_mixing_ratio(double vapour_Pa, double pressure_Pa) {
    return 0.621945 * vapour_Pa / (pressure_Pa - vapour_Pa); /* REFERENCES sec. 10 */
}

double nw_air_latent_J_kg(double temperature_K) {
    const double t = temperature_K - NW_ZERO_CELSIUS_K;
    return t < 0.0 ? 2.834e6 : 2.501e6 - 2361.0 * t;
}

double nw_air_density_kg_m3(double temperature_K, double pressure_Pa) {
    return pressure_Pa / (R_AIR_J_KG_K * temperature_K);
}
