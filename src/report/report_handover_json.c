/* report_handover_json.c - the document nightwright.handover.1. */
#include <math.h>

#include "report/report_handover.h"

static const char *const COLOURS[NW_HAND_COLOURS] = {"R", "G", "B"};

/* Of a colour camera; one of mono has what the sub itself says. */
static void colours_of_sub(const struct nw_hand_sub *s, struct nw_json *j, json_t *o) {
    json_t *const list = nw_json_array(j, o, "colours");
    for (size_t k = 0; k < NW_HAND_COLOURS && s->n_colours == NW_HAND_COLOURS; k++) {
        const struct nw_hand_plane *const p = &s->planes[k];
        json_t *const c = nw_json_item(j, list);
        nw_json_text(j, c, "colour", COLOURS[k]);
        nw_json_number(j, c, "weight_extended", p->weight_extended, 6);
        nw_json_number(j, c, "weight_point", p->weight_point, 6);
        nw_json_number(j, c, "brings_extended_percent", 100.0 * p->brings_extended, 5);
        nw_json_number(j, c, "brings_point_percent", 100.0 * p->brings_point, 5);
        nw_json_number(j, c, "relative_transmission", p->transmission.value, 6);
        nw_json_number(j, c, "relative_transmission_sigma", p->transmission.sigma, 3);
        nw_json_number(j, c, "fwhm_px", s->colours[k]->fwhm_px, 5);
        nw_json_number(j, c, "noise_adu", s->colours[k]->noise_adu, 6);
    }
}

static void sub_json(const struct nw_handover_report *r, size_t i, struct nw_json *j,
                     json_t *list) {
    const struct nw_hand_sub *const s = &r->subs[i];
    json_t *const o = nw_json_item(j, list);
    nw_json_text(j, o, "path", s->path);
    nw_json_text(j, o, "sha256", r->files ? r->files[i].sha256 : NULL);
    nw_json_count(j, o, "group", s->group + 1);
    nw_json_time(j, o, "start", s->facts->t_start_utc_s, 3);
    nw_json_number(j, o, "exposure_s", s->facts->exposure_s, 7);
    nw_json_bool(j, o, "kept", s->reason == NW_HAND_KEPT);
    nw_json_text(j, o, "reason", nw_hand_reason_word(s->reason));
    nw_json_text(j, o, "detail", s->detail);
    nw_json_number(j, o, "weight_extended", s->weight_extended, 6);
    nw_json_number(j, o, "weight_point", s->weight_point, 6);
    nw_json_number(j, o, "brings_extended_percent", 100.0 * s->brings_extended, 5);
    nw_json_number(j, o, "brings_point_percent", 100.0 * s->brings_point, 5);
    nw_json_number(j, o, "relative_transmission", s->transmission.value, 6);
    nw_json_number(j, o, "relative_transmission_sigma", s->transmission.sigma, 3);
    nw_json_number(j, o, "fwhm_px", s->measure ? s->measure->fwhm_px : NAN, 5);
    nw_json_number(j, o, "noise_adu", s->measure ? s->measure->noise_adu : NAN, 6);
    if (!isfinite(s->weight_extended)) {
        nw_json_why(j, o, "weight_extended", nw_hand_reason_text(s->reason));
    }
    colours_of_sub(s, j, o);
}

