/* report_plan_json.c - a night's plan and a season for scripts. */
#include <math.h>

#include "report/report_gains.h"
#include "report/report_plan.h"

#define DEG NW_DEG_PER_RAD
static const char *const SIDES[2] = {"east", "west"};

/* ISO 8601 with the offset of the zone. */
static void json_when(struct nw_json *json, json_t *o, const char *key,
                      const struct nw_plan_report *r, double t_s) {
    if (!isfinite(t_s)) {
        nw_json_null(json, o, key);
        return;
    }
    char text[40];
    char with[64];
    const double offset =
        nw_time_zone_is_summer(&r->zone, t_s) ? r->zone.summer_s : r->zone.standard_s;
    nw_time_write_iso(t_s + offset, 0, text, sizeof text);
    const double minutes = round(fabs(offset) / 60.0);
    (void)snprintf(with, sizeof with, "%.19s%c%02.0f:%02.0f", text, offset < 0.0 ? '-' : '+',
                   floor(minutes / 60.0), fmod(minutes, 60.0));
    nw_json_text(json, o, key, with);
}

static void json_sky(struct nw_json *json, const struct nw_plan_report *r) {
    const struct nw_plan *const p = r->plan;
    json_t *const dark = nw_json_object(json, NULL, "dark");
    json_when(json, dark, "start", r, p->dark.exists ? p->dark.start_s : NAN);
    json_when(json, dark, "end", r, p->dark.exists ? p->dark.end_s : NAN);
    nw_json_number(json, dark, "hours",
                   p->dark.exists ? (p->dark.end_s - p->dark.start_s) / 3600.0 : 0.0, 5);
    nw_json_number(json, dark, "sun_lowest_deg", p->dark.lowest_rad * DEG, 5);
    json_when(json, NULL, "sunset", r, p->sunset_s);
    json_when(json, NULL, "sunrise", r, p->sunrise_s);
    json_t *const moon = nw_json_object(json, NULL, "moon");
    nw_json_number(json, moon, "illumination", p->moon_lit, 4);
    json_when(json, moon, "rises", r, p->moon.rise_s);
    json_when(json, moon, "sets", r, p->moon.set_s);
    if (!isfinite(p->moon.rise_s)) {
        nw_json_why(json, moon, "rises", "not between sunset and sunrise");
    }
    if (!isfinite(p->moon.set_s)) {
        nw_json_why(json, moon, "sets", "not between sunset and sunrise");
    }
    nw_json_bool(json, moon, "up_at_sunset", p->moon.is_up_at_start);
}

static void json_blocks(struct nw_json *json, const struct nw_plan_report *r) {
    json_t *const list = nw_json_array(json, NULL, "blocks");
    for (size_t i = 0; i < r->plan->n_blocks; i++) {
        const struct nw_night_block *const b = &r->plan->blocks[i];
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "target", r->plan->targets[b->target].target->name);
        json_when(json, o, "start", r, b->start_s);
        json_when(json, o, "end", r, b->end_s);
        nw_json_text(json, o, "filter", b->filter);
        nw_json_number(json, o, "exposure_s", b->exposure_s, 6);
        nw_json_count(json, o, "subs", b->subs);
        nw_json_count(json, o, "focus_runs", b->focus_runs);
        nw_json_count(json, o, "dithers", b->dithers);
        nw_json_number(json, o, "read_noise_time_percent", b->read_loss * 100.0, 3);
        nw_json_number(json, o, "sky_mag_arcsec2", b->sky_mag, 4);
        nw_json_number(json, o, "altitude_start_deg", b->altitude_start_rad * DEG, 4);
        nw_json_number(json, o, "altitude_end_deg", b->altitude_end_rad * DEG, 4);
        nw_json_text(json, o, "tube_side", SIDES[b->side]);
        nw_json_bool(json, o, "flip", b->flip);
    }
}

static void json_panels(struct nw_json *json, json_t *o, const struct nw_plan_report *r,
                        const struct nw_target *t) {
    double panels[NW_NIGHT_PANELS][2];
    const double own = r->input->setup->camera_angle_rad.v;
    const double angle = isfinite(t->rotation_rad) ? t->rotation_rad : own;
    const size_t n =
        t->columns * t->rows > 1.5 ? nw_night_panels(r->input->setup, t, angle, panels) : 0;
    json_t *const list = n ? nw_json_array(json, o, "panels") : NULL;
    for (size_t k = 0; k < n; k++) {
        json_t *const p = nw_json_item(json, list);
        nw_json_number(json, p, "ra_deg", panels[k][0] * DEG, 9);
        nw_json_number(json, p, "dec_deg", panels[k][1] * DEG, 9);
    }
}

