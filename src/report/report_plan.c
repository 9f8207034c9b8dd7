/* report_plan.c - a night's plan for people. */
#include <math.h>

#include "report/report_gains.h"
#include "report/report_plan.h"

#define DEG NW_DEG_PER_RAD
static const char *const SIDES[2] = {"east", "west"};

static const char *clock_of(const struct nw_plan_report *r, double t_s, char text[48]) {
    const double offset =
        nw_time_zone_is_summer(&r->zone, t_s) ? r->zone.summer_s : r->zone.standard_s;
    return nw_report_clock(text, 48, t_s + offset);
}

static void text_sky(const struct nw_plan_report *r, struct nw_buf *buf) {
    const struct nw_plan *const p = r->plan;
    char a[48];
    char b[48];
    char text[500];
    (void)snprintf(text, sizeof text, "Sun sets %s, rises %s.", clock_of(r, p->sunset_s, a),
                   clock_of(r, p->sunrise_s, b));
    nw_report_paragraph(buf, 2, text);
    const double limit_deg = r->input->targets->habits.sun_altitude_rad * DEG;
    if (p->dark.exists) {
        (void)snprintf(text, sizeof text, "Dark (Sun below %.0f deg) %s to %s, %.1f h.", limit_deg,
                       clock_of(r, p->dark.start_s, a), clock_of(r, p->dark.end_s, b),
                       (p->dark.end_s - p->dark.start_s) / 3600.0);
    } else {
        (void)snprintf(text, sizeof text,
                       "The Sun does not sink to %.0f deg (lowest %.1f deg): narrow filters only.",
                       limit_deg, p->dark.lowest_rad * DEG);
    }
    nw_report_paragraph(buf, 2, text);
    char rises[80] = "";
    char sets[80] = "";
    if (isfinite(p->moon.rise_s)) {
        (void)snprintf(rises, sizeof rises, ", rises %s", clock_of(r, p->moon.rise_s, a));
    }
    if (isfinite(p->moon.set_s)) {
        (void)snprintf(sets, sizeof sets, ", sets %s", clock_of(r, p->moon.set_s, b));
    }
    (void)snprintf(text, sizeof text, "Moon %.0f %% lit, %s at sunset%s%s.", p->moon_lit * 100.0,
                   p->moon.is_up_at_start ? "up" : "down", rises, sets);
    nw_report_paragraph(buf, 2, text);
}

static void text_blocks(const struct nw_plan_report *r, struct nw_buf *buf) {
    const struct nw_plan *const p = r->plan;
    char a[48];
    char b[48];
    nw_buf_printf(buf, "\nBLOCKS (clock: %s)\n", r->zone_name);
    nw_buf_printf(buf,
                  "  TIME          TARGET            FILTER          SUBS   ALTITUDE  TUBE  SKY\n");
    for (size_t i = 0; i < p->n_blocks; i++) {
        const struct nw_night_block *const k = &p->blocks[i];
        char subs[48];
        char altitude[48];
        if (k->flip) {
            nw_buf_printf(buf, "  %s  flip to the other side of the pier, %.0f min\n",
                          clock_of(r, k->start_s - r->input->targets->habits.flip_s, a),
                          r->input->targets->habits.flip_s / 60.0);
        }
        (void)snprintf(subs, sizeof subs, "%zu x %.0f s", k->subs, k->exposure_s);
        (void)snprintf(altitude, sizeof altitude, "%.0f - %.0f", k->altitude_start_rad * DEG,
                       k->altitude_end_rad * DEG);
        nw_buf_printf(buf, "  %s - %s ", clock_of(r, k->start_s, a), clock_of(r, k->end_s, b));
        nw_report_left(buf, 18, p->targets[k->target].target->name);
        nw_report_left(buf, 14, k->filter);
        nw_report_right(buf, 11, subs);
        nw_report_right(buf, 10, altitude);
        nw_buf_printf(buf, "  %s  %.1f\n", SIDES[k->side], k->sky_mag);
    }
    if (p->n_blocks == 0) {
        nw_report_paragraph(buf, 2, "Nothing of the list can be imaged this night.");
        return;
    }
    char text[400];
    (void)snprintf(text, sizeof text,
                   "Each block begins with a focus run, then one every %.0f min (the interval "
                   "that loses least); %.0f s of reading out a sub, a dither every %.0f subs. Lost "
                   "to focus runs %.0f min, to flips %.0f min, to changes of target %.0f min. Dark "
                   "and unused: %.1f h.",
                   r->input->focus_interval_s / 60.0, r->input->targets->habits.readout_s,
                   r->input->targets->habits.dither_every, p->focus_s / 60.0, p->flips_s / 60.0,
                   p->slews_s / 60.0, p->unused_s / 3600.0);
    nw_report_paragraph(buf, 2, text);
}

