/* report_night_json.c - one page on a night as nightwright.report.1. */
#include <math.h>

#include "report/night_words.h"

#define AS NW_ARCSEC_PER_RAD

static void put_time(struct nw_json *json, json_t *object, const struct nw_night_report *r,
                     const char *utc_key, const char *since_key, double t_s) {
    if (r->is_without_site) {
        nw_json_number(json, object, since_key,
                       (t_s - r->night->live.subs[0].t_start_utc_s) / 3600.0, 6);
    } else {
        nw_json_time(json, object, utc_key, t_s, 0);
    }
}

static void put_hours(struct nw_json *json, const struct nw_night_report *r) {
    const struct nw_nightly *const night = r->night;
    json_t *const hours = nw_json_object(json, NULL, "hours");
    nw_json_number(json, hours, "dark", night->dark_h, 5);
    if (!night->is_dark_known) {
        nw_json_why(json, hours, "dark", night->why_no_dark);
    }
    nw_json_number(json, hours, "exposing", night->exposing_h, 5);
    nw_json_number(json, hours, "without_effect", night->worthless_h, 5);
    nw_json_number(json, hours, "between_subs", night->usual_gaps_h, 5);
    nw_json_number(json, hours, "long_gaps", night->long_gaps_h, 5);
    nw_json_number(json, hours, "before_first", night->before_h, 5);
    nw_json_number(json, hours, "after_last", night->after_h, 5);
    json_t *const gaps = nw_json_array(json, NULL, "gaps");
    for (size_t i = 0; i < night->n_gaps; i++) {
        json_t *const item = nw_json_item(json, gaps);
        const struct nw_gap *const gap = &night->gaps[i];
        put_time(json, item, r, "start_utc", "start_h", gap->from_s);
        nw_json_number(json, item, "length_s", gap->to_s - gap->from_s, 6);
        nw_json_text(json, item, "cause", nw_gap_cause_text(gap->cause));
        nw_json_text(json, item, "cause_word", nw_gap_cause_word(gap->cause));
        nw_json_bool(json, item, "is_fault", nw_gap_is_fault(gap->cause));
        nw_json_text(json, item, "evidence", gap->evidence);
        nw_json_text(json, item, "would_tell", gap->would_tell);
    }
}

static void put_room(struct nw_json *json, const struct nw_night_report *r) {
    const struct nw_live *const live = &r->night->live;
    double least_K = NAN;
    double least_V = NAN;
    for (size_t i = 0; i < live->n_climate; i++) {
        least_K = fmin(least_K, live->climate[i].margin_K); /* NaN is passed over */
    }
    for (size_t i = 0; i < live->n_volts; i++) {
        least_V = fmin(least_V, live->volts[i].volts);
    }
    nw_json_number(json, NULL, "dew_margin_least_k", least_K, 4);
    if (!isfinite(least_K)) {
        nw_json_why(json, NULL, "dew_margin_least_k",
                    live->has_climate ? "no moisture, or no row with the roof open"
                                      : "no climate log of the night");
    }
    nw_json_text(json, NULL, "volts_of", live->volts_of);
    nw_json_number(json, NULL, "volts_least", least_V, 5);
    nw_json_number(json, NULL, "volts_usual", live->n_volts > 0 ? live->usual_V : NAN, 5);
}

static void put_width(struct nw_json *json, const struct nw_night_report *r) {
    const struct nw_star_budget *const b = r->budget;
    if (!b) {
        nw_json_null(json, NULL, "star_width");
        nw_json_why(json, NULL, "star_width", r->why_no_budget);
        return;
    }
    json_t *const width = nw_json_object(json, NULL, "star_width");
    nw_json_number(json, width, "predicted_arcsec", b->predicted_rad * AS, 5);
    nw_json_number(json, width, "predicted_sigma_arcsec", b->predicted_sigma_rad * AS, 3);
    nw_json_number(json, width, "measured_arcsec", b->measured_rad * AS, 5);
    nw_json_number(json, width, "measured_sigma_arcsec", b->measured_sigma_rad * AS, 3);
    nw_json_number(json, width, "unexplained_arcsec2", b->unexplained_rad2 * AS * AS, 4);
    nw_json_number(json, width, "unexplained_sigma_arcsec2", b->unexplained_sigma_rad2 * AS * AS,
                   3);
    nw_json_text(json, width, "limiting", nw_star_line_name(b->limiting));
    json_t *const lines = nw_json_array(json, width, "lines");
    for (size_t i = 0; i < NW_STAR_N_LINES; i++) {
        const struct nw_star_line *const line = &b->lines[i];
        if (line->is_present) {
            json_t *const item = nw_json_item(json, lines);
            nw_json_text(json, item, "id", line->name);
            nw_json_number(json, item, "predicted_arcsec", line->predicted_rad * AS, 5);
            nw_json_number(json, item, "measured_arcsec", line->measured_rad * AS, 5);
            nw_json_number(json, item, "share_percent", 100.0 * line->share, 4);
        }
    }
}