static void json_targets(struct nw_json *json, const struct nw_plan_report *r) {
    json_t *const list = nw_json_array(json, NULL, "targets");
    for (size_t i = 0; i < r->plan->n_targets; i++) {
        const struct nw_night_target *const t = &r->plan->targets[i];
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "target", t->target->name);
        nw_json_number(json, o, "ra_deg", t->target->ra_rad * DEG, 9);
        nw_json_number(json, o, "dec_deg", t->target->dec_rad * DEG, 9);
        json_when(json, o, "window_start", r, t->first_s);
        json_when(json, o, "window_end", r, t->last_s);
        json_when(json, o, "transit", r, t->transit_s);
        nw_json_number(json, o, "usable_h", t->usable_s / 3600.0, 4);
        nw_json_number(json, o, "needed_h", t->need_s / 3600.0, 4);
        nw_json_number(json, o, "could_h", t->could_s / 3600.0, 4);
        nw_json_number(json, o, "given_h", t->given_s / 3600.0, 4);
        nw_json_number(json, o, "highest_deg", t->highest_rad * DEG, 4);
        nw_json_text(json, o, "against", nw_night_bar_text(t->most));
        nw_json_bool(json, o, "never_rises", t->never_rises);
        json_panels(json, o, r, t->target);
    }
}

static void json_solar(struct nw_json *json, const struct nw_plan_report *r) {
    if (r->solar) {
        json_t *const o = nw_json_object(json, NULL, "solar");
        json_when(json, o, "rises", r, r->solar->rise_s);
        json_when(json, o, "sets", r, r->solar->set_s);
        json_when(json, o, "above_20_deg_from", r, r->solar->from_s);
        json_when(json, o, "above_20_deg_to", r, r->solar->to_s);
        nw_json_number(json, o, "highest_deg", r->solar->highest_rad * DEG, 4);
        nw_json_text(json, o, "caution",
                     "only with a fastened, checked filter in front of every aperture");
    }
}

static void json_rotator(struct nw_json *json, const struct nw_plan_report *r) {
    json_t *const list = nw_json_array(json, NULL, "rotator");
    for (size_t i = 0; i < r->plan->n_turns; i++) {
        const struct nw_night_turn *const t = &r->plan->turns[i];
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "target", r->plan->targets[t->target].target->name);
        nw_json_number(json, o, "position_angle_deg", t->angle_rad * DEG, 5);
        nw_json_number(json, o, "turn_deg", t->turn_rad * DEG, 4);
        nw_json_number(json, o, "turn_rim_mm", t->rim_m * 1e3, 4);
        if (!isfinite(t->rim_m)) {
            nw_json_why(json, o, "turn_rim_mm", "habits.rotator_rim is not given");
        }
        nw_json_text(json, o, "seen_from",
                     t->turn_rad > 0.0   ? "counter-clockwise from behind the camera"
                     : t->turn_rad < 0.0 ? "clockwise from behind the camera"
                                         : "no turn");
    }
}

enum nw_status nw_report_plan_json(const struct nw_plan_report *r, json_t **ret,
                                   struct nw_err *err) {
    struct nw_json json;
    char date[40];
    nw_time_write_iso(r->input->date_s, 0, date, sizeof date);
    date[10] = '\0';
    nw_json_begin(&json, "plan", 1);
    nw_json_text(&json, NULL, "setup", r->input->setup->name);
    nw_json_text(&json, NULL, "night", date);
    json_sky(&json, r);
    json_blocks(&json, r);
    json_targets(&json, r);
    json_rotator(&json, r);
    nw_report_gains_json(r->gains, &r->input->setup->camera, &json);
    json_solar(&json, r);
    nw_json_number(&json, NULL, "unused_h", r->plan->unused_s / 3600.0, 4);
    nw_json_number(&json, NULL, "second_choice_worth",
                   r->plan->worth_s > 0.0 ? r->plan->second_s / r->plan->worth_s : NAN, 4);
    json_when(&json, NULL, "stop", r, r->plan->stop_s);
    if (!isfinite(r->plan->stop_s)) {
        nw_json_why(&json, NULL, "stop", "no forecast, or nothing of worth in it");
    }
    nw_json_bool(&json, NULL, "contacts_known", r->input->model != NULL);
    json_t *const list = nw_json_array(&json, NULL, "switch_list");
    for (size_t i = 0; i < r->plan->n_switches; i++) {
        const struct nw_night_switch *const s = &r->plan->switches[i];
        json_t *const o = nw_json_item(&json, list);
        json_when(&json, o, "time", r, s->t_s);
        nw_json_text(&json, o, "load", s->load);
        nw_json_text(&json, o, "action", s->action);
        nw_json_text(&json, o, "why", s->why);
    }
    return nw_json_end(&json, ret, err);
}
