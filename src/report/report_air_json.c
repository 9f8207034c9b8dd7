/* report_air_json.c - the document nightwright.air.1. */
#include "report/report_air.h"

#include <math.h>

#define PER_HOUR 3600.0
#define GRAM 1e3

static void put_celsius(struct nw_json *json, json_t *o, const char *key, double t_K) {
    nw_json_number(json, o, key, t_K - NW_ZERO_CELSIUS_K, 5);
}

static void put_weather(struct nw_json *json, const struct nw_air_report *r) {
    const struct nw_air_night *const n = r->night;
    const double at_s[] = {n->times.sunset_s, n->times.dark_s, n->times.dawn_s};
    static const char *const NAMES[] = {"sunset", "dark", "dawn"};
    json_t *const list = nw_json_array(json, NULL, "weather");
    for (int i = 0; i < 3; i++) {
        const struct nw_air_weather w = nw_air_log_weather(r->log, at_s[i]);
        bool is_frost = false;
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "when", NAMES[i]);
        nw_json_time(json, o, "time", at_s[i], 0);
        put_celsius(json, o, "temperature_c", w.air_K);
        put_celsius(json, o, "dew_point_c", nw_air_dew_point_K(w.vapour_Pa));
        put_celsius(json, o, "wets_below_c", nw_air_wetting_point_K(w.vapour_Pa, &is_frost));
        nw_json_text(json, o, "wets_as", is_frost ? "frost" : "dew");
        nw_json_number(json, o, "humidity_percent", 100.0 * nw_air_humidity(w.air_K, w.vapour_Pa),
                       4);
        put_celsius(json, o, "sky_c",
                    nw_air_sky_temperature_K(
                        w.air_K, nw_air_sky_emissivity(n->model.sky,
                                                       nw_air_dew_point_K(w.vapour_Pa), w.cloud)));
    }
}

static void put_parts(struct nw_json *json, const struct nw_air_report *r) {
    const struct nw_air_night *const n = r->night;
    json_t *const list = nw_json_array(json, NULL, "surfaces");
    for (size_t i = 0; i < n->model.n_parts; i++) {
        const struct nw_air_night_part *const p = &n->parts[i];
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "name", r->rig->damp.surfaces[i].name);
        nw_json_text(json, o, "kind", r->rig->damp.surfaces[i].kind);
        nw_json_time(json, o, "settled", p->settled_s, 0);
        if (isnan(p->settled_s)) {
            nw_json_why(json, o, "settled", "not before dawn");
        }
        nw_json_number(json, o, "below_air_k", p->below_air_K, 4);
        nw_json_number(json, o, "margin_k", p->margin_K, 4);
        nw_json_number(json, o, "margin_sigma_k", p->margin_sigma_K, 3);
        nw_json_time(json, o, "margin_at", p->margin_s, 0);
        nw_json_time(json, o, "wets_at", p->wets_s, 0);
        if (isnan(p->wets_s)) {
            nw_json_why(json, o, "wets_at", "it stays dry without a strap");
        }
        nw_json_text(json, o, "wets_as", p->is_frost ? "frost" : "dew");
        nw_json_number(json, o, "water_g_per_m2", p->water_kg_m2 * GRAM, 4);
        nw_json_number(json, o, "strap_needed_w", p->needed_W, 4);
        nw_json_number(json, o, "strap_needed_mean_w", p->needed_mean_W, 4);
        nw_json_number(json, o, "strap_given_w", p->given_W, 4);
        nw_json_number(json, o, "strap_wasted_wh", p->wasted_J / PER_HOUR, 4);
        nw_json_number(json, o, "strap_missing_wh", p->missing_J / PER_HOUR, 4);
        nw_json_number(json, o, "margin_with_strap_k", p->strapped_margin_K, 4);
        nw_json_time(json, o, "wets_with_strap_at", p->strapped_wets_s, 0);
    }
}

static void put_decisions(struct nw_json *json, const struct nw_air_report *r) {
    const struct nw_air_night *const n = r->night;
    nw_json_time(json, NULL, "open_at", n->open_s, 0);
    if (isnan(n->open_s)) {
        nw_json_why(json, NULL, "open_at",
                    "at every time a surface is colder than the dew point outside");
    }
    nw_json_bool(json, NULL, "settled_when_dark", !n->is_late);
    nw_json_time(json, NULL, "close_at", n->close_s, 0);
    nw_json_text(json, NULL, "close_for",
                 n->wet_part < n->model.n_parts ? r->rig->damp.surfaces[n->wet_part].name : "dawn");
    nw_json_time(json, NULL, "cover_at", n->cover_s, 0);
    if (isnan(n->cover_s)) {
        nw_json_why(json, NULL, "cover_at", "something stays wet: never over a wet lens");
    }
}

