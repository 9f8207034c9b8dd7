/* model.c - the balances of heat and water, and their integration; see model.h.
 * Idea: the state is one vector: room K, room g/m3, cover K, cover g/m3, then K and g/m2 of every
 * surface. Grams keep all entries within a few powers of ten, so that one absolute tolerance fits.
 * gsl reports success for a right-hand side that is not a number: looked at after every step. */
#include <gsl/gsl_errno.h>
#include <gsl/gsl_odeiv2.h>
#include <math.h>

#include "air/model.h"

#define G 1e3 /* grams in a kilogram */
#define EVAPORATES_BELOW_g_m2                                                                      \
    1.0                 /* the last gram dries ever slower: droplets shrink (numerics)             \
                         */
#define FOG_s 300.0     /* vapour above saturation settles on walls within minutes */
#define DRYER_BAND 0.02 /* of humidity, in which a hygrostat fades out (numerics) */
#define TOLERANCE 1e-5  /* K, g/m3, g/m2 */
enum { ROOM_K, ROOM_G, COVER_K, COVER_G, PARTS, N_STATE = PARTS + 2 * NW_AIR_MAX_SURFACES };

struct system {
    const struct nw_air_model *model;
    const struct nw_air_log *log;
    const struct nw_air_phase *phase;
};

static double clamp01(double x) {
    return fmin(1.0, fmax(0.0, x));
}

enum nw_status nw_air_model_of(const struct nw_rig *rig, struct nw_air_model *ret,
                               struct nw_err *err) {
    const struct nw_damp *const d = &rig->damp;
    if (!d->is_there || d->n_surfaces + d->cover.is_there + d->room.is_there == 0) {
        return nw_err_set(err, NW_NOTFOUND,
                          "%s: nothing is said of surfaces, cover or room (nightwright rig --keys)",
                          rig->path ? rig->path : rig->name);
    }
    if (d->n_surfaces > NW_AIR_MAX_SURFACES) {
        return nw_err_set(err, NW_LIMIT, "%zu surfaces, at most %d are followed", d->n_surfaces,
                          NW_AIR_MAX_SURFACES);
    }
    struct nw_air_model m = {.n_parts = d->n_surfaces,
                             .has_room = d->room.is_there,
                             .has_cover = d->cover.is_there,
                             .sky = nw_air_sky_of(d->sky)};
    for (size_t i = 0; i < m.n_parts; i++) {
        const struct nw_dew_surface *const s = &d->surfaces[i];
        m.parts[i] = (struct nw_air_part){s->area_m2.v,     s->heat_capacity_J_K.v, s->emissivity.v,
                                          s->sky_share.v,   s->wind_share.v,        s->strap_W.v,
                                          s->strap_share.v, sqrt(s->area_m2.v)};
    }
    if (m.has_room) {
        const struct nw_room *const r = &d->room;
        m.room = (struct nw_air_box){r->area_m2.v, r->insulation_m2_K_W.v, NW_AIR_FILMS_OPEN,
                                     r->volume_m3.v, r->air_changes_per_s.v};
        m.open_air_changes_per_s = r->open_air_changes_per_s.v;
        m.room_capacity_J_K = r->heat_capacity_J_K.v;
        m.buffer_kg = r->water_buffer_kg.v;
        m.room_heater_W = r->heater_W.v;
    }
    if (m.has_cover) {
        const struct nw_cover *const c = &d->cover;
        m.is_cover_open = c->stands[0] == 'o' || !m.has_room;
        m.cover = (struct nw_air_box){c->area_m2.v, c->insulation_m2_K_W.v,
                                      m.is_cover_open ? NW_AIR_FILMS_OPEN : NW_AIR_FILMS_SHELTERED,
                                      c->volume_m3.v, c->air_changes_per_s.v};
        m.cover_capacity_J_K = c->heat_capacity_J_K.v;
        m.cover_heater_W = c->heater_W.v;
    }
    if (d->dryer.is_there) {
        m.dryer_kg_s = d->dryer.power_W.v / d->dryer.energy_J_kg.v;
        m.dryer_target = d->dryer.target_humidity.v;
    }
    *ret = m;
    return NW_OK;
}

