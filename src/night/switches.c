/* switches.c - what to switch when, by hand or by a smart plug, and why.
 * Idea: times follow from sunset, the first and the last sub; dew from the site's usual air. The
 * Sun rules: nothing is uncapped before it has set, everything is capped before it rises.
 * Dew point by Magnus (WMO-No. 8, annex 4.B). */
#include <math.h>

#include "night/night_internal.h"

static void add(struct nw_plan *plan, double t_s, const char *load, const char *action,
                const char *why) {
    if (plan->n_switches == NW_NIGHT_SWITCHES) {
        return;
    }
    size_t at = plan->n_switches++;
    for (; at > 0 && plan->switches[at - 1].t_s > t_s; at--) {
        plan->switches[at] = plan->switches[at - 1];
    }
    struct nw_night_switch *const s = &plan->switches[at];
    *s = (struct nw_night_switch){.t_s = t_s, .load = load, .action = action};
    (void)snprintf(s->why, sizeof s->why, "%s", why);
}

static double dew_spread_K(const struct nw_site *site) {
    const double t = site->temperature_K.v - NW_ZERO_CELSIUS_K;
    const double x = log(site->relative_humidity.v) + 17.62 * t / (243.12 + t);
    return t - 243.12 * x / (17.62 - x);
}

/* A body that opens on a hinge, or one that is called so; taken for granted where no body is
 * described. */
bool night_has_panel(const struct nw_rig *rig) {
    for (size_t i = 0; i < rig->n_bodies; i++) {
        if (rig->bodies[i].hinge >= 0 || strstr(rig->bodies[i].name, "panel")) {
            return true;
        }
    }
    return rig->n_bodies == 0;
}

/* When the sky is bright enough for flats and no star shows: Sun 6 deg down at dawn (common
 * practice, no source), after the last sub. */
static double sky_flats_s(const struct nw_plan *plan, double last_s) {
    for (size_t k = plan->n_slots / 2; k < plan->n_slots; k++) {
        if (plan->moments[k].t_utc_s > last_s &&
            plan->moments[k].sun_altitude_rad > NW_TWILIGHT_CIVIL_RAD) {
            return plan->moments[k].t_utc_s;
        }
    }
    return fmax(last_s, plan->sunrise_s - 1800.0);
}

/* Panel or dawn; returns when they are done. */
static double add_flats(const struct nw_night_input *in, size_t n_filters, double last_s,
                        struct nw_plan *plan) {
    char why[160];
    const double flats_s = (double)n_filters * in->targets->habits.flats_s;
    const bool has_panel = night_has_panel(in->rig);
    const double flats_from_s = has_panel ? last_s : sky_flats_s(plan, last_s);
    const double capped_s = flats_from_s + flats_s;
    if (has_panel) {
        (void)snprintf(why, sizeof why,
                       "flats in %zu filters, %.0f min, with focus and rotator as they were",
                       n_filters, flats_s / 60.0);
        add(plan, last_s + 1.0, "light panel", "on", why);
        add(plan, capped_s, "light panel", "off", "flats are done");
    } else {
        (void)snprintf(why, sizeof why,
                       "no panel: %zu filters, narrow ones first, 15 deg from the zenith away from "
                       "the Sun, drive off between frames",
                       n_filters);
        add(plan, flats_from_s + 1.0, "twilight flats", "take", why);
    }
    return capped_s;
}

void night_switches(const struct nw_night_input *in, struct nw_plan *plan) {
    if (plan->n_blocks == 0) {
        return;
    }
    const struct nw_night_habits *const h = &in->targets->habits;
    const double first_s = plan->blocks[0].start_s - h->slew_s;
    const double last_s = plan->blocks[plan->n_blocks - 1].end_s;
    const double open_s = fmax(plan->sunset_s, first_s - h->settle_s);
    char why[160];
    size_t n_filters = 0;
    for (size_t i = 0; i < plan->n_blocks; i++) {
        bool is_new = true;
        for (size_t k = 0; k < i; k++) {
            is_new = is_new && strcmp(plan->blocks[k].filter, plan->blocks[i].filter) != 0;
        }
        n_filters += is_new;
    }
    add(plan, open_s - 600.0, "supply", "on", "mount, computer and camera before the roof moves");
    (void)snprintf(why, sizeof why,
                   "tube and room cool down for %.0f min before the first sub; not before sunset, "
                   "caps stay on until then",
                   (plan->blocks[0].start_s - open_s) / 60.0);
    add(plan, open_s, "roof", "open", why);
    add(plan, open_s + 1.0, "caps", "off", "the Sun is below the horizon");
    add(plan, first_s - h->cool_s, "camera cooling", "on",
        "down slowly, and steady at the first sub");
    const double spread = dew_spread_K(&in->rig->site);
    if (!isfinite(spread) || spread < 8.0) {
        (void)snprintf(why, sizeof why,
                       "usual air here is %.1f K above its dew point, glass gets a few K colder "
                       "than the air",
                       spread);
        add(plan, open_s + 2.0, "heater straps", "on", why);
        add(plan, last_s + 2.0, "heater straps", "off", "tube is about to be covered");
    }
    add(plan, last_s, "mount", "park", "after the last sub");
    const double capped_s = add_flats(in, n_filters, last_s, plan);
    add(plan, capped_s + 1.0, "caps", "on",
        capped_s < plan->sunrise_s ? "before the Sun rises" : "AT ONCE: the Sun is up");
    add(plan, capped_s + 2.0, "camera cooling", "off", "warm up slowly, then power off");
    add(plan, capped_s + 60.0, "roof", "close", "parked and capped");
    add(plan, capped_s + 120.0, "cover heater", "on",
        "parked and covered: keeps the optics above the dew point until noon");
    add(plan, capped_s + 121.0, "dryer", "on", "after closing: it takes the night's water out");
    add(plan, capped_s + 1200.0, "supply", "off", "camera is warm");
}
