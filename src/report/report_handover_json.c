/* report_handover_json.c - the document nightwright.handover.1. */
#include <math.h>

#include "report/report_handover.h"

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
    nw_json_number(j, o, "fwhm_kept_px", g->fwhm_px, 5);
    nw_json_number(j, o, "fwhm_all_px", g->fwhm_all_px, 5);
}

static void set_json(const struct nw_handover_report *r, const struct nw_hand_set *s,
                     struct nw_json *j, json_t *list) {
    json_t *const o = nw_json_item(j, list);
    nw_json_count(j, o, "group", s->group + 1);
    nw_json_text(j, o, "kind", nw_hand_need_word(s->need));
    nw_json_number(j, o, "exposure_s", s->exposure_s, 7);
    nw_json_number(j, o, "temperature_c", s->temperature_K - 273.15, 4);
    nw_json_number(j, o, "rotator_deg", s->angle_rad * NW_DEG_PER_RAD, 6);
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

static void master_json(const struct nw_hand_master *m, struct nw_json *j, json_t *list) {
    const struct nw_hand_audit *const a = &m->audit;
    json_t *const o = nw_json_item(j, list);
    nw_json_text(j, o, "path", m->path);
    if (m->why_null[0]) {
        nw_json_null(j, o, "efficiency_percent");
        nw_json_why(j, o, "efficiency_percent", m->why_null);
        return;
    }
    nw_json_count(j, o, "group", a->group + 1);
    nw_json_count(j, o, "subs", a->n_subs);
    nw_json_count(j, o, "stars", a->n_pairs);
    nw_json_number(j, o, "flux_scale", a->flux_scale, 6);
    nw_json_number(j, o, "noise_adu", a->noise_adu, 5);
    nw_json_number(j, o, "noise_area_adu", a->noise_area_adu, 5);
    nw_json_number(j, o, "noise_sigma_adu", a->noise_sigma_adu, 3);
    nw_json_number(j, o, "expected_equal_adu", a->expected_equal_adu, 5);
    nw_json_number(j, o, "expected_weighed_adu", a->expected_adu, 5);
    nw_json_number(j, o, "efficiency_percent", 100.0 * a->efficiency, 4);
    nw_json_number(j, o, "efficiency_sigma_percent", 100.0 * a->efficiency_sigma, 3);
    nw_json_bool(j, o, "reached_root_n", a->reached_root_n);
    nw_json_number(j, o, "neighbour_correlation", a->correlation, 4);
    nw_json_number(j, o, "fwhm_px", a->fwhm_px, 5);
    nw_json_number(j, o, "fwhm_sigma_px", a->fwhm_sigma_px, 3);
    nw_json_number(j, o, "subs_fwhm_px", a->subs_fwhm_px, 5);
    nw_json_number(j, o, "subs_fwhm_sigma_px", a->subs_fwhm_sigma_px, 3);
    nw_json_number(j, o, "wider_percent", 100.0 * a->wider, 4);
    nw_json_number(j, o, "wider_sigma_percent", 100.0 * a->wider_sigma, 3);
    nw_json_bool(j, o, "widened", a->is_widened);
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
