/* report_clearance.c - see report_clearance.h: text and JSON. */
#include "report/report_clearance.h"

#include <math.h>

#define H_PER_RAD (12.0 / NW_PI)
#define DEG NW_DEG_PER_RAD

static const char *const SIDES[] = {"east", "west"};

/* What is too near to be proven counts as not free. */
static bool is_free(const struct nw_slew *slew) {
    return slew->is_contact_free && slew->is_proven;
}

static const char *pair_name(const struct nw_clearance_report *r, const struct nw_contact *c,
                             char *text, size_t size) {
    (void)snprintf(text, size, "%s - %s", r->bodies[c->a].name, r->bodies[c->b].name);
    return text;
}

/* "-1.73 h" with a letter for what ends the range there. */
static void cell_end(struct nw_buf *buf, double ha_rad, enum nw_end end) {
    char text[32];
    (void)snprintf(text, sizeof text, "%+.2f%s", ha_rad * H_PER_RAD,
                   end == NW_END_CONTACT   ? " !"
                   : end == NW_END_HORIZON ? " _"
                                           : "  ");
    nw_report_right(buf, 9, text);
}

static void text_limits(const struct nw_clearance_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf, "\n  dec    tube east, h        tube west, h        near,mm  pair\n");
    for (size_t k = 0; k < NW_CLEARANCE_DECS; k += 10) {
        const struct nw_reach *const east = &r->limits[NW_SIDE_EAST][k];
        const struct nw_reach *const west = &r->limits[NW_SIDE_WEST][k];
        if (!east->is_reachable && !west->is_reachable) {
            continue;
        }
        nw_buf_printf(buf, "%+5d", (int)k - 90);
        for (int side = 0; side < 2; side++) {
            const struct nw_reach *const limit = &r->limits[side][k];
            if (limit->is_reachable) {
                cell_end(buf, limit->ha_min_rad, limit->min_end);
                cell_end(buf, limit->ha_max_rad, limit->max_end);
                nw_buf_printf(buf, "  ");
            } else {
                nw_report_right(buf, 20, "- ");
            }
        }
        const struct nw_reach *const near =
            !west->is_reachable ||
                    (east->is_reachable && east->least.distance_m <= west->least.distance_m)
                ? east
                : west;
        const struct nw_contact *const c = near->min_end == NW_END_CONTACT   ? &near->at_min
                                           : near->max_end == NW_END_CONTACT ? &near->at_max
                                                                             : &near->least;
        char pair[128];
        nw_report_fixed(buf, 6, fmax(c->distance_m, 0.0) * 1e3, 0);
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 26, pair_name(r, c, pair, sizeof pair));
        nw_buf_printf(buf, "\n");
    }
    nw_buf_printf(buf, "  ! contact there   _ below %.0f deg of altitude\n",
                  r->min_altitude_rad * DEG);
}

static void text_usual(const struct nw_clearance_report *r, struct nw_buf *buf) {
    const struct nw_contact c = r->usual;
    char pair[128];
    char sure[128];
    char text[600];
    if (!isfinite(c.distance_m)) {
        nw_report_paragraph(buf, 2, "Nothing can be reached: every attitude is in contact.");
        return;
    }
    (void)snprintf(text, sizeof text,
                   "With a flip on each meridian the nearest approach above %.0f deg is %.0f mm +- "
                   "%.0f (%s); 95 %% sure of %.0f mm (%s). %s",
                   r->min_altitude_rad * DEG, c.distance_m * 1e3, c.sigma_m * 1e3,
                   pair_name(r, &c, pair, sizeof pair), r->usual_sure.margin_m * 1e3,
                   pair_name(r, &r->usual_sure, sure, sizeof sure),
                   r->usual_sure.margin_m > 0.0 ? "Contact-free in the model."
                                                : "Not contact-free within its errors.");
    nw_report_paragraph(buf, 2, text);
}