static void text_targets(const struct nw_plan_report *r, struct nw_buf *buf) {
    const struct nw_plan *const p = r->plan;
    char a[48];
    char b[48];
    nw_buf_printf(buf, "\nTARGETS (hours of exposure, as under the dark sky at the zenith)\n");
    nw_buf_printf(buf, "  TARGET              WINDOW         NEEDS  COULD  GIVEN  WHAT STANDS "
                       "AGAINST THE REST\n");
    for (size_t i = 0; i < p->n_targets; i++) {
        const struct nw_night_target *const t = &p->targets[i];
        char window[112] = "none";
        if (isfinite(t->first_s)) {
            (void)snprintf(window, sizeof window, "%s - %s", clock_of(r, t->first_s, a),
                           clock_of(r, t->last_s, b));
        }
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 18, t->target->name);
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 13, window);
        nw_report_fixed(buf, 7, t->need_s / 3600.0, 1);
        nw_report_fixed(buf, 7, t->could_s / 3600.0, 1);
        nw_report_fixed(buf, 7, t->given_s / 3600.0, 1);
        nw_buf_printf(buf, "  %s\n",
                      t->never_rises ? "never rises so high" : nw_night_bar_text(t->most));
    }
}

static void text_gave_up(const struct nw_plan_report *r, struct nw_buf *buf) {
    const struct nw_plan *const p = r->plan;
    char text[500];
    nw_buf_printf(buf, "\nWHAT THE ORDER GAVE UP\n");
    for (size_t i = 0; i < p->n_targets; i++) {
        const struct nw_night_target *const t = &p->targets[i];
        if (t->could_s - t->given_s > 900.0) {
            (void)snprintf(text, sizeof text, "%s: %.1f h that it could have had by itself.",
                           t->target->name, (t->could_s - t->given_s) / 3600.0);
            nw_report_paragraph(buf, 2, text);
        }
    }
    if (p->n_second > 0 && p->worth_s > 0.0) {
        int n = snprintf(text, sizeof text, "The next best choice,");
        for (size_t i = 0; i < p->n_second; i++) {
            n += snprintf(text + n, sizeof text - (size_t)n, "%s %s", i ? ", then" : "",
                          p->targets[p->second[i]].target->name);
        }
        (void)snprintf(text + n, sizeof text - (size_t)n, ", would bring %.1f %% less.",
                       100.0 * (1.0 - p->second_s / p->worth_s));
        nw_report_paragraph(buf, 2, text);
    }
}

static void text_rotator(const struct nw_plan_report *r, struct nw_buf *buf) {
    char text[400];
    nw_buf_printf(buf, "\nROTATOR\n");
    for (size_t i = 0; i < r->plan->n_turns; i++) {
        const struct nw_night_turn *const t = &r->plan->turns[i];
        char rim[80] = "";
        if (isfinite(t->rim_m)) {
            (void)snprintf(rim, sizeof rim, ", %.1f mm along the rim", t->rim_m * 1e3);
        }
        if (!isfinite(t->turn_rad)) {
            (void)snprintf(text, sizeof text,
                           "%s: to position angle %.1f deg; how far to turn is not known without "
                           "camera_angle in the rig file.",
                           r->plan->targets[t->target].target->name, t->angle_rad * DEG);
        } else if (fabs(t->turn_rad) * DEG < 0.05) {
            (void)snprintf(text, sizeof text, "%s: as it is.",
                           r->plan->targets[t->target].target->name);
        } else {
            (void)snprintf(text, sizeof text,
                           "%s: %.1f deg %s seen from behind the camera%s, to position angle %.1f "
                           "deg.",
                           r->plan->targets[t->target].target->name, fabs(t->turn_rad) * DEG,
                           t->turn_rad > 0.0 ? "counter-clockwise" : "clockwise", rim,
                           t->angle_rad * DEG);
        }
        nw_report_paragraph(buf, 2, text);
    }
    nw_report_paragraph(buf, 2,
                        "Looking along the light to the sky; with an odd number of mirrors the "
                        "other way round. New flats after every turn.");
}

static void text_switches(const struct nw_plan_report *r, struct nw_buf *buf) {
    char a[48];
    char head[160];
    nw_buf_printf(buf, "\nSWITCH LIST\n");
    for (size_t i = 0; i < r->plan->n_switches; i++) {
        const struct nw_night_switch *const s = &r->plan->switches[i];
        (void)snprintf(head, sizeof head, "%s  %s %s", clock_of(r, s->t_s, a), s->load, s->action);
        nw_report_entry(buf, 2, 32, head, s->why);
    }
}