static void put_focus(struct nw_json *json, const struct nw_air_report *r) {
    const struct nw_air_focus *const f = r->focus;
    json_t *const o = nw_json_object(json, NULL, "focus");
    nw_json_text(json, o, "follows",
                 f->part < r->night->model.n_parts ? r->rig->damp.surfaces[f->part].name : "air");
    nw_json_number(json, o, "change_k", f->change_K, 4);
    nw_json_number(json, o, "air_change_k", f->air_change_K, 4);
    nw_json_number(json, o, "shift_um_at_sensor", f->shift_m * 1e6, 4);
    nw_json_number(json, o, "shift_sigma_um", f->shift_sigma_m * 1e6, 3);
    nw_json_number(json, o, "um_per_k_at_sensor", f->per_K_m * 1e6, 4);
    nw_json_number(json, o, "depth_of_focus_um", f->depth_m * 1e6, 4);
}

static void put_shelter(struct nw_json *json, const struct nw_air_report *r) {
    const struct nw_air_night *const n = r->night;
    if (n->model.has_cover) {
        json_t *const o = nw_json_object(json, NULL, "cover");
        const bool is_on = isfinite(n->cover_s);
        nw_json_number(json, o, "loss_w_per_k", is_on ? n->cover_loss_W_K : NAN, 4);
        nw_json_number(json, o, "heater_w", n->model.cover_heater_W, 4);
        nw_json_number(json, o, "rise_k", is_on ? n->cover_rise_K : NAN, 4);
        nw_json_number(json, o, "margin_k", is_on ? n->cover_margin_K : NAN, 4);
        nw_json_number(json, o, "heater_needed_w", is_on ? n->cover_needed_W : NAN, 4);
        if (!is_on) {
            nw_json_why(json, o, "rise_k", "it is not put on: something stays wet");
        }
    }
    if (n->model.has_room) {
        json_t *const o = nw_json_object(json, NULL, "room");
        nw_json_number(json, o, "water_in_air_g", n->room_air_water_kg * GRAM, 4);
        nw_json_number(json, o, "water_in_walls_g", n->room_wall_water_kg * GRAM, 4);
        nw_json_number(json, o, "leaks_in_g_per_h", n->leak_kg_s * GRAM * PER_HOUR, 4);
        nw_json_number(json, o, "humidity_end_percent", 100.0 * n->room_humidity_end, 4);
        nw_json_number(json, o, "humidity_end_without_dryer_percent",
                       100.0 * n->undried_humidity_end, 4);
        nw_json_number(json, o, "dryer_g_per_h", n->dryer_kg_s * GRAM * PER_HOUR, 4);
        nw_json_number(json, o, "dryer_runs_h", n->dryer_on_s / PER_HOUR, 4);
        nw_json_number(json, o, "dryer_target_after_h", n->dryer_target_s / PER_HOUR, 4);
        if (isnan(n->dryer_target_s)) {
            nw_json_why(json, o, "dryer_target_after_h", "not reached, or no dryer");
        }
    }
}

static void put_claims(struct nw_json *json, const struct nw_air_report *r) {
    json_t *const list = nw_json_array(json, NULL, "claims");
    for (size_t i = 0; i < r->n_claims; i++) {
        const struct nw_air_claim *const c = &r->claims[i].claim;
        const double zero = r->claims[i].zero;
        const double scale = r->claims[i].scale;
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "what", r->claims[i].what);
        nw_json_text(json, o, "unit", r->claims[i].unit);
        nw_json_number(json, o, "claimed", (c->claimed - zero) * scale, 4);
        nw_json_text(json, o, "verdict", nw_air_verdict_word(c->verdict));
        nw_json_number(json, o, "possible_low", (c->possible.low - zero) * scale, 4);
        nw_json_number(json, o, "possible_high", (c->possible.high - zero) * scale, 4);
        nw_json_text(json, o, "reason", c->reason);
    }
}

enum nw_status nw_report_air_json(const struct nw_air_report *r, json_t **ret, struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "air", 1);
    nw_json_text(&json, NULL, "setup", r->setup->name);
    nw_json_text(&json, NULL, "weather_from", r->log_name ? r->log_name : "usual night");
    nw_json_text(&json, NULL, "sky", nw_air_sky_source(r->night->model.sky));
    put_weather(&json, r);
    put_decisions(&json, r);
    put_parts(&json, r);
    put_focus(&json, r);
    put_shelter(&json, r);
    put_claims(&json, r);
    nw_report_air_fit_json(r, &json);
    json_t *const cautions = nw_json_array(&json, NULL, "cautions");
    nw_json_add_text(&json, cautions,
                     "mains in a damp room: residual-current device of 30 mA, "
                     "electrician, local rules");
    nw_json_add_text(&json, cautions,
                     "heaters and dryers unattended: thermostat, over-temperature "
                     "cut-out, nothing on the outlet, smoke alarm");
    nw_json_add_text(&json, cautions, "never cover a wet lens");
    return nw_json_end(&json, ret, err);
}