static void text_joined(const struct nw_clearance_report *r, struct nw_buf *buf) {
    char text[600] = "";
    size_t a = 0;
    size_t b = 0;
    for (size_t i = 0; nw_clearance_joined(r->model, i, &a, &b); i++) {
        const size_t at = strlen(text);
        (void)snprintf(text + at, sizeof text - at, "%s%s with %s",
                       i ? "; " : "Taken as joined: ", r->bodies[a].name, r->bodies[b].name);
    }
    if (text[0]) {
        nw_buf_printf(buf, "\n");
        nw_report_paragraph(buf, 2, text);
    }
}

static void text_sight(const struct nw_clearance_report *r, struct nw_buf *buf) {
    static const char *const NAMES[NW_CLEARANCE_AZIMUTHS] = {"N",  "NNE", "NE", "ENE", "E",  "ESE",
                                                             "SE", "SSE", "S",  "SSW", "SW", "WSW",
                                                             "W",  "WNW", "NW", "NNW"};
    if (r->n_apertures == 0) {
        return;
    }
    nw_buf_printf(buf, "\nHORIZON of each tube: free above this altitude, deg (half, all hidden "
                       "below)\n");
    for (size_t i = 0; i < r->n_apertures; i++) {
        nw_buf_printf(buf, "  %s\n ", r->bodies[r->apertures[i]].name);
        for (size_t k = 0; k < NW_CLEARANCE_AZIMUTHS; k++) {
            const struct nw_sight *const s = &r->sight[i][k];
            char cell[32];
            if (s->whole_rad <= 0.0) {
                (void)snprintf(cell, sizeof cell, "%s free", NAMES[k]);
            } else {
                char half[16] = "-";
                char none[16] = "-";
                if (s->half_rad > 0.0) {
                    (void)snprintf(half, sizeof half, "%.1f", s->half_rad * DEG);
                }
                if (s->none_rad > 0.0) {
                    (void)snprintf(none, sizeof none, "%.1f", s->none_rad * DEG);
                }
                (void)snprintf(cell, sizeof cell, "%s %.1f (%s, %s)", NAMES[k], s->whole_rad * DEG,
                               half, none);
            }
            nw_buf_printf(buf, " ");
            nw_report_left(buf, 22, cell);
            nw_buf_printf(buf, "%s",
                          k + 1 == NW_CLEARANCE_AZIMUTHS ? "\n"
                          : k % 3 == 2                   ? "\n "
                                                         : "");
        }
    }
}

static void text_slew(const struct nw_clearance_report *r, struct nw_buf *buf) {
    if (!r->has_slew) {
        return;
    }
    char pair[128];
    char text[600];
    (void)snprintf(
        text, sizeof text,
        "From hour angle %+.2f h, declination %+.1f (tube %s) to %+.2f h, %+.1f (tube %s): %s "
        "Nearest %.0f mm (%s), at hour angle %+.2f h, declination %+.1f.",
        r->from.ha_rad * H_PER_RAD, r->from.dec_rad * DEG, SIDES[r->from.side],
        r->to.ha_rad * H_PER_RAD, r->to.dec_rad * DEG, SIDES[r->to.side],
        !r->slew.is_contact_free ? "some order of the axes touches."
        : r->slew.is_proven      ? "contact-free in the model, whatever the order of the axes."
                                 : "no contact found, but too near to be proven.",
        fmax(r->slew.least.distance_m, 0.0) * 1e3, pair_name(r, &r->slew.least, pair, sizeof pair),
        r->slew.where.ha_rad * H_PER_RAD, r->slew.where.dec_rad * DEG);
    nw_buf_printf(buf, "\nSLEW\n");
    nw_report_paragraph(buf, 2, text);
    if (!is_free(&r->slew)) {
        nw_report_paragraph(
            buf, 2,
            is_free(&r->home) && is_free(&r->away)
                ? "A way round: first to the park position, then on; both parts are "
                  "contact-free in the model."
                : "By way of the park position it is not free either: turn one axis "
                  "at a time and watch.");
    }
}

