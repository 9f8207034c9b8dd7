/* report_clearance_json.c - what touches what, as JSON. */
#include <math.h>

#include "report/report_clearance.h"

#define DEG NW_DEG_PER_RAD

static const char *const SIDES[] = {"east", "west"};

static void json_end(struct nw_json *json, json_t *o, const struct nw_clearance_report *r,
                     const struct nw_reach *limit) {
    const struct nw_contact *const c = limit->min_end == NW_END_CONTACT   ? &limit->at_min
                                       : limit->max_end == NW_END_CONTACT ? &limit->at_max
                                                                          : NULL;
    char pair[128];
    nw_json_text(json, o, "first_contact",
                 c ? nw_report_clearance_pair(r, c, pair, sizeof pair) : NULL);
    nw_json_number(json, o, "minimum_mm", limit->least.distance_m * 1e3, 5);
    nw_json_number(json, o, "minimum_sigma_mm", limit->least.sigma_m * 1e3, 3);
}

static const char *end_word(enum nw_end end) {
    return end == NW_END_CONTACT ? "contact" : end == NW_END_HORIZON ? "horizon" : "full-turn";
}

static void json_limits(struct nw_json *json, const struct nw_clearance_report *r) {
    json_t *const list = nw_json_array(json, NULL, "limits");
    for (int side = 0; side < 2; side++) {
        for (size_t k = 0; k < NW_CLEARANCE_DECS; k++) {
            const struct nw_reach *const limit = &r->limits[side][k];
            if (!limit->is_reachable) {
                continue;
            }
            json_t *const o = nw_json_item(json, list);
            nw_json_number(json, o, "dec_deg", (double)k - 90.0, 4);
            nw_json_text(json, o, "tube_side", SIDES[side]);
            nw_json_number(json, o, "ha_min_deg", limit->ha_min_rad * DEG, 6);
            nw_json_number(json, o, "ha_max_deg", limit->ha_max_rad * DEG, 6);
            nw_json_number(json, o, "ha_min_95_deg", limit->sure_min_rad * DEG, 6);
            nw_json_number(json, o, "ha_max_95_deg", limit->sure_max_rad * DEG, 6);
            nw_json_text(json, o, "min_end", end_word(limit->min_end));
            nw_json_text(json, o, "max_end", end_word(limit->max_end));
            json_end(json, o, r, limit);
        }
    }
}

static void json_sight(struct nw_json *json, const struct nw_clearance_report *r) {
    json_t *const list = nw_json_array(json, NULL, "horizon");
    for (size_t i = 0; i < r->n_apertures; i++) {
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "tube", r->bodies[r->apertures[i].body].name);
        json_t *const points = nw_json_array(json, o, "points");
        for (size_t k = 0; k < NW_CLEARANCE_AZIMUTHS; k++) {
            json_t *const p = nw_json_item(json, points);
            nw_json_number(json, p, "azimuth_deg", 360.0 * (double)k / NW_CLEARANCE_AZIMUTHS, 6);
            nw_json_number(json, p, "whole_above_deg", fmax(0.0, r->sight[i][k].whole_rad * DEG),
                           5);
            nw_json_number(json, p, "half_above_deg", fmax(0.0, r->sight[i][k].half_rad * DEG), 5);
            nw_json_number(json, p, "none_below_deg", fmax(0.0, r->sight[i][k].none_rad * DEG), 5);
        }
    }
}

static void json_pose(struct nw_json *json, json_t *o, const struct nw_pose *pose) {
    nw_json_number(json, o, "ha_deg", pose->ha_rad * DEG, 6);
    nw_json_number(json, o, "dec_deg", pose->dec_rad * DEG, 6);
    nw_json_text(json, o, "tube_side", SIDES[pose->side]);
}

static void json_slew(struct nw_json *json, const struct nw_clearance_report *r) {
    json_t *const o = nw_json_object(json, NULL, "slew");
    nw_json_bool(json, o, "contact_free", r->slew.is_contact_free && r->slew.is_proven);
    nw_json_number(json, o, "minimum_mm", r->slew.least.distance_m * 1e3, 5);
    nw_json_number(json, o, "sun_separation_min_deg", r->has_sun ? r->sun_nearest_rad * DEG : NAN,
                   4);
    if (r->has_sun) {
        nw_json_number(json, o, "sun_altitude_deg", r->sun_altitude_rad * DEG, 5);
    } else {
        nw_json_why(json, o, "sun_separation_min_deg", "the time of the slew is not given");
    }
    json_t *const way = nw_json_object(json, o, "way");
    nw_json_bool(json, way, "found", r->way.is_found);
    nw_json_number(json, way, "turn_deg", r->way.is_found ? r->way.turn_rad * DEG : NAN, 5);
    json_t *const via = nw_json_array(json, way, "via");
    for (size_t i = 0; i < r->way.n_via; i++) {
        json_pose(json, nw_json_item(json, via), &r->way.via[i]);
    }
    json_t *const hidden = nw_json_array(json, o, "hidden_at_end");
    for (size_t i = 0; i < r->n_apertures; i++) {
        json_t *const h = nw_json_item(json, hidden);
        nw_json_text(json, h, "tube", r->bodies[r->apertures[i].body].name);
        nw_json_number(json, h, "share", r->hidden[i], 3);
    }
}