static void put_subs(struct nw_json *json, const struct nw_night_report *r) {
    static const char *const FACTORS[NW_N_FAULTS] = {
        [NW_FAULT_WIDTH] = "width", [NW_FAULT_LIGHT] = "light", [NW_FAULT_SKY] = "sky"};
    json_t *const subs = nw_json_array(json, NULL, "subs");
    for (size_t i = 0; i < r->night->live.n; i++) {
        const struct nw_nightly_sub *const sub = &r->night->subs[i];
        json_t *const item = nw_json_item(json, subs);
        nw_json_count(json, item, "number", sub->sub + 1);
        put_time(json, item, r, "start_utc", "start_h",
                 r->night->live.subs[sub->sub].t_start_utc_s);
        nw_json_number(json, item, "worth_percent", 100.0 * sub->worth, 4);
        nw_json_text(json, item, "worst", FACTORS[sub->worst]);
        for (size_t k = 0; k < NW_N_FAULTS; k++) {
            char key[40];
            (void)snprintf(key, sizeof key, "%s_percent", FACTORS[k]);
            nw_json_number(json, item, key, 100.0 * sub->factor[k], 4);
        }
    }
}

static void put_events(struct nw_json *json, const struct nw_night_report *r) {
    json_t *const alerts = nw_json_array(json, NULL, "alerts");
    for (size_t i = 0; i < r->night->live.n_alerts; i++) {
        const struct nw_live_alert *const alert = &r->night->live.alerts[i];
        char words[NIGHT_WORDS];
        json_t *const item = nw_json_item(json, alerts);
        nw_json_text(json, item, "kind", nw_live_kind_word(alert->kind));
        put_time(json, item, r, "raised_utc", "raised_h", alert->t_raised_s);
        put_time(json, item, r, "cleared_utc", "cleared_h", alert->t_cleared_s);
        night_alert_words(r, alert, words, sizeof words);
        nw_json_text(json, item, "text", words);
    }
    json_t *const changes = nw_json_array(json, NULL, "changes");
    for (size_t i = 0; i < r->night->n_changes; i++) {
        const struct nw_book_change *const c = &r->night->changes[i];
        json_t *const item = nw_json_item(json, changes);
        nw_json_text(json, item, "what", c->what);
        nw_json_text(json, item, "from", c->old_value);
        nw_json_text(json, item, "to", c->new_value);
    }
    json_t *const tomorrow = nw_json_array(json, NULL, "tomorrow");
    char text[NIGHT_WORDS];
    for (size_t i = 0; i < NIGHT_TOMORROW && night_tomorrow(r, i, text, sizeof text); i++) {
        nw_json_add_text(json, tomorrow, text);
    }
}

enum nw_status nw_report_night_json(const struct nw_night_report *report, json_t **ret,
                                    struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "report", 1);
    nw_json_text(&json, NULL, "night", report->night->live.date);
    if (report->rig && !report->is_without_site) {
        nw_json_text(&json, NULL, "rig", report->rig->name);
        nw_json_text(&json, NULL, "setup", report->setup->name);
    }
    nw_json_number(&json, NULL, "exposure_h", report->night->live.exposure_h, 6);
    put_hours(&json, report);
    put_room(&json, report);
    put_width(&json, report);
    put_subs(&json, report);
    put_events(&json, report);
    return nw_json_end(&json, ret, err);
}