static void colours_of_group(const struct nw_hand_group *g, struct nw_json *j, json_t *o) {
    json_t *const list = nw_json_array(j, o, "colours");
    for (size_t k = 0; k < NW_HAND_COLOURS && g->n_planes == NW_HAND_COLOURS; k++) {
        const struct nw_hand_group_plane *const p = &g->planes[k];
        json_t *const c = nw_json_item(j, list);
        nw_json_text(j, c, "colour", COLOURS[k]);
        nw_json_number(j, c, "kept_extended_percent", 100.0 * p->kept_extended, 5);
        nw_json_number(j, c, "kept_point_percent", 100.0 * p->kept_point, 5);
        nw_json_number(j, c, "weights_worth_extended_percent", 100.0 * (1.0 - p->equal_extended),
                       4);
        nw_json_number(j, c, "weights_worth_point_percent", 100.0 * (1.0 - p->equal_point), 4);
        nw_json_number(j, c, "fwhm_kept_px", p->fwhm_px, 5);
        nw_json_number(j, c, "fwhm_all_px", p->fwhm_all_px, 5);
    }
    nw_json_number(j, o, "one_weight_costs_extended_percent", 100.0 * (1.0 - g->common_extended),
                   4);
    nw_json_number(j, o, "one_weight_costs_point_percent", 100.0 * (1.0 - g->common_point), 4);
}

static void group_json(const struct nw_hand_group *g, struct nw_json *j, json_t *list) {
    json_t *const o = nw_json_item(j, list);
    nw_json_text(j, o, "object", g->object);
    nw_json_text(j, o, "filter", g->filter);
    nw_json_text(j, o, "camera", g->camera);
    nw_json_count(j, o, "subs", g->n);
    nw_json_count(j, o, "subs_kept", g->n_kept);
    nw_json_number(j, o, "exposure_s", g->exposure_s, 7);
    nw_json_number(j, o, "kept_s", g->kept_s, 7);
    nw_json_number(j, o, "kept_extended_percent", 100.0 * g->kept_extended, 5);
    nw_json_number(j, o, "kept_point_percent", 100.0 * g->kept_point, 5);
    nw_json_number(j, o, "weights_worth_extended_percent", 100.0 * (1.0 - g->equal_extended), 4);
    nw_json_number(j, o, "weights_worth_point_percent", 100.0 * (1.0 - g->equal_point), 4);
    nw_json_number(j, o, "fwhm_kept_px", g->planes[g->main].fwhm_px, 5);
    nw_json_number(j, o, "fwhm_all_px", g->planes[g->main].fwhm_all_px, 5);
    colours_of_group(g, j, o);
}

static void set_json(const struct nw_handover_report *r, const struct nw_hand_set *s,
                     struct nw_json *j, json_t *list) {
    json_t *const o = nw_json_item(j, list);
    nw_json_count(j, o, "group", s->group + 1);
    nw_json_text(j, o, "kind", nw_hand_need_word(s->need));
    nw_json_number(j, o, "exposure_s", s->exposure_s, 7);
    nw_json_number(j, o, "temperature_c", s->temperature_K - NW_ZERO_CELSIUS_K, 4);
    nw_json_number(j, o, "rotator_deg", s->angle_rad * NW_DEG_PER_RAD, 6);
    nw_json_number(j, o, "turned_deg", s->has_turn ? s->turn_rad * NW_DEG_PER_RAD : NAN, 4);
    nw_json_count(j, o, "subs", s->n_subs);
    nw_json_bool(j, o, "missing", s->is_missing);
    nw_json_bool(j, o, "few", s->is_few);
    nw_json_bool(j, o, "stale", s->is_stale);
    nw_json_number(j, o, "age_days", s->age_s / 86400.0, 4);
    nw_json_text(j, o, "nearest", s->nearest);
    json_t *const names = nw_json_array(j, o, "frames");
    for (size_t k = 0; k < s->n; k++) {
        nw_json_add_text(j, names, r->frames[s->items[k]].path);
    }
}