static void json_apertures(struct nw_json *json, const struct nw_clearance_report *r) {
    static const char *const FRONTS[] = {"open", "capped", "filtered"};
    json_t *const list = nw_json_array(json, NULL, "apertures");
    for (size_t i = 0; i < r->n_apertures; i++) {
        const struct nw_aperture *const a = &r->apertures[i];
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "tube", r->bodies[a->body].name);
        nw_json_text(json, o, "front", FRONTS[a->front]);
        nw_json_number(json, o, "sun_stay_away_deg", a->stay_away_rad * DEG, 4);
    }
}

static void json_places(struct nw_json *json, const struct nw_clearance_report *r) {
    json_t *const list = nw_json_array(json, NULL, "positions");
    for (size_t i = 0; i < r->n_places; i++) {
        const struct nw_place_check *const p = &r->places[i];
        char pair[128];
        json_t *const o = nw_json_item(json, list);
        nw_json_text(json, o, "name", p->name);
        json_pose(json, o, &p->pose);
        nw_json_text(json, o, "panel", p->is_open ? "open" : "closed");
        nw_json_text(json, o, "roof", p->is_roof_closed ? "closed" : "open");
        nw_json_number(json, o, "distance_mm", p->distance_m * 1e3, 5);
        nw_json_number(json, o, "margin_95_mm", p->margin_m * 1e3, 5);
        (void)snprintf(pair, sizeof pair, "%.60s - %.60s", p->pair[0], p->pair[1]);
        nw_json_text(json, o, "nearest", pair);
    }
    json_t *const cables = nw_json_array(json, NULL, "cables");
    for (size_t i = 0; i < r->n_cables; i++) {
        const struct nw_cable_need *const c = &r->cables[i];
        json_t *const o = nw_json_item(json, cables);
        nw_json_text(json, o, "name", r->rig->cables[i].name);
        nw_json_number(json, o, "length_mm", r->rig->cables[i].length_m.v * 1e3, 6);
        nw_json_number(json, o, "longest_distance_mm", c->longest_m * 1e3, 6);
        nw_json_number(json, o, "spare_mm", c->spare_m * 1e3, 5);
        nw_json_number(json, o, "spare_95_mm", c->spare_sure_m * 1e3, 5);
        json_pose(json, nw_json_object(json, o, "where"), &c->where);
        nw_json_count(json, o, "attitudes", c->n_tried);
        nw_json_count(json, o, "attitudes_taut", c->n_taut);
    }
}

static void json_safe(struct nw_json *json, const struct nw_clearance_report *r) {
    const struct nw_site *const site = &r->rig->site;
    const struct nw_safe *const s = &r->safe;
    json_t *const o = nw_json_object(json, NULL, "time_to_safe");
    nw_json_number(json, o, "reaction_s", site->reaction_time_s.v, 5);
    nw_json_number(json, o, "slew_max_s", s->slowest.slew_s, 5);
    nw_json_number(json, o, "roof_s", site->roof_time_s.v, 5);
    nw_json_number(json, o, "warning_s", site->warning_time_s.v, 5);
    nw_json_number(json, o, "total_max_s", s->slowest.total_s, 5);
    nw_json_number(json, o, "total_max_sigma_s", s->slowest.total_sigma_s, 3);
    nw_json_number(json, o, "total_median_s", s->median_s, 5);
    json_pose(json, nw_json_object(json, o, "slowest_from"), &s->slowest.pose);
    nw_json_number(json, o, "in_time_probability_least", s->slowest.in_time, 3);
    nw_json_number(json, o, "in_time_probability_mean", s->in_time_mean, 3);
    nw_json_count(json, o, "attitudes", s->n_tried);
    nw_json_count(json, o, "attitudes_in_time_95", s->n_in_time);
    nw_json_count(json, o, "attitudes_one_axis_first", s->n_ordered);
    nw_json_count(json, o, "attitudes_blocked", s->n_blocked);
    json_t *const cut = nw_json_object(json, o, "power_cut");
    nw_json_number(json, cut, "by_hand_s", site->hand_time_s.v, 5);
    nw_json_number(json, cut, "in_time_probability", s->by_hand_in_time, 3);
    if (r->has_closed_roof) {
        nw_json_count(json, cut, "attitudes_roof_can_close", s->n_roof_free);
    } else {
        nw_json_null(json, cut, "attitudes_roof_can_close");
        nw_json_why(json, cut, "attitudes_roof_can_close",
                    "no body is described with roof: closed");
    }
}

enum nw_status nw_report_clearance_json(const struct nw_clearance_report *r, json_t **ret,
                                        struct nw_err *err) {
    struct nw_json json;
    const struct nw_contact c = r->usual;
    nw_json_begin(&json, "clearance", 1);
    nw_json_text(&json, NULL, "setup", r->setup->name);
    nw_json_bool(&json, NULL, "open", r->is_open);
    nw_json_bool(&json, NULL, "contact_free", c.distance_m > 0.0 && isfinite(c.distance_m));
    nw_json_number(&json, NULL, "minimum_mm", c.distance_m * 1e3, 5);
    nw_json_number(&json, NULL, "margin_95_mm", r->usual_sure.margin_m * 1e3, 5);
    nw_json_number(&json, NULL, "park_minimum_mm", r->at_park.distance_m * 1e3, 5);
    json_limits(&json, r);
    json_sight(&json, r);
    json_apertures(&json, r);
    if (r->has_slew) {
        json_slew(&json, r);
    } else {
        nw_json_null(&json, NULL, "slew");
        nw_json_why(&json, NULL, "slew", "no --from and --to");
    }
    json_places(&json, r);
    json_safe(&json, r);
    return nw_json_end(&json, ret, err);
}
