/* model.h - lens, tube, cover and room through a night: heat and water in balance, integrated. A
 * public header of air.
 *
 * Idea: one temperature and one film of water for every surface, one temperature and one density of
 * vapour for the room and for what is under the cover; first-order balances of heat and water
 * between them, the weather and the sky, integrated by an adaptive Runge-Kutta of order 4(5)
 * (Fehlberg 1969; gsl_odeiv2). Left out, with what it means: gradients inside glass (a front lens
 * of 115 mm: 0.3 K), the heat of the surfaces on the room's air, the Sun. */
#ifndef NW_AIR_MODEL_H
#define NW_AIR_MODEL_H

#include "air/enclosure.h"
#include "air/log.h"

#define NW_AIR_MAX_SURFACES 12

/* What the integration needs of a rig; made by nw_air_model_of, or by hand in tests. */
struct nw_air_part {
    double area_m2, capacity_J_K, emissivity, sky_share, wind_share;
    double strap_W, strap_share;
    double length_m; /* of the plate that the air passes */
};
struct nw_air_model {
    struct nw_air_part parts[NW_AIR_MAX_SURFACES];
    size_t n_parts;
    bool has_room, has_cover;
    struct nw_air_box room, cover;
    double open_air_changes_per_s, room_capacity_J_K, buffer_kg, room_heater_W;
    double cover_capacity_J_K, cover_heater_W;
    bool is_cover_open; /* stands in the wind */
    double dryer_kg_s, dryer_target;
    enum nw_air_sky sky;
};
/* LIMIT: more surfaces than NW_AIR_MAX_SURFACES. NOTFOUND: the rig says nothing about damp. */
enum nw_status nw_air_model_of(const struct nw_rig *rig, struct nw_air_model *ret,
                               struct nw_err *err) NW_CHECKED;

/* Temperatures [K], vapour [kg/m3], water on surfaces [kg/m2], at one time. */
struct nw_air_heat_state {
    double t_s;
    double room_K, room_kg_m3, cover_K, cover_kg_m3;
    double part_K[NW_AIR_MAX_SURFACES], water_kg_m2[NW_AIR_MAX_SURFACES];
};
/* A stretch of the night in which nothing is switched. */
struct nw_air_phase {
    double end_s;
    bool is_roof_open, is_covered, has_straps, has_heater, has_dryer;
};
/* What surrounds a part at a state: the air it meets and what it sees. vapour: of that air. */
struct nw_air_around {
    struct nw_air_face face;
    double vapour_Pa, wetting_K;
    bool is_frost;
};
struct nw_air_around nw_air_around_part(const struct nw_air_model *model,
                                        const struct nw_air_log *log,
                                        const struct nw_air_phase *phase,
                                        const struct nw_air_heat_state *state, size_t part);

/* All in balance with the weather of a moment, room and cover `warmer_K` warmer than the air, with
 * the air's vapour, surfaces dry and as warm as the room. */
struct nw_air_heat_state nw_air_start(const struct nw_air_model *model,
                                      const struct nw_air_log *log, double t_s, double warmer_K);
/* Who is told of the states on the way, every step_s and at the end of a phase. */
struct nw_air_listener {
    double step_s;
    void (*hear)(void *context, const struct nw_air_phase *phase,
                 const struct nw_air_heat_state *state);
    void *context;
};
/* Integrates `state` to phase->end_s; listener NULL: only the end is wanted.
 * DATA: the numbers ran away (weather outside the range of the formulas). Accuracy: 1e-3 K against
 * another solver (tests/reference/test_air.py). */
enum nw_status nw_air_run(const struct nw_air_model *model, const struct nw_air_log *log,
                          const struct nw_air_phase *phase, struct nw_air_heat_state *state,
                          const struct nw_air_listener *listener, struct nw_err *err) NW_CHECKED;

#endif
