/* surface.c - one square metre of lens, tube, cover or roof: radiation, air, water; see air.h.
 * Idea: everything is a flow [W/m2 or kg/m2/s] at a temperature; equilibria are its zeros. */
#include <math.h>

#include "air/air.h"

static const double STEFAN_BOLTZMANN_W_m2_K4 = 5.670374419e-8; /* CODATA 2018 */
static const double LEWIS_2_3 = 0.911; /* 0.87^(2/3): Incropera ch. 6, vapour in air; from memory */
#define STILL_W_m2_K 1.5 /* least that conduction and breaths of air leave (common practice) */

double nw_air_exchange_W_m2_K(double difference_K, double length_m, double wind_m_s) {
    const double still = 1.32 * pow(fabs(difference_K) / length_m, 0.25);
    const double windy = wind_m_s > 0.0 ? 5.7 + 3.8 * wind_m_s : 0.0;
    return fmax(fmax(still, windy), STILL_W_m2_K);
}

double nw_air_nusselt_vertical(double rayleigh, double prandtl) {
    const double f = pow(1.0 + pow(0.492 / prandtl, 9.0 / 16.0), 8.0 / 27.0);
    const double root = 0.825 + 0.387 * pow(rayleigh, 1.0 / 6.0) / f;
    return root * root;
}

static double fourth(double x) {
    return x * x * x * x;
}

double nw_air_face_gain_W_m2(const struct nw_air_face *face, double temperature_K) {
    const double seen = face->sky_share * fourth(face->sky_K) +
                        (1.0 - face->sky_share) * fourth(face->surroundings_K);
    return face->emissivity * STEFAN_BOLTZMANN_W_m2_K4 * (seen - fourth(temperature_K)) +
           face->exchange_W_m2_K * (face->air_K - temperature_K);
}

double nw_air_face_balance_K(const struct nw_air_face *face, double heat_W_m2) {
    double t = face->air_K;
    for (int i = 0; i < 50; i++) { /* concave and steep: Newton from the air's temperature */
        const double slope =
            4.0 * face->emissivity * STEFAN_BOLTZMANN_W_m2_K4 * t * t * t + face->exchange_W_m2_K;
        const double step = (nw_air_face_gain_W_m2(face, t) + heat_W_m2) / slope;
        t += step;
        if (!(fabs(step) > 1e-10)) {
            break;
        }
    }
    return t;
}

double nw_air_face_hold_W_m2(const struct nw_air_face *face, double temperature_K) {
    return -nw_air_face_gain_W_m2(face, temperature_K);
}

double nw_air_face_wetting_kg_m2_s(double exchange_W_m2_K, double surface_K, double vapour_Pa,
                                   double pressure_Pa) {
    const double at_surface_Pa = nw_air_saturation_surface_Pa(surface_K);
    return exchange_W_m2_K / (NW_AIR_HEAT_J_KG_K * LEWIS_2_3) *
           (nw_air_mixing_ratio(vapour_Pa, pressure_Pa) -
            nw_air_mixing_ratio(at_surface_Pa, pressure_Pa));
}