struct nw_air_around nw_air_around_part(const struct nw_air_model *model,
                                        const struct nw_air_log *log,
                                        const struct nw_air_phase *phase,
                                        const struct nw_air_heat_state *state, size_t part) {
    const struct nw_air_part *const p = &model->parts[part];
    const struct nw_air_weather w = nw_air_log_weather(log, state->t_s);
    const bool is_outside = phase->is_roof_open || !model->has_room;
    const double dew_K = nw_air_dew_point_K(w.vapour_Pa);
    struct nw_air_around a = {.face = {.emissivity = p->emissivity}};
    struct nw_air_face *const f = &a.face;
    f->air_K = is_outside ? w.air_K : state->room_K;
    a.vapour_Pa =
        is_outside ? w.vapour_Pa : nw_air_vapour_of_density_Pa(state->room_K, state->room_kg_m3);
    f->surroundings_K = model->has_room ? state->room_K : w.air_K;
    f->sky_share = is_outside ? p->sky_share : 0.0;
    f->sky_K = nw_air_sky_temperature_K(w.air_K, nw_air_sky_emissivity(model->sky, dew_K, w.cloud));
    double wind_m_s = is_outside ? p->wind_share * w.wind_m_s : 0.0;
    if (phase->is_covered && model->has_cover) {
        f->air_K = f->surroundings_K = state->cover_K;
        a.vapour_Pa = nw_air_vapour_of_density_Pa(state->cover_K, state->cover_kg_m3);
        f->sky_share = wind_m_s = 0.0;
    }
    /* what is felt of the wind adds to still air in the cube (mixed convection, Incropera ch. 9) */
    const double still = nw_air_exchange_W_m2_K(state->part_K[part] - f->air_K, p->length_m, 0.0);
    const double windy = 3.8 * wind_m_s;
    f->exchange_W_m2_K = cbrt(still * still * still + windy * windy * windy);
    a.wetting_K = nw_air_wetting_point_K(a.vapour_Pa, &a.is_frost);
    return a;
}

/* ---- Right-hand side ------------------------------------------------------------------------ */

static void unpack(const double *y, double t_s, size_t n_parts, struct nw_air_heat_state *ret) {
    *ret = (struct nw_air_heat_state){.t_s = t_s,
                                      .room_K = y[ROOM_K],
                                      .room_kg_m3 = y[ROOM_G] / G,
                                      .cover_K = y[COVER_K],
                                      .cover_kg_m3 = y[COVER_G] / G};
    for (size_t i = 0; i < n_parts; i++) {
        ret->part_K[i] = y[PARTS + 2 * i];
        ret->water_kg_m2[i] = y[PARTS + 2 * i + 1] / G;
    }
}

static void pack(const struct nw_air_heat_state *s, double *y) {
    memset(y, 0, N_STATE * sizeof *y);
    y[ROOM_K] = s->room_K;
    y[ROOM_G] = s->room_kg_m3 * G;
    y[COVER_K] = s->cover_K;
    y[COVER_G] = s->cover_kg_m3 * G;
    for (int i = 0; i < NW_AIR_MAX_SURFACES; i++) {
        y[PARTS + 2 * i] = s->part_K[i];
        y[PARTS + 2 * i + 1] = s->water_kg_m2[i] * G;
    }
}

/* Room: (V + B/rho_s) drho/dt = n V (rho_out - rho) - dryer + what a warming wall gives off, B rho
 * d(ln rho_s)/dT dT/dt / rho_s; d ln rho_s/dT = L/(R_v T^2) - 1/T (Clausius and Clapeyron). */
