/* report_clearance_ways.c - slews and ways round, the Sun, named places, cables, the time until
 * everything is closed: as text. */
#include <math.h>

#include "report/report_clearance.h"

#define H_PER_RAD (12.0 / NW_PI)
#define DEG NW_DEG_PER_RAD

static const char *const SIDES[] = {"east", "west"};

/* What is too near to be proven counts as not free. */
static bool is_free(const struct nw_slew *slew) {
    return slew->is_contact_free && slew->is_proven;
}

/* "hour angle -3.60 h, declination -80, tube east" */
static const char *pose_text(const struct nw_pose *pose, char *text, size_t size) {
    const double ha_h = remainder(pose->ha_rad * H_PER_RAD, 24.0);
    const double dec_deg = pose->dec_rad * DEG;
    (void)snprintf(text, size, "hour angle %+.2f h, declination %+.0f, tube %s",
                   fabs(ha_h) < 0.005 ? 0.0 : ha_h, fabs(dec_deg) < 0.5 ? 0.0 : dec_deg,
                   SIDES[pose->side]);
    return text;
}

static void text_slew(const struct nw_clearance_report *r, struct nw_buf *buf) {
    char pair[128];
    char place[3][96];
    char text[700];
    (void)snprintf(text, sizeof text, "From %s to %s: %s Nearest %.0f mm (%s), at %s.",
                   pose_text(&r->from, place[0], sizeof place[0]),
                   pose_text(&r->to, place[1], sizeof place[1]),
                   !r->slew.is_contact_free ? "some order of the axes touches."
                   : r->slew.is_proven
                       ? "contact-free in the model, whatever the order of the axes."
                       : "no contact found, but too near to be proven.",
                   fmax(r->slew.least.distance_m, 0.0) * 1e3,
                   nw_report_clearance_pair(r, &r->slew.least, pair, sizeof pair),
                   pose_text(&r->slew.where, place[2], sizeof place[2]));
    nw_buf_printf(buf, "\nSLEW\n");
    nw_report_paragraph(buf, 2, text);
    for (size_t i = 0; i < r->n_apertures; i++) {
        if (r->hidden[i] > 0.0) {
            (void)snprintf(text, sizeof text,
                           "At its end walls and roof hide %.0f %% of what %s sees.",
                           100.0 * r->hidden[i], r->bodies[r->apertures[i].body].name);
            nw_report_paragraph(buf, 2, text);
        }
    }
    if (is_free(&r->slew)) {
        return;
    }
    if (!(nw_clearance_at(r->model, &r->from).distance_m > 0.0) ||
        !(nw_clearance_at(r->model, &r->to).distance_m > 0.0)) {
        nw_report_paragraph(
            buf, 2,
            "Something touches at one end already: no way leads there, whatever the "
            "order.");
        return;
    }
    if (!r->way.is_found) {
        nw_report_paragraph(buf, 2,
                            "No way round was found in three slews: turn one axis at a time, by "
                            "hand, and watch.");
        return;
    }
    nw_buf_printf(buf, "  A way round, each part free whatever the order of its axes:\n");
    for (size_t i = 0; i <= r->way.n_via; i++) {
        const struct nw_pose *const to = i < r->way.n_via ? &r->way.via[i] : &r->to;
        (void)snprintf(text, sizeof text, "%zu. to %s%s", i + 1,
                       pose_text(to, place[0], sizeof place[0]),
                       i < r->way.n_via ? ", and wait until it stands" : "");
        nw_report_paragraph(buf, 4, text);
    }
}

/* How near open apertures come to the Sun, each against its own limit. */
static void text_sun(const struct nw_clearance_report *r, struct nw_buf *buf) {
    if (!r->has_sun) {
        nw_report_paragraph(buf, 2,
                            "Whether the Sun is in the way is not known without --at TIME: never "
                            "slew by day with an uncapped, unfiltered tube or finder.");
        return;
    }
    char text[500];
    const double nearest_deg = r->sun_nearest_rad * DEG;
    const bool is_up = r->sun_altitude_rad > -1.0 / DEG;
    (void)snprintf(
        text, sizeof text,
        "The Sun stands at %.1f deg of altitude then%s. Some order of the axes brings the "
        "tubes within %.1f deg of it.",
        r->sun_altitude_rad * DEG, is_up ? "" : ", below the horizon", nearest_deg);
    nw_report_paragraph(buf, 2, text);
    for (size_t i = 0; is_up && i < r->n_apertures; i++) {
        const struct nw_aperture *const a = &r->apertures[i];
        const char *const name = r->bodies[a->body].name;
        if (a->front != NW_FRONT_OPEN) {
            (void)snprintf(text, sizeof text, "%s: %s in this setup; look before you slew.", name,
                           a->front == NW_FRONT_CAPPED ? "capped" : "front filter");
        } else {
            (void)snprintf(
                text, sizeof text, "%s: open. Sunlight reaches its lens within %.0f deg%s%s", name,
                a->stay_away_rad * DEG, a->is_depth_known ? "" : " (depth of the lens not known)",
                r->sun_nearest_rad < a->stay_away_rad
                    ? ": cap it before this slew."
                    : "; this slew stays outside. By day it stays capped all the same.");
        }
        nw_report_paragraph(buf, 2, text);
    }
    if (is_up) {
        nw_report_paragraph(buf, 2,
                            "Cap every tube and finder that is not used, also those that are not "
                            "described here.");
    }
}

