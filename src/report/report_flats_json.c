/* report_flats_json.c - the document nightwright.flats.1. */
#include "report/report_flats.h"

#include <math.h>

static void put_table(struct nw_json *json, const struct nw_flats_report *r) {
    const struct nw_setup *const s = r->setup;
    const struct nw_filter *const filters = s->n_filters ? s->filters : &s->filter;
    json_t *const table = nw_json_array(json, NULL, "table");
    for (size_t i = 0; i < (s->n_filters ? s->n_filters : 1); i++) {
        const struct nw_panel_line line = nw_report_flats_line(r, &filters[i]);
        const size_t own = nw_panel_find(r->panel, filters[i].name);
        json_t *const o = nw_json_item(json, table);
        nw_json_text(json, o, "filter", filters[i].name);
        nw_json_number(json, o, "setting", line.setting, 6);
        nw_json_number(json, o, "exposure_s", line.exposure_s, 6);
        nw_json_number(json, o, "level_sigma_percent", 100.0 * line.sigma, 3);
        nw_json_count(json, o, "flats", own < r->panel->n_filters ? r->panel->filters[own].n : 0);
        json_t *const flags = nw_json_array(json, o, "flags");
        static const char *const WORDS[] = {
#define X(name, bit, word, text) word,
            NW_PANEL_FLAG_LIST(X)
#undef X
        };
        for (unsigned bit = 0; bit < sizeof WORDS / sizeof WORDS[0]; bit++) {
            if (line.flags & (1U << bit)) {
                nw_json_add_text(json, flags, WORDS[bit]);
            }
        }
    }
}

static void put_panel(struct nw_json *json, const struct nw_panel *p) {
    json_t *const o = nw_json_object(json, NULL, "panel");
    nw_json_count(json, o, "settings", p->n_settings);
    nw_json_number(json, o, "setting_low", p->setting_low, 6);
    nw_json_number(json, o, "setting_high", p->setting_high, 6);
    nw_json_number(json, o, "power", p->has_power ? p->power : NAN, 5);
    nw_json_number(json, o, "power_sigma", p->has_power ? sqrt(p->covariance[0][0]) : NAN, 3);
    nw_json_number(json, o, "curve", p->has_curve ? p->curve : NAN, 5);
    nw_json_number(json, o, "shutter_s", p->has_shutter ? p->shutter_s : NAN, 4);
    nw_json_number(json, o, "scatter_percent", 100.0 * p->scatter, 4);
    nw_json_number(json, o, "lack_percent", 100.0 * p->lack, 4);
    nw_json_number(json, o, "shortest_s", p->shortest_s, 4);
    if (!isfinite(p->lack)) {
        nw_json_why(json, o, "lack_percent", "needs flats at four settings, at one of them two");
    }
    if (!isfinite(p->scatter)) {
        nw_json_why(json, o, "scatter_percent", "needs more flats than filters and terms");
    }
    if (!p->has_power) {
        nw_json_why(json, o, "power", "flats at one setting alone");
    }
    if (!p->has_curve) {
        nw_json_why(json, o, "curve", "needs flats at three settings");
    }
    if (!p->has_shutter) {
        nw_json_why(json, o, "shutter_s", "does not stand out, or fewer than four exposures");
    }
}

static void put_shadow(struct nw_json *json, json_t *o, const struct nw_flats_report *r, size_t g,
                       size_t k) {
    const struct nw_shadow *const s = &r->groups[g].shadows[k];
    double sigma_m = NAN;
    const double distance_m = nw_report_flats_distance_m(r, s, &sigma_m);
    nw_json_number(json, o, "x_px", s->x_px + 1.0, 6);
    nw_json_number(json, o, "y_px", s->y_px + 1.0, 6);
    nw_json_number(json, o, "diameter_px", s->diameter_px, 4);
    nw_json_number(json, o, "depth_percent", 100.0 * s->depth, 4);
    nw_json_number(json, o, "distance_mm", distance_m * 1e3, 4);
    nw_json_number(json, o, "distance_sigma_mm", sigma_m * 1e3, 2);
    nw_json_bool(json, o, "is_ring", s->is_ring);
    nw_json_bool(json, o, "is_cut_by_edge", s->is_cut);
    const int elsewhere = nw_report_flats_elsewhere(r, g, k);
    nw_json_put(json, o, "on_the_filter", elsewhere < 0 ? json_null() : json_boolean(!elsewhere));
}

static void put_changes(struct nw_json *json, json_t *o, const struct nw_flats_report *r,
                        size_t g) {
    const size_t then = nw_report_flats_then(r, g);
    struct nw_shadow_change changes[2 * NW_FLAT_SHADOWS];
    if (then == SIZE_MAX) {
        nw_json_null(json, o, "changes");
        nw_json_why(json, o, "changes", "no older flats of this filter (--since)");
        return;
    }
    const double size[2] = {(double)r->width_px, (double)r->height_px};
    const double turn = nw_report_flats_turn_rad(r, g, then);
    nw_json_number(json, o, "turned_since_deg", turn * NW_DEG_PER_RAD, 4);
    nw_json_text(json, o, "turned_since_by",
                 isfinite(r->groups[g].turn_rad) ? "stars"
                 : isfinite(turn)                ? "header"
                                                 : NULL);
    const size_t n =
        nw_flat_compare(r->groups[then].shadows, r->groups[then].n_shadows, r->groups[g].shadows,
                        r->groups[g].n_shadows, remainder(turn, 2.0 * NW_PI), size, changes);
    json_t *const list = nw_json_array(json, o, "changes");
    for (size_t i = 0; i < n; i++) {
        json_t *const item = nw_json_item(json, list);
        const bool is_gone = changes[i].now == SIZE_MAX;
        nw_json_text(json, item, "fate", nw_shadow_fate_word(changes[i].fate));
        nw_json_number(json, item, "moved_px", changes[i].moved_px, 4);
        put_shadow(json, item, r, is_gone ? then : g, is_gone ? changes[i].then : changes[i].now);
    }
}

