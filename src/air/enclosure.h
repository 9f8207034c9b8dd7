/* enclosure.h - covers, rooms, heaters and dryers: what their power can pay for. The second public
 * header of air, whose conventions it shares (air.h).
 *
 * Idea: heat that comes in must go out through cloth, walls and gaps; water that is dried out must
 * be paid for with energy. Claims that the power cannot pay for are refused, with the reason and
 * with what is possible (first law; OBSERVABILITY 16). */
#ifndef NW_AIR_ENCLOSURE_H
#define NW_AIR_ENCLOSURE_H

#include "air/air.h"

/* Where a wall stands: its two films of air, in m2 K/W (ISO 6946: inner 0.13, outer 0.04 in wind;
 * from memory). Under a roof the outer film is one more inner film. */
#define NW_AIR_FILMS_OPEN 0.17
#define NW_AIR_FILMS_SHELTERED 0.26

struct nw_air_range {
    double low, high;
};

/* A box that is warmed and dried: a cover with what stands under it, or the room. */
struct nw_air_box {
    double area_m2, insulation_m2_K_W; /* of its skin, films not counted */
    double films_m2_K_W;
    double volume_m3, air_changes_per_s;
};
/* Heat lost per kelvin [W/K]: skin, and air that leaks. pressure and temperature: of that air. */
double nw_air_box_loss_W_K(const struct nw_air_box *box, double temperature_K, double pressure_Pa);
/* Kelvin above the surroundings that a heater holds for good: P / loss. */
double nw_air_box_rise_K(const struct nw_air_box *box, double power_W, double temperature_K,
                         double pressure_Pa);
/* Insulation of the skin with which `power_W` holds that rise [m2 K/W]; 0: bare cloth will do; NaN:
 * what leaks takes it all. */
double nw_air_box_insulation_for(const struct nw_air_box *box, double power_W, double rise_K,
                                 double temperature_K, double pressure_Pa);
/* Water that leaks in [kg/s] while it is drier inside than outside. */
double nw_air_box_leak_kg_s(const struct nw_air_box *box, double outside_kg_m3,
                            double inside_kg_m3);
/* Time [s] a dryer needs from one density of vapour to another: the air of the box and what its
 * walls give off, `buffer_kg` from 0 to 100 % of humidity, against what leaks in. INFINITY: it
 * never gets there. 0: it is there. saturation: of vapour at the temperature of the box. */
struct nw_air_drying {
    double buffer_kg, saturation_kg_m3;
    double outside_kg_m3, from_kg_m3, to_kg_m3;
    double dryer_kg_s;
};
double nw_air_box_drying_s(const struct nw_air_box *box, const struct nw_air_drying *drying);

/* ---- Claims --------------------------------------------------------------------------------- */

/* Dryers. Desiccant: water is driven out of the wheel or bed by heat: 4.8 to 8.3 kJ/g measured
 * (REFERENCES sec. 10), never below the latent heat. Compressor: a cold coil, no part of the latent
 * heat is paid for, but a cold coil has its own bound (Carnot), and frost stops it. */
enum nw_air_dryer { NW_AIR_DESICCANT, NW_AIR_COMPRESSOR };
struct nw_air_range nw_air_dryer_J_kg(enum nw_air_dryer kind); /* as built */

#define NW_AIR_VERDICT_LIST(X)                                                                     \
    X(POSSIBLE, "possible")                                                                        \
    X(DOUBTFUL, "doubtful") /* no law against it, but beyond what such things do */                \
    X(REFUSED, "refused")   /* the power cannot pay for it */
enum nw_air_verdict {
#define X(name, word) NW_AIR_##name,
    NW_AIR_VERDICT_LIST(X)
#undef X
};
const char *nw_air_verdict_word(enum nw_air_verdict verdict);

struct nw_air_claim {
    enum nw_air_verdict verdict;
    double claimed;
    struct nw_air_range possible; /* what this power gives, in the unit of the claim */
    double bound;                 /* what no device can go beyond; NaN: none */
    char reason[320];             /* one sentence, with the numbers */
};
/* A drying rate [kg/s] from a power, air at that temperature and humidity. DOMAIN: power or rate
 * not > 0. */
enum nw_status nw_air_judge_drying(enum nw_air_dryer kind, double power_W, double claimed_kg_s,
                                   double temperature_K, struct nw_air_claim *ret,
                                   struct nw_err *err) NW_CHECKED;
/* A lowest temperature of work [K]: a bed of desiccant has none above 0 degC; a cold coil runs some
 * 8 K below the air and ices under 0 degC (common practice, no source). */
void nw_air_judge_cold(enum nw_air_dryer kind, double claimed_K, struct nw_air_claim *ret);
/* A rise [K] under a cover or in a room, held by a heater; films from sheltered to open. */
enum nw_status nw_air_judge_rise(const struct nw_air_box *box, double power_W, double claimed_K,
                                 double temperature_K, double pressure_Pa, struct nw_air_claim *ret,
                                 struct nw_err *err) NW_CHECKED;
/* Warming something of a heat capacity by `claimed_K` within a time: C dT <= P t. */
enum nw_status nw_air_judge_warming(double power_W, double capacity_J_K, double claimed_K,
                                    double time_s, struct nw_air_claim *ret,
                                    struct nw_err *err) NW_CHECKED;

#endif