static void text_places(const struct nw_clearance_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf,
                  "\nPOSITIONS                     panel   roof    mm  95 %%  what is nearest\n");
    for (size_t i = 0; i < r->n_places; i++) {
        const struct nw_place_check *const p = &r->places[i];
        char pair[140];
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 27, p->name);
        nw_buf_printf(buf, " %-7s %-6s", p->is_open ? "open" : "closed",
                      p->is_roof_closed ? "closed" : "open");
        nw_report_fixed(buf, 5, p->distance_m * 1e3, 0);
        nw_report_fixed(buf, 6, p->margin_m * 1e3, 0);
        (void)snprintf(pair, sizeof pair, "%.60s - %.60s", p->pair[0], p->pair[1]);
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 23, pair);
        nw_buf_printf(buf, "\n");
    }
    if (!r->has_closed_roof) {
        nw_report_paragraph(buf, 2, "No body has roof: closed, so the closed roof is not judged.");
    }
}

static void text_cables(const struct nw_clearance_report *r, struct nw_buf *buf) {
    if (r->n_cables == 0) {
        return;
    }
    nw_buf_printf(buf, "\nCABLES: straight distance of the ends against the length, mm\n");
    for (size_t i = 0; i < r->n_cables; i++) {
        const struct nw_cable_need *const c = &r->cables[i];
        const struct nw_cable *const cable = &r->rig->cables[i];
        char place[96];
        char text[400];
        (void)snprintf(
            text, sizeof text,
            "%s: %.0f long, up to %.0f apart (%s); %.0f to spare, 95 %% sure of %.0f. %s",
            cable->name, cable->length_m.v * 1e3, c->longest_m * 1e3,
            pose_text(&c->where, place, sizeof place), c->spare_m * 1e3, c->spare_sure_m * 1e3,
            c->spare_sure_m > 0.0 ? "Long enough in a straight line." : "");
        const size_t at = strlen(text);
        if (c->n_taut > 0) {
            (void)snprintf(text + at, sizeof text - at,
                           "Too short at %.1f %% of the attitudes within reach: it tears.",
                           100.0 * (double)c->n_taut / (double)c->n_tried);
        }
        nw_report_paragraph(buf, 2, text);
    }
    nw_report_paragraph(
        buf, 2,
        "Bends, loops round pier and shaft and the turns of many nights come on top: "
        "turn it by hand once and watch them.");
}

static const char *largest_part(const struct nw_clearance_report *r) {
    const double reaction_s = r->rig->site.reaction_time_s.v;
    const double roof_s = isfinite(r->rig->site.roof_time_s.v) ? r->rig->site.roof_time_s.v : 0.0;
    const double slew_s = r->safe.slowest.slew_s;
    return reaction_s >= fmax(roof_s, slew_s) ? " The reaction is the largest part of it."
           : slew_s >= roof_s                 ? " The slew is the largest part of it."
                                              : " The roof is the largest part of it.";
}

static void text_in_time(const struct nw_clearance_report *r, struct nw_buf *buf) {
    const struct nw_safe *const s = &r->safe;
    const double n = (double)s->n_tried;
    char duration[48];
    char text[700];
    if (!isfinite(r->rig->site.warning_time_s.v)) {
        nw_report_paragraph(buf, 2,
                            "How long before rain you know of it (site.warning_time) is not in the "
                            "rig file: nothing can be said about being in time.");
        return;
    }
    (void)snprintf(
        text, sizeof text,
        "Rain is known %s +- %.0f s before it comes. In time with a probability of %.0f %% "
        "from the slowest attitude, %.0f %% over all of them; at 95 %% from %.0f %% of "
        "them.%s",
        nw_report_duration(duration, sizeof duration, r->rig->site.warning_time_s.v),
        isfinite(r->rig->site.warning_time_s.sigma) ? r->rig->site.warning_time_s.sigma : 0.0,
        100.0 * s->slowest.in_time, 100.0 * s->in_time_mean, 100.0 * (double)s->n_in_time / n,
        s->in_time_mean < 0.95 ? largest_part(r) : "");
    nw_report_paragraph(buf, 2, text);
}

