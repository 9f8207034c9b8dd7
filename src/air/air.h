/* air.h - moist air, the cold of the sky, surfaces, covers, rooms: closed formulas.
 *
 * Idea: every number that damp depends on is one short function with its source beside it; the
 * night (night.h) and the fit (fit.h) are built of these. Temperatures are absolute [K]; relative
 * humidity is a share (0.7) and always over water, as meteorologists use it below 0 degC, too (WMO
 * 2018). What cannot be computed is NaN. The other public headers of the module: night.h, fit.h. */
#ifndef NW_AIR_H
#define NW_AIR_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"

/* ---- Moist air (moist.c) -------------------------------------------------------------------- */

/* Vapour pressure of saturation [Pa] over a plane of water, -45 to 60 degC, or of ice, -65 to 0
 * degC; NaN outside. Magnus form of WMO (2018), Guide to Instruments and Methods of Observation,
 * WMO-No. 8, annex 4.B; within 0.6 % of Sonntag (1990) over the range (test_moist.c). */
double nw_air_saturation_water_Pa(double temperature_K);
double nw_air_saturation_ice_Pa(double temperature_K);
/* Temperature at which vapour of e_Pa is saturated over water: the dew point; over ice: the frost
 * point. The inverse of the above; NaN where that has no range. */
double nw_air_dew_point_K(double vapour_Pa);
double nw_air_frost_point_K(double vapour_Pa);
/* What wets a surface first: the frost point below 0 degC, where ice takes vapour before water
 * does; the dew point above. *ret_is_frost (may be NULL) names it. */
double nw_air_wetting_point_K(double vapour_Pa, bool *ret_is_frost);
/* Saturation over what a surface of that temperature would collect: ice below 0 degC. */
double nw_air_saturation_surface_Pa(double temperature_K);
/* Vapour pressure of air of a temperature and a relative humidity (share, over water), and back. */
double nw_air_vapour_Pa(double temperature_K, double relative_humidity);
double nw_air_humidity(double temperature_K, double vapour_Pa);
/* Density of the vapour [kg/m3]: e / (R_v T), 216.679 e[hPa]/T g/m3; and back. */
double nw_air_vapour_density_kg_m3(double temperature_K, double vapour_Pa);
double nw_air_vapour_of_density_Pa(double temperature_K, double density_kg_m3);
/* kg of vapour to a kg of dry air: 0.621945 e / (p - e). */
double nw_air_mixing_ratio(double vapour_Pa, double pressure_Pa);
/* Heat that condensing gives and evaporating takes [J/kg]: 2501 - 2.361 t kJ/kg over water
 * (REFERENCES MOI-20); 2834 kJ/kg below 0 degC (sublimation; from memory). */
double nw_air_latent_J_kg(double temperature_K);
/* Density of air [kg/m3], vapour neglected: p / (287.05 T) (ISO 2533:1975). */
double nw_air_density_kg_m3(double temperature_K, double pressure_Pa);

/* ---- The sky (sky.c) ------------------------------------------------------------------------ */

/* Emissivity of the clear sky from the air at the ground. word, source */
#define NW_AIR_SKY_LIST(X)                                                                         \
    X(BERDAHL_MARTIN, "berdahl-martin", "Berdahl & Martin 1984, Sol. Energy 32, 663")              \
    X(CLARK_ALLEN, "clark-allen", "Clark & Allen 1978")                                            \
    X(BRUNT, "brunt", "Brunt's form, 0.618 + 0.056 sqrt(e/hPa)")                                   \
    X(BERGER, "berger", "Berger et al. 1984, 0.770 + 0.0038 t_d")                                  \
    X(RECALIBRATED, "recalibrated", "Martin-Berdahl form, recalibrated (0.758, 0.521, 0.625)")
enum nw_air_sky {
#define X(name, word, source) NW_AIR_SKY_##name,
    NW_AIR_SKY_LIST(X)
#undef X
        NW_AIR_SKY_N
};
#define NW_AIR_SKY_BAR(name, word, source) word "|"
const char *nw_air_sky_word(enum nw_air_sky sky);
const char *nw_air_sky_source(enum nw_air_sky sky);
/* By word; NW_AIR_SKY_N when there is none. */
enum nw_air_sky nw_air_sky_of(const char *word);
/* cloud: share of the sky covered, 0 to 1, low cloud: Clark & Allen 1978, 1 + 0.0224 n - 0.0035 n^2
 * + 0.00028 n^3, n in tenths (from memory), at most 1 in all. */
double nw_air_sky_emissivity(enum nw_air_sky sky, double dew_point_K, double cloud);
/* T e^(1/4): the black body that shines as the sky does. */
double nw_air_sky_temperature_K(double air_K, double emissivity);

/* ---- Surfaces (surface.c) ------------------------------------------------------------------- */

/* Heat exchange with the air [W/m2/K]. Still: 1.32 (dT/L)^(1/4), horizontal plate (REFERENCES
 * MOI-18), at least 1.5; in wind 5.7 + 3.8 v (McAdams 1954, to 5 m/s; from memory); the larger. */
double nw_air_exchange_W_m2_K(double difference_K, double length_m, double wind_m_s);
/* Vertical plate in still air, all Rayleigh numbers (Churchill & Chu 1975): the Nusselt number. */
double nw_air_nusselt_vertical(double rayleigh, double prandtl);

/* What a surface sees and loses; all of one square metre. */
struct nw_air_face {
    double emissivity;      /* of the surface in the thermal infrared */
    double sky_share;       /* of what it sees, 0 to 1; the rest has surroundings_K */
    double sky_K, air_K;    /* sky_K: nw_air_sky_temperature_K */
    double surroundings_K;  /* ground, walls, roof */
    double exchange_W_m2_K; /* with the air */
};
/* Heat that the surface takes up from all of it [W/m2] at T. */
double nw_air_face_gain_W_m2(const struct nw_air_face *face, double temperature_K);
/* Where the gain and `heat_W_m2` of a heater balance: the temperature it tends to [K] (Newton). */
double nw_air_face_balance_K(const struct nw_air_face *face, double heat_W_m2);
/* Heat that holds it at T [W/m2]; negative: it stays warmer by itself. */
double nw_air_face_hold_W_m2(const struct nw_air_face *face, double temperature_K);
/* Water that settles [kg/m2/s] (+) or could leave (-) at T: heat exchange over c_p Le^(2/3) times
 * the difference of mixing ratios (Chilton & Colburn 1934; Lewis number 0.87, from memory). */
double nw_air_face_wetting_kg_m2_s(double exchange_W_m2_K, double surface_K, double vapour_Pa,
                                   double pressure_Pa);
#define NW_AIR_HEAT_J_KG_K 1006.0 /* c_p of dry air, ISO 2533:1975 */

#endif
