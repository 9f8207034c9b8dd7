/* air.c - airmass, refractivity, refraction and dispersion of the plane-parallel or fitted air.
 * Idea: closed formulas fitted by others, each named where it stands; units of the papers (degrees,
 * hPa, mmHg, micrometres) live inside one function each.
 * Holds: airmass takes *apparent* altitude; everything below the horizon or beyond the range of a
 * formula is NaN, never a clamped value. */
#include "sky/sky.h"

#include <erfa.h>
#include <math.h>

#define PA_PER_MMHG 133.322387415 /* conventional mmHg, 13595.1 kg/m3 * 9.80665 m/s2 * 1 mm */

static double pickering(double altitude_deg) {
    const double corrected_deg = altitude_deg + 244.0 / (165.0 + 47.0 * pow(altitude_deg, 1.1));
    return 1.0 / sin(corrected_deg * NW_RAD_PER_DEG);
}

double nw_sky_airmass(double apparent_altitude_rad) {
    const double altitude_deg = apparent_altitude_rad * NW_DEG_PER_RAD;
    if (!(altitude_deg >= 0.0 && altitude_deg <= 90.0 + 1e-9)) {
        return NAN;
    }
    /* the correction carries the argument past 90 deg within 2.2 arcmin of the zenith: never < 1 */
    return fmax(1.0, pickering(altitude_deg));
}

double nw_sky_airmass_kasten_young(double apparent_altitude_rad) {
    const double altitude_deg = apparent_altitude_rad * NW_DEG_PER_RAD;
    if (!(altitude_deg >= 0.0 && altitude_deg <= 90.0 + 1e-9)) {
        return NAN;
    }
    /* Kasten & Young 1989, Appl. Opt. 28, 4735, eq. 3; 0.9997 at the zenith is the formula's own */
    return 1.0 / (sin(apparent_altitude_rad) + 0.50572 * pow(altitude_deg + 6.07995, -1.6364));
}

double nw_sky_altitude_of_airmass(double airmass) {
    if (!(airmass >= 1.0 && airmass <= 30.0)) {
        return NAN;
    }
    /* pickering falls steadily up to 89.96 deg; halving 52 times reaches 1e-13 deg */
    double low_deg = 0.0;
    double high_deg = 89.96;
    if (airmass <= pickering(high_deg)) {
        return NW_PI / 2.0;
    }
    for (int i = 0; i < 52; i++) {
        const double middle_deg = 0.5 * (low_deg + high_deg);
        if (pickering(middle_deg) > airmass) {
            low_deg = middle_deg;
        } else {
            high_deg = middle_deg;
        }
    }
    return 0.5 * (low_deg + high_deg) * NW_RAD_PER_DEG;
}

double nw_sky_standard_pressure_Pa(double elevation_m) {
    if (!(elevation_m >= -500.0 && elevation_m <= 11000.0)) {
        return NAN;
    }
    /* U.S. Standard Atmosphere 1976, eq. 33a: 101325 Pa, 288.15 K, 6.5 K/km (geopotential height
     * taken as height: 0.1 hPa at 2 km) */
    return 101325.0 * pow(1.0 - 0.0065 * elevation_m / 288.15, 5.255877);
}

double nw_sky_standard_temperature_K(double elevation_m) {
    return elevation_m >= -500.0 && elevation_m <= 11000.0 ? 288.15 - 0.0065 * elevation_m : NAN;
}

/* Vapour pressure over water, WMO-No. 8 (2014) annex 4.B: 6.112 exp(17.62 t/(243.12 + t)) hPa. */
static double vapour_pressure_Pa(const struct nw_air_state *air) {
    const double t_C = air->temperature_K - NW_ZERO_CELSIUS_K;
    return air->relative_humidity * 611.2 * exp(17.62 * t_C / (243.12 + t_C));
}

static bool is_air_sane(const struct nw_air_state *air) {
    return air->pressure_Pa >= 0.0 && air->pressure_Pa < 2e5 && air->temperature_K > 150.0 &&
           air->temperature_K < 350.0 && air->relative_humidity >= 0.0 &&
           air->relative_humidity < 2.0;
}

double nw_sky_refractivity(double wavelength_m, const struct nw_air_state *air) {
    /* 0.2 um: the resonance terms still hold; 20 um: the formula is flat */
    if (!(wavelength_m >= 0.2e-6 && wavelength_m <= 20e-6) || !is_air_sane(air)) {
        return NAN;
    }
    const double s2 = 1e-12 / (wavelength_m * wavelength_m); /* (1/um)^2 */
    const double t_C = air->temperature_K - NW_ZERO_CELSIUS_K;
    const double p_mmHg = air->pressure_Pa / PA_PER_MMHG;
    const double f_mmHg = vapour_pressure_Pa(air) / PA_PER_MMHG;
    /* Filippenko 1982, eq. 1: dry air, 15 degC, 760 mmHg */
    const double standard = 64.328 + 29498.1 / (146.0 - s2) + 255.4 / (41.0 - s2);
    /* eq. 2: other pressure and temperature */
    const double density = p_mmHg * (1.0 + (1.049 - 0.0157 * t_C) * 1e-6 * p_mmHg) /
                           (720.883 * (1.0 + 0.003661 * t_C));
    /* eq. 3: water vapour */
    const double wet = f_mmHg * (0.0624 - 0.000680 * s2) / (1.0 + 0.003661 * t_C);
    return (standard * density - wet) * 1e-6;
}

double nw_sky_dispersion_rad(double zenith_rad, double wavelength_a_m, double wavelength_b_m,
                             const struct nw_air_state *air) {
    if (!(zenith_rad >= 0.0 && zenith_rad <= 80.0 * NW_RAD_PER_DEG)) {
        return NAN;
    }
    const double difference =
        nw_sky_refractivity(wavelength_a_m, air) - nw_sky_refractivity(wavelength_b_m, air);
    return difference * tan(zenith_rad); /* Filippenko 1982, eq. 4 */
}

double nw_sky_refraction_rad(double zenith_rad, double wavelength_m,
                             const struct nw_air_state *air) {
    /* A tan z + B tan^3 z fails beyond 80 deg (it turns negative at 88) */
    if (!(zenith_rad >= 0.0 && zenith_rad <= 80.0 * NW_RAD_PER_DEG + 1e-12) ||
        !(wavelength_m > 0.0) || !is_air_sane(air)) {
        return NAN;
    }
    double a_rad = 0.0;
    double b_rad = 0.0;
    eraRefco(air->pressure_Pa / 100.0, air->temperature_K - NW_ZERO_CELSIUS_K,
             air->relative_humidity, wavelength_m * 1e6, &a_rad, &b_rad);
    const double t = tan(zenith_rad);
    return t * (a_rad + b_rad * t * t);
}