static void room_rates(const struct system *sys, const struct nw_air_heat_state *s,
                       const struct nw_air_weather *w, double *rate) {
    const struct nw_air_model *const m = sys->model;
    struct nw_air_box box = m->room;
    if (sys->phase->is_roof_open) {
        box.air_changes_per_s = m->open_air_changes_per_s;
    }
    const double loss_W_K = nw_air_box_loss_W_K(&box, w->air_K, w->pressure_Pa);
    const double heater_W = sys->phase->is_roof_open ? 0.0 : m->room_heater_W;
    rate[ROOM_K] = (heater_W + loss_W_K * (w->air_K - s->room_K)) / m->room_capacity_J_K;
    const double saturation =
        nw_air_vapour_density_kg_m3(s->room_K, nw_air_saturation_water_Pa(s->room_K));
    const double outside = nw_air_vapour_density_kg_m3(w->air_K, w->vapour_Pa);
    const double steep =
        nw_air_latent_J_kg(s->room_K) / (461.512 * s->room_K * s->room_K) - 1.0 / s->room_K;
    const double room_m3 = box.volume_m3 + m->buffer_kg / saturation;
    const double humidity = s->room_kg_m3 / saturation;
    const double dryer = sys->phase->has_dryer
                             ? m->dryer_kg_s * clamp01((humidity - m->dryer_target) / DRYER_BAND)
                             : 0.0;
    const double in = nw_air_box_leak_kg_s(&box, outside, s->room_kg_m3) - dryer +
                      m->buffer_kg * humidity * steep * rate[ROOM_K];
    rate[ROOM_G] = G * (in / room_m3 - fmax(0.0, s->room_kg_m3 - saturation) / FOG_s);
}

static double part_rates(const struct system *sys, const struct nw_air_heat_state *s,
                         const struct nw_air_weather *w, size_t i, double *rate) {
    const struct nw_air_part *const p = &sys->model->parts[i];
    const struct nw_air_around a = nw_air_around_part(sys->model, sys->log, sys->phase, s, i);
    double wetting = nw_air_face_wetting_kg_m2_s(a.face.exchange_W_m2_K, s->part_K[i], a.vapour_Pa,
                                                 w->pressure_Pa);
    if (wetting < 0.0) {
        wetting *= clamp01(s->water_kg_m2[i] * G / EVAPORATES_BELOW_g_m2);
    }
    const double strap_W = sys->phase->has_straps ? p->strap_W * p->strap_share : 0.0;
    const double gain_W = p->area_m2 * (nw_air_face_gain_W_m2(&a.face, s->part_K[i]) +
                                        wetting * nw_air_latent_J_kg(s->part_K[i])) +
                          strap_W;
    rate[PARTS + 2 * i] = gain_W / p->capacity_J_K;
    rate[PARTS + 2 * i + 1] = G * wetting;
    return p->area_m2 * a.face.exchange_W_m2_K * (s->part_K[i] - a.face.air_K);
}

/* What stands round the cover: the room, or the open sky that cools its outer side. */
static double around_cover_K(const struct system *sys, const struct nw_air_heat_state *s,
                             const struct nw_air_weather *w) {
    if (!sys->model->is_cover_open) {
        return s->room_K;
    }
    const struct nw_air_face skin = {
        .emissivity = 0.9,
        .sky_share = 0.5,
        .sky_K = nw_air_sky_temperature_K(
            w->air_K,
            nw_air_sky_emissivity(sys->model->sky, nw_air_dew_point_K(w->vapour_Pa), w->cloud)),
        .air_K = w->air_K,
        .surroundings_K = w->air_K,
        .exchange_W_m2_K = nw_air_exchange_W_m2_K(1.0, 1.0, w->wind_m_s)};
    return nw_air_face_balance_K(&skin, 0.0);
}

static void cover_rates(const struct system *sys, const struct nw_air_heat_state *s,
                        const struct nw_air_weather *w, double from_parts_W, double *rate) {
    const struct nw_air_model *const m = sys->model;
    const double out_K = around_cover_K(sys, s, w);
    const double heater_W = sys->phase->has_heater ? m->cover_heater_W : 0.0;
    const double loss_W_K = nw_air_box_loss_W_K(&m->cover, out_K, w->pressure_Pa);
    rate[COVER_K] =
        (heater_W + from_parts_W + loss_W_K * (out_K - s->cover_K)) / m->cover_capacity_J_K;
    const double outside =
        m->has_room ? s->room_kg_m3 : nw_air_vapour_density_kg_m3(w->air_K, w->vapour_Pa);
    double settles = 0.0;
    for (size_t i = 0; i < m->n_parts; i++) {
        settles += rate[PARTS + 2 * i + 1] / G * m->parts[i].area_m2;
    }
    rate[COVER_G] = G * (nw_air_box_leak_kg_s(&m->cover, outside, s->cover_kg_m3) - settles) /
                    m->cover.volume_m3;
}