static void text_power_cut(const struct nw_clearance_report *r, struct nw_buf *buf) {
    const struct nw_safe *const s = &r->safe;
    char text[700];
    char place[96];
    nw_report_paragraph(buf, 2,
                        "A POWER CUT leaves the mount where it was, the roof open, dew heaters, "
                        "coolers and the panel's motor off.");
    if (r->has_closed_roof && s->n_roof_free == s->n_tried) {
        nw_report_paragraph(buf, 2,
                            "The roof can close over the tubes at every attitude tried: close the "
                            "roof by hand first, then cap the tubes, then turn the axes to park.");
    } else if (r->has_closed_roof) {
        (void)snprintf(
            text, sizeof text,
            "The roof can close over the tubes as they stand at %.0f %% of the attitudes; "
            "not from %s, for one. In order: 1. cover or cap the tubes by hand; 2. if a "
            "tube stands above the roof's edge, turn the axes to park at the clutches, "
            "two people, weights held; 3. close the roof by hand; 4. disconnect the "
            "mount before power comes back.",
            100.0 * (double)s->n_roof_free / (double)s->n_tried,
            pose_text(&s->roof_touched, place, sizeof place));
        nw_report_paragraph(buf, 2, text);
    } else {
        nw_report_paragraph(
            buf, 2,
            "In order: 1. cover or cap the tubes by hand; 2. turn the axes to park at "
            "the clutches, two people, weights held; 3. close the roof by hand; 4. "
            "disconnect the mount before power comes back. Whether the roof could "
            "close at once is not known: no body has roof: closed.");
    }
    if (isfinite(s->by_hand_in_time)) {
        (void)snprintf(text, sizeof text,
                       "By hand it takes %.0f s after the reaction: in time with a probability of "
                       "%.0f %%.",
                       r->rig->site.hand_time_s.v, 100.0 * s->by_hand_in_time);
        nw_report_paragraph(buf, 2, text);
    } else {
        nw_report_paragraph(
            buf, 2,
            "How long that takes by hand (site.hand_time) is not in the rig file: try "
            "it once, by day, with a watch.");
    }
}

static void text_safe(const struct nw_clearance_report *r, struct nw_buf *buf) {
    const struct nw_site *const site = &r->rig->site;
    const struct nw_safe *const s = &r->safe;
    char total[48];
    char median[48];
    char place[96];
    char text[700];
    const bool has_roof = isfinite(site->roof_time_s.v);
    nw_buf_printf(buf, "\nTIME TO SAFE\n");
    if (s->n_tried == 0) {
        nw_report_paragraph(buf, 2, "No attitude is within reach.");
        return;
    }
    (void)snprintf(
        text, sizeof text,
        "From \"rain\" to %s: %s +- %.0f s at most (%s: reaction %.0f s, slew %.0f s%s), "
        "%s in the middle of %zu attitudes.",
        has_roof ? "closed" : "parked; the roof's time is not known",
        nw_report_duration(total, sizeof total, s->slowest.total_s), s->slowest.total_sigma_s,
        pose_text(&s->slowest.pose, place, sizeof place), site->reaction_time_s.v,
        s->slowest.slew_s, has_roof ? ", roof" : "",
        nw_report_duration(median, sizeof median, s->median_s), s->n_tried);
    nw_report_paragraph(buf, 2, text);
    text_in_time(r, buf);
    (void)snprintf(
        text, sizeof text,
        "From %zu of them every order of the axes is free on the way to park, from %zu one "
        "axis must come first%s%s.",
        s->n_tried - s->n_ordered - s->n_blocked, s->n_ordered,
        s->n_blocked > 0 ? ", from the others neither is free; the first of these is " : "",
        s->n_blocked > 0 ? pose_text(&s->blocked, place, sizeof place) : "");
    nw_report_paragraph(buf, 2, text);
    text_power_cut(r, buf);
}

void nw_report_clearance_ways(const struct nw_clearance_report *r, struct nw_buf *buf) {
    if (r->has_slew) {
        text_slew(r, buf);
        text_sun(r, buf);
    }
    text_places(r, buf);
    text_cables(r, buf);
    text_safe(r, buf);
}
