/* close.c - when to close, when all is dry, what cover, heater and dryer then do; see night.h.
 * Holds: nothing is covered while a surface carries water or is at its dew point. */
#include <math.h>

#include "air/night_internal.h"

#define DRY_kg_m2 1e-5 /* 0.01 g/m2: a film of 10 nm, no longer seen (common practice) */

static bool is_dry(const struct nw_air_model *model, const struct nw_air_night_record *r) {
    for (size_t i = 0; i < model->n_parts; i++) {
        if (r->state.water_kg_m2[i] > DRY_kg_m2) {
            return false;
        }
    }
    return air_night_is_safe(model, r);
}

void air_night_choose_closing(struct air_desk *desk) {
    struct nw_air_night *const night = desk->night;
    night->close_s = desk->times->dawn_s;
    night->wet_part = night->model.n_parts;
    for (size_t i = 0; i < night->model.n_parts; i++) {
        const bool is_lens = desk->rig->damp.surfaces[i].kind[0] == 'l';
        if (is_lens && night->parts[i].strapped_wets_s < night->close_s) {
            night->close_s = night->parts[i].strapped_wets_s;
            night->wet_part = i;
        }
    }
}

/* Watts under the cover that keep the margin, the air in there as damp as that of the room; 0:
 * none.
 */
static void judge_cover(struct air_desk *desk, size_t from) {
    struct nw_air_night *const night = desk->night;
    const struct nw_air_model *const m = &night->model;
    double lacking_K = 0.0;
    night->cover_margin_K = INFINITY;
    for (size_t k = from; k < desk->tape.n; k++) {
        const struct nw_air_night_record *const r = &desk->tape.items[k];
        const double out_K = m->has_room ? r->state.room_K : r->weather.air_K;
        const double vapour_Pa = m->has_room
                                     ? nw_air_vapour_of_density_Pa(out_K, r->state.room_kg_m3)
                                     : r->weather.vapour_Pa;
        lacking_K = fmax(lacking_K, nw_air_wetting_point_K(vapour_Pa, NULL) +
                                        desk->rig->damp.margin_K.v - out_K);
        for (size_t i = 0; i < m->n_parts; i++) {
            night->cover_margin_K = fmin(night->cover_margin_K, air_night_margin_K(r, i));
        }
    }
    const struct nw_air_night_record *const r = &desk->tape.items[from];
    night->cover_loss_W_K =
        nw_air_box_loss_W_K(&m->cover, r->weather.air_K, r->weather.pressure_Pa);
    night->cover_rise_K = m->cover_heater_W / night->cover_loss_W_K;
    night->cover_needed_W = lacking_K * night->cover_loss_W_K;
}

static double humidity_in(const struct nw_air_heat_state *s) {
    return s->room_kg_m3 /
           nw_air_vapour_density_kg_m3(s->room_K, nw_air_saturation_water_Pa(s->room_K));
}

static void judge_room(struct air_desk *desk, size_t from) {
    struct nw_air_night *const night = desk->night;
    const struct nw_air_model *const m = &night->model;
    const struct nw_air_night_record *const first = &desk->tape.items[from];
    double leaked_kg = 0.0;
    night->room_air_water_kg = m->room.volume_m3 * first->state.room_kg_m3;
    night->room_wall_water_kg = m->buffer_kg * humidity_in(&first->state);
    night->dryer_target_s = NAN;
    for (size_t k = from; k < desk->tape.n; k++) {
        const struct nw_air_night_record *const r = &desk->tape.items[k];
        const double outside = nw_air_vapour_density_kg_m3(r->weather.air_K, r->weather.vapour_Pa);
        leaked_kg += NW_AIR_STEP_S * nw_air_box_leak_kg_s(&m->room, outside, r->state.room_kg_m3);
        const double over = humidity_in(&r->state) - m->dryer_target;
        night->dryer_on_s += NW_AIR_STEP_S * fmin(1.0, fmax(0.0, over / 0.02));
        if (over <= 0.02 && isnan(night->dryer_target_s)) {
            night->dryer_target_s = r->state.t_s - night->close_s;
        }
    }
    const struct nw_air_night_record *const last = &desk->tape.items[desk->tape.n - 1];
    night->leak_kg_s = leaked_kg / fmax(1.0, last->state.t_s - first->state.t_s);
    night->dryer_kg_s = m->dryer_kg_s;
    night->room_humidity_end = humidity_in(&last->state);
}

/* Closed and uncovered, straps on, until everything is dry; then covered. From the state at
 * closing, the tape goes on. */
enum nw_status air_night_close(struct air_desk *desk, struct nw_air_heat_state state) {
    struct nw_air_night *const night = desk->night;
    const struct nw_air_model *const m = &night->model;
    const bool has_dryer = m->dryer_kg_s > 0.0;
    const size_t closed_at = desk->tape.n - 1;
    enum nw_status status = NW_OK;
    night->cover_s = NAN;
    struct nw_air_heat_state undried = state;
    while (state.t_s < desk->times->end_s - 1.0 && status == NW_OK && isnan(night->cover_s)) {
        const struct nw_air_phase open_to_dry = {
            .end_s = fmin(state.t_s + NW_AIR_STEP_S, desk->times->end_s),
            .has_straps = true,
            .has_dryer = has_dryer};
        status = air_night_run(desk, m, desk->log, &open_to_dry, &state);
        if (status == NW_OK && is_dry(m, &desk->tape.items[desk->tape.n - 1])) {
            night->cover_s = state.t_s;
        }
    }
    const size_t covered_at = desk->tape.n - 1;
    if (status == NW_OK && isfinite(night->cover_s) && state.t_s < desk->times->end_s) {
        const struct nw_air_phase covered = {.end_s = desk->times->end_s,
                                             .is_covered = m->has_cover,
                                             .has_heater = true,
                                             .has_dryer = has_dryer};
        status = air_night_run(desk, m, desk->log, &covered, &state);
    }
    if (status == NW_OK && m->has_cover && isfinite(night->cover_s)) {
        judge_cover(desk, covered_at + 1 < desk->tape.n ? covered_at + 1 : covered_at);
    }
    if (status == NW_OK && m->has_room) {
        judge_room(desk, closed_at);
        const struct nw_air_phase plain = {.end_s = desk->times->end_s};
        status = nw_air_run(m, desk->log, &plain, &undried, NULL, desk->err);
        night->undried_humidity_end = humidity_in(&undried);
    }
    return status;
}