static int derivative(double t_s, const double y[], double rate[], void *params) {
    const struct system *const sys = params;
    const struct nw_air_model *const m = sys->model;
    const struct nw_air_weather w = nw_air_log_weather(sys->log, t_s);
    struct nw_air_heat_state s;
    unpack(y, t_s, m->n_parts, &s);
    memset(rate, 0, N_STATE * sizeof *rate);
    if (m->has_room) {
        room_rates(sys, &s, &w, rate);
    }
    double from_parts_W = 0.0;
    for (size_t i = 0; i < m->n_parts; i++) {
        from_parts_W += part_rates(sys, &s, &w, i, rate);
    }
    if (m->has_cover && sys->phase->is_covered) {
        cover_rates(sys, &s, &w, from_parts_W, rate);
    }
    return GSL_SUCCESS;
}

/* ---- The run -------------------------------------------------------------------------------- */

struct nw_air_heat_state nw_air_start(const struct nw_air_model *model,
                                      const struct nw_air_log *log, double t_s, double warmer_K) {
    const struct nw_air_weather w = nw_air_log_weather(log, t_s);
    struct nw_air_heat_state s = {.t_s = t_s, .room_K = w.air_K + warmer_K};
    s.room_kg_m3 = nw_air_vapour_density_kg_m3(w.air_K, w.vapour_Pa);
    s.cover_K = s.room_K;
    s.cover_kg_m3 = s.room_kg_m3;
    for (size_t i = 0; i < model->n_parts; i++) {
        s.part_K[i] = s.room_K;
    }
    return s;
}

enum nw_status nw_air_run(const struct nw_air_model *model, const struct nw_air_log *log,
                          const struct nw_air_phase *phase, struct nw_air_heat_state *state,
                          const struct nw_air_listener *listener, struct nw_err *err) {
    const double step_s = listener ? listener->step_s : 3600.0;
    struct system sys = {model, log, phase};
    const gsl_odeiv2_system ode = {derivative, NULL, N_STATE, &sys};
    double y[N_STATE];
    double t_s = state->t_s;
    if (!phase->is_covered) { /* what hangs there is as the room; it is put on at once */
        state->cover_K = state->room_K;
        state->cover_kg_m3 = state->room_kg_m3;
    }
    gsl_odeiv2_driver *const driver =
        gsl_odeiv2_driver_alloc_y_new(&ode, gsl_odeiv2_step_rkf45, 10.0, TOLERANCE, 0.0);
    if (!driver) {
        return nw_err_set(err, NW_NOMEM, "integration of the night");
    }
    enum nw_status status = NW_OK;
    pack(state, y);
    while (t_s < phase->end_s && status == NW_OK) {
        const double to_s = fmin(t_s + step_s, phase->end_s);
        bool is_finite = gsl_odeiv2_driver_apply(driver, &t_s, to_s, y) == GSL_SUCCESS;
        for (int i = 0; i < N_STATE; i++) {
            is_finite = is_finite && isfinite(y[i]);
        }
        if (!is_finite) {
            char at[40];
            nw_time_write_iso(t_s, 0, at, sizeof at);
            status = nw_err_set(err, NW_DATA,
                                "the balances have no solution at %s: weather or heat out of the "
                                "range of the formulas (-45 to 60 degC)",
                                at);
            break;
        }
        unpack(y, t_s, model->n_parts, state);
        if (!phase->is_covered) {
            state->cover_K = state->room_K;
            state->cover_kg_m3 = state->room_kg_m3;
        }
        if (listener) {
            listener->hear(listener->context, phase, state);
        }
    }
    gsl_odeiv2_driver_free(driver);
    return status;
}