static void audit_json(const struct nw_hand_audit_plane *a, struct nw_json *j, json_t *o) {
    if (a->why_null[0]) {
        nw_json_null(j, o, "efficiency_percent");
        nw_json_why(j, o, "efficiency_percent", a->why_null);
        return;
    }
    nw_json_count(j, o, "group", a->group + 1);
    nw_json_count(j, o, "subs", a->n_subs);
    nw_json_count(j, o, "stars", a->n_pairs);
    nw_json_number(j, o, "pixel_of_subs", a->px, 5);
    nw_json_number(j, o, "flux_scale", a->flux_scale, 6);
    nw_json_number(j, o, "noise_adu", a->noise_adu, 5);
    nw_json_number(j, o, "noise_area_adu", a->noise_area_adu, 5);
    nw_json_number(j, o, "noise_sigma_adu", a->noise_sigma_adu, 3);
    nw_json_number(j, o, "expected_equal_adu", a->expected_equal_adu, 5);
    nw_json_number(j, o, "expected_weighed_adu", a->expected_adu, 5);
    nw_json_number(j, o, "efficiency_percent", 100.0 * a->efficiency, 4);
    nw_json_number(j, o, "efficiency_sigma_percent", 100.0 * a->efficiency_sigma, 3);
    if (a->is_told) {
        nw_json_bool(j, o, "reached_root_n", a->reached_root_n);
    } else {
        nw_json_null(j, o, "reached_root_n");
        nw_json_why(j, o, "reached_root_n",
                    "the field's own faint stars and nebula hide the noise of the stack");
    }
    nw_json_number(j, o, "neighbour_correlation", a->correlation, 4);
    nw_json_number(j, o, "fwhm_px", a->fwhm_px, 5);
    nw_json_number(j, o, "fwhm_sigma_px", a->fwhm_sigma_px, 3);
    nw_json_number(j, o, "subs_fwhm_px", a->subs_fwhm_px, 5);
    nw_json_number(j, o, "subs_fwhm_sigma_px", a->subs_fwhm_sigma_px, 3);
    nw_json_number(j, o, "wider_percent", 100.0 * a->wider, 4);
    nw_json_number(j, o, "wider_sigma_percent", 100.0 * a->wider_sigma, 3);
    nw_json_bool(j, o, "widened", a->is_widened);
}

/* Of several colours the keys of one plane are those of green; each stands in `planes`. */
static void master_json(const struct nw_hand_master *m, struct nw_json *j, json_t *list) {
    json_t *const o = nw_json_item(j, list);
    nw_json_text(j, o, "path", m->path);
    if (m->why_null[0]) {
        nw_json_null(j, o, "efficiency_percent");
        nw_json_why(j, o, "efficiency_percent", m->why_null);
        return;
    }
    const size_t n = m->audit.n_planes;
    audit_json(&m->audit.planes[n > 1 ? 1 : 0], j, o);
    json_t *const planes = nw_json_array(j, o, "planes");
    for (size_t k = 0; k < n && k < NW_HAND_COLOURS; k++) {
        json_t *const p = nw_json_item(j, planes);
        nw_json_text(j, p, "colour", n > 1 ? COLOURS[k] : "mono");
        audit_json(&m->audit.planes[k], j, p);
    }
}

enum nw_status nw_report_handover_json(const struct nw_handover_report *r, json_t **ret,
                                       struct nw_err *err) {
    struct nw_json j;
    nw_json_begin(&j, "handover", 1);
    nw_json_text(&j, NULL, "of", r->what);
    nw_json_count(&j, NULL, "unreadable", r->n_unreadable);
    json_t *const groups = nw_json_array(&j, NULL, "groups");
    for (size_t i = 0; i < r->n_groups; i++) {
        group_json(&r->groups[i], &j, groups);
    }
    json_t *const subs = nw_json_array(&j, NULL, "subs");
    for (size_t i = 0; i < r->n_subs; i++) {
        sub_json(r, i, &j, subs);
    }
    json_t *const sets = nw_json_array(&j, NULL, "calibration");
    for (size_t i = 0; i < r->n_sets; i++) {
        set_json(r, &r->sets[i], &j, sets);
    }
    json_t *const masters = nw_json_array(&j, NULL, "masters");
    for (size_t i = 0; i < r->n_masters; i++) {
        master_json(&r->masters[i], &j, masters);
    }
    return nw_json_end(&j, ret, err);
}