static void text_sun(const struct nw_clearance_report *r, struct nw_buf *buf) {
    if (!r->has_slew) {
        return;
    }
    if (!r->has_sun) {
        nw_report_paragraph(buf, 2,
                            "Whether the Sun is in the way is not known without --at TIME: never "
                            "slew by day with an uncapped, unfiltered tube or finder.");
        return;
    }
    char text[400];
    const double nearest_deg = r->sun_nearest_rad * DEG;
    (void)snprintf(text, sizeof text,
                   "The Sun stands at %.1f deg of altitude then. Some order of the axes brings the "
                   "tubes within %.1f deg of it%s",
                   r->sun_altitude_rad * DEG, nearest_deg,
                   r->sun_altitude_rad < -1.0 / DEG ? ": it is below the horizon."
                   : nearest_deg < 45.0
                       ? ": cap every tube and finder, guide tube included, before this slew."
                       : ". Any uncapped, unfiltered tube or finder stays capped by day all the "
                         "same.");
    nw_report_paragraph(buf, 2, text);
}

static void text_safe(const struct nw_clearance_report *r, struct nw_buf *buf) {
    const struct nw_site *const site = &r->rig->site;
    char park[48];
    char pair[128];
    char text[700];
    const double until_parked_s = site->reaction_time_s.v + r->safe.slew_s;
    const bool has_roof = isfinite(site->roof_time_s.v);
    const double total_s = until_parked_s + (has_roof ? site->roof_time_s.v : 0.0);
    (void)snprintf(text, sizeof text,
                   "Reaction %.0f s, slew to park at most %.0f s (from hour angle %+.1f h, "
                   "declination %+.0f, tube %s)%s: %s at most.",
                   site->reaction_time_s.v, r->safe.slew_s, r->safe.slowest.ha_rad * H_PER_RAD,
                   r->safe.slowest.dec_rad * DEG, SIDES[r->safe.slowest.side],
                   has_roof ? ", roof" : "; the roof's time is not known",
                   nw_report_duration(park, sizeof park, total_s));
    nw_buf_printf(buf, "\nTIME TO SAFE\n");
    nw_report_paragraph(buf, 2, text);
    if (isfinite(site->warning_time_s.v)) {
        (void)snprintf(text, sizeof text, "Rain is known %s before it comes: %s.",
                       nw_report_duration(park, sizeof park, site->warning_time_s.v),
                       total_s < site->warning_time_s.v
                           ? "enough in the usual case"
                           : "too late from the farthest attitudes; close earlier, or stay nearer");
        nw_report_paragraph(buf, 2, text);
    }
    (void)snprintf(text, sizeof text,
                   "Parked, the nearest is %.0f mm (%s). From %zu of %zu attitudes every order of "
                   "the axes is free on the way to park.",
                   r->at_park.distance_m * 1e3, pair_name(r, &r->at_park, pair, sizeof pair),
                   r->safe.n_tried - r->safe.n_blocked, r->safe.n_tried);
    nw_report_paragraph(buf, 2, text);
    if (r->safe.n_blocked > 0) {
        (void)snprintf(text, sizeof text,
                       "The first that is not: hour angle %+.1f h, declination %+.0f, tube %s.",
                       r->safe.blocked.ha_rad * H_PER_RAD, r->safe.blocked.dec_rad * DEG,
                       SIDES[r->safe.blocked.side]);
        nw_report_paragraph(buf, 2, text);
    }
    nw_report_paragraph(
        buf, 2,
        "After a power cut the mount stands where it was: cover or cap the tubes by "
        "hand, turn the axes to park by hand at the clutches (two people, weights "
        "held), then close the roof by hand, in this order.");
}