/* What to do with the cap on while it is cloudy: the dark frames of tonight's subs. */
static void text_cloud(const struct nw_plan_report *r, struct nw_buf *buf) {
    char text[300];
    nw_buf_printf(buf, "\nIF CLOUDS COME (cap on)\n");
    double seen[NW_NIGHT_BLOCKS];
    size_t n = 0;
    for (size_t i = 0; i < r->plan->n_blocks; i++) {
        bool is_new = true;
        for (size_t k = 0; k < n; k++) {
            is_new = is_new && fabs(seen[k] - r->plan->blocks[i].exposure_s) > 0.01;
        }
        if (is_new) {
            seen[n++] = r->plan->blocks[i].exposure_s;
            (void)snprintf(text, sizeof text,
                           "20 dark frames of %.0f s at tonight's sensor temperature, %.0f min.",
                           seen[n - 1], 20.0 * (seen[n - 1] + 3.0) / 60.0);
            nw_report_paragraph(buf, 2, text);
        }
    }
    nw_report_paragraph(buf, 2,
                        "Then 50 bias frames, flats with the panel at tonight's rotator angle, and "
                        "a dark with the room light on against one with it off: a light leak shows "
                        "as the difference. Park before you cover: nothing slews under a cover.");
    if (r->input->forecast) {
        char a[48];
        (void)snprintf(text, sizeof text,
                       isfinite(r->plan->stop_s)
                           ? "By the forecast less than 15 min of worth is to be expected from %s "
                             "on: the time to stop."
                           : "By the forecast no time of the plan is worth staying for%s.",
                       isfinite(r->plan->stop_s) ? clock_of(r, r->plan->stop_s, a) : "");
        nw_report_paragraph(buf, 2, text);
    }
}

static void text_panels(const struct nw_plan_report *r, struct nw_buf *buf) {
    static const char HEAD[] = "\nMOSAIC PANELS (centres, ICRS, deg)\n";
    bool is_begun = false;
    for (size_t i = 0; i < r->plan->n_targets; i++) {
        const struct nw_target *const t = r->plan->targets[i].target;
        double panels[NW_NIGHT_PANELS][2];
        if (t->columns * t->rows < 1.5) {
            continue;
        }
        const double own = r->input->setup->camera_angle_rad.v;
        const double angle = isfinite(t->rotation_rad) ? t->rotation_rad : own;
        const size_t n = nw_night_panels(r->input->setup, t, angle, panels);
        nw_buf_printf(buf, "%s", is_begun ? "" : HEAD);
        is_begun = true;
        for (size_t k = 0; k < n; k++) {
            nw_buf_printf(buf, "  ");
            nw_report_left(buf, 18, k == 0 ? t->name : "");
            nw_buf_printf(buf, " %3zu  %9.4f %+9.4f\n", k + 1, panels[k][0] * DEG,
                          panels[k][1] * DEG);
        }
    }
}

static void text_solar(const struct nw_plan_report *r, struct nw_buf *buf) {
    char a[48];
    char b[48];
    char c[48];
    char text[500];
    const struct nw_solar_card *const s = r->solar;
    if (!s) {
        return;
    }
    nw_buf_printf(buf, "\nTHE SUN BY DAY (a card of its own)\n");
    if (!isfinite(s->from_s)) {
        (void)snprintf(text, sizeof text, "The Sun gets to %.1f deg only: too low to be sharp.",
                       s->highest_rad * DEG);
    } else {
        (void)snprintf(
            text, sizeof text,
            "Above 20 deg from %s to %s, highest %.0f deg at %s (to 5 min). Mornings are "
            "the calmest: before ground and roofs are warm (common practice, no source).",
            clock_of(r, s->from_s, a), clock_of(r, s->to_s, b), s->highest_rad * DEG,
            clock_of(r, s->transit_s, c));
    }
    nw_report_paragraph(buf, 2, text);
    nw_report_paragraph(
        buf, 2,
        "DANGER: an unfiltered tube burns eyes, sensors and sheds at once (a 100 mm aperture puts "
        "460 kW/m2 into its focus). Only with a filter made for telescopes in FRONT of the "
        "aperture, fastened against wind, held against a lamp and found without a hole that day. "
        "Guide tube and finder capped or taken off. Filter on before the tube turns to the Sun, "
        "off after it has turned away. Never leave it alone, never with children near; park and "
        "cap when you go. Eclipse viewers (ISO 12312-2) are no telescope filters.");
}

void nw_report_plan_text(const struct nw_plan_report *r, struct nw_buf *buf) {
    char date[40];
    char aside[120];
    nw_time_write_iso(r->input->date_s, 0, date, sizeof date);
    (void)snprintf(aside, sizeof aside, "%s, night of %.10s", r->input->setup->name, date);
    nw_report_title(buf, "PLAN", aside);
    text_sky(r, buf);
    text_blocks(r, buf);
    text_targets(r, buf);
    if (r->plan->n_order > 0) {
        text_gave_up(r, buf);
    }
    if (r->plan->n_blocks > 0) {
        text_rotator(r, buf);
        nw_report_gains_text(r->gains, &r->input->setup->camera, buf);
        text_switches(r, buf);
    }
    text_panels(r, buf);
    text_cloud(r, buf);
    text_solar(r, buf);
    nw_buf_printf(buf, "\nCAUTION\n");
    nw_report_paragraph(
        buf, 2,
        "Windows are those of the model: contact-free in the model is never safe. Watch every flip "
        "and first slew. No uncapped, unfiltered aperture, finder and guide tube included, while "
        "the Sun is above the horizon; never slew across the Sun by day without a filter in front "
        "of every aperture. Heaters and dryers unattended: with thermostat and over-temperature "
        "cut-out, on a circuit that local codes allow; fixed wiring is for licensed people.");
    if (!r->input->model) {
        nw_report_paragraph(buf, 2,
                            "The rig file describes no bodies: contact limits and walls are not "
                            "in this plan.");
    }
}