static void put_groups(struct nw_json *json, const struct nw_flats_report *r) {
    json_t *const groups = nw_json_array(json, NULL, "groups");
    for (size_t g = 0; g < r->n_groups; g++) {
        const struct nw_flat *const f = &r->flats[r->groups[g].first];
        json_t *const o = nw_json_item(json, groups);
        nw_json_text(json, o, "filter", f->filter);
        nw_json_number(json, o, "rotator_deg", f->rotator_rad * NW_DEG_PER_RAD, 6);
        nw_json_bool(json, o, "is_older", f->is_then);
        nw_json_count(json, o, "flats", r->groups[g].n);
        json_t *const zones = nw_json_array(json, o, "zones");
        for (size_t z = 0; z < NW_FLAT_N_ZONES; z++) {
            nw_json_add_number(json, zones, r->groups[g].zones[z], 5);
        }
        json_t *const colours = nw_json_array(json, o, "colours");
        for (size_t c = 0; c < 3 && isfinite(r->groups[g].colour_share[c]); c++) {
            json_t *const colour = nw_json_item(json, colours);
            nw_json_text(json, colour, "colour", c == 0 ? "R" : c == 1 ? "G" : "B");
            nw_json_number(json, colour, "level_share", r->groups[g].colour_share[c], 5);
            json_t *const of_colour = nw_json_array(json, colour, "zones");
            for (size_t z = 0; z < NW_FLAT_N_ZONES; z++) {
                nw_json_add_number(json, of_colour, r->groups[g].colour_zones[c][z], 5);
            }
        }
        json_t *const shadows = nw_json_array(json, o, "dust");
        for (size_t k = 0; k < r->groups[g].n_shadows; k++) {
            put_shadow(json, nw_json_item(json, shadows), r, g, k);
        }
        if (!f->is_then) {
            put_changes(json, o, r, g);
        }
    }
}

static void put_lights(struct nw_json *json, const struct nw_flats_report *r) {
    json_t *const lights = nw_json_array(json, NULL, "lights");
    for (size_t i = 0; i < r->n_lights; i++) {
        const struct nw_flats_light *const l = &r->lights[i];
        json_t *const o = nw_json_item(json, lights);
        nw_json_text(json, o, "path", l->path);
        nw_json_bool(json, o, "has_flat", l->is_within);
        nw_json_text(json, o, "flat",
                     l->group == SIZE_MAX ? NULL : r->paths[r->groups[l->group].first]);
        nw_json_number(json, o, "turned_deg", l->turn_rad * NW_DEG_PER_RAD, 4);
        nw_json_text(json, o, "turned_by",
                     !isfinite(l->turn_rad) ? NULL
                     : l->is_by_catalogue   ? "catalogue"
                                            : "stars");
        nw_json_text(json, o, "taken_with", isfinite(l->turn_rad) ? l->taken_with : NULL);
        nw_json_number(json, o, "angle_off_deg", l->off_rad * NW_DEG_PER_RAD, 4);
    }
    json_t *const e = nw_json_object(json, NULL, "flat_error");
    const bool is_told = r->error && r->error->is_told;
    nw_json_number(json, e, "chip_x_percent", is_told ? 100.0 * r->error->chip_x : NAN, 4);
    nw_json_number(json, e, "chip_y_percent", is_told ? 100.0 * r->error->chip_y : NAN, 4);
    nw_json_number(json, e, "sigma_percent", is_told ? 100.0 * r->error->chip_sigma : NAN, 3);
    nw_json_number(json, e, "sky_x_percent", is_told ? 100.0 * r->error->sky_x : NAN, 4);
    nw_json_number(json, e, "sky_y_percent", is_told ? 100.0 * r->error->sky_y : NAN, 4);
    if (!is_told) {
        nw_json_why(json, e, "chip_x_percent", r->error ? r->error->why_null : "no lights (--for)");
    }
}

enum nw_status nw_report_flats_json(const struct nw_flats_report *r, json_t **ret,
                                    struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "flats", 1);
    nw_json_text(&json, NULL, "setup", r->setup->name);
    nw_json_count(&json, NULL, "flats", r->n_flats);
    nw_json_count(&json, NULL, "clipped", r->n_clipped);
    nw_json_number(&json, NULL, "offset_adu", r->offset_adu, 6);
    nw_json_text(&json, NULL, "offset_from", r->offset_from);
    nw_json_number(&json, NULL, "level_adu", r->opts.level_adu, 6);
    nw_json_number(&json, NULL, "shortest_s", fmax(r->opts.shortest_s, r->panel->shortest_s), 4);
    nw_json_number(&json, NULL, "longest_s", r->opts.longest_s, 4);
    put_table(&json, r);
    put_panel(&json, r->panel);
    nw_json_number(&json, NULL, "tolerance_deg", r->tolerance_rad * NW_DEG_PER_RAD, 4);
    put_groups(&json, r);
    put_lights(&json, r);
    return nw_json_end(&json, ret, err);
}