void nw_report_clearance_text(const struct nw_clearance_report *r, struct nw_buf *buf) {
    char aside[96];
    (void)snprintf(aside, sizeof aside, "%s%s", r->setup->name, r->is_open ? ", opened" : "");
    nw_report_title(buf, "CLEARANCE", aside);
    text_usual(r, buf);
    text_limits(r, buf);
    text_joined(r, buf);
    text_sight(r, buf);
    text_slew(r, buf);
    text_sun(r, buf);
    text_safe(r, buf);
    nw_buf_printf(buf, "\nCAUTION\n");
    nw_report_paragraph(
        buf, 2,
        "This is a model of the outlines that you described: cables, loose clutches and people are "
        "not in it. It does not replace hard stops, limits in the mount, a camera that watches, or "
        "your eyes on the first slews. Keep hands away from moving axes. Never let an uncapped, "
        "unfiltered tube or finder sweep near the Sun.");
}

/* ---- JSON ---- */

static void json_end(struct nw_json *json, json_t *o, const struct nw_clearance_report *r,
                     const struct nw_reach *limit) {
    const struct nw_contact *const c = limit->min_end == NW_END_CONTACT   ? &limit->at_min
                                       : limit->max_end == NW_END_CONTACT ? &limit->at_max
                                                                          : NULL;
    char pair[128];
    nw_json_text(json, o, "first_contact", c ? pair_name(r, c, pair, sizeof pair) : NULL);
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
        nw_json_text(json, o, "tube", r->bodies[r->apertures[i]].name);
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

enum nw_status nw_report_clearance_json(const struct nw_clearance_report *r, json_t **ret,
                                        struct nw_err *err) {
    struct nw_json json;
    const struct nw_contact c = r->usual;
    const struct nw_site *const site = &r->rig->site;
    nw_json_begin(&json, "clearance", 1);
    nw_json_text(&json, NULL, "setup", r->setup->name);
    nw_json_bool(&json, NULL, "open", r->is_open);
    nw_json_bool(&json, NULL, "contact_free", c.distance_m > 0.0 && isfinite(c.distance_m));
    nw_json_number(&json, NULL, "minimum_mm", c.distance_m * 1e3, 5);
    nw_json_number(&json, NULL, "margin_95_mm", r->usual_sure.margin_m * 1e3, 5);
    nw_json_number(&json, NULL, "park_minimum_mm", r->at_park.distance_m * 1e3, 5);
    json_limits(&json, r);
    json_sight(&json, r);
    if (r->has_slew) {
        json_t *const o = nw_json_object(&json, NULL, "slew");
        nw_json_bool(&json, o, "contact_free", is_free(&r->slew));
        nw_json_number(&json, o, "minimum_mm", r->slew.least.distance_m * 1e3, 5);
        nw_json_number(&json, o, "sun_separation_min_deg",
                       r->has_sun ? r->sun_nearest_rad * DEG : NAN, 4);
        if (r->has_sun) {
            nw_json_number(&json, o, "sun_altitude_deg", r->sun_altitude_rad * DEG, 5);
        } else {
            nw_json_why(&json, o, "sun_separation_min_deg", "the time of the slew is not given");
        }
        nw_json_bool(&json, o, "by_park_contact_free", is_free(&r->home) && is_free(&r->away));
    } else {
        nw_json_null(&json, NULL, "slew");
        nw_json_why(&json, NULL, "slew", "no --from and --to");
    }
    json_t *const o = nw_json_object(&json, NULL, "time_to_safe");
    nw_json_number(&json, o, "reaction_s", site->reaction_time_s.v, 5);
    nw_json_number(&json, o, "slew_max_s", r->safe.slew_s, 5);
    nw_json_number(&json, o, "roof_s", site->roof_time_s.v, 5);
    nw_json_number(&json, o, "warning_s", site->warning_time_s.v, 5);
    nw_json_count(&json, o, "attitudes", r->safe.n_tried);
    nw_json_count(&json, o, "attitudes_blocked", r->safe.n_blocked);
    return nw_json_end(&json, ret, err);
}
