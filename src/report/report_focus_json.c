/* report_focus_json.c - the document nightwright.focus.1. */
#include "report/report_focus.h"

#include <math.h>

#define UM 1e6

/* "<key>_steps", sigma, interval, and the same in um of travel and at the sensor. */
static void term(struct nw_json *json, json_t *object, const struct nw_focus_report *r,
                 const char *key, const struct nw_focus_term *t) {
    json_t *const o = nw_json_object(json, object, key);
    const double travel_um = r->step_m * UM;
    nw_json_number(json, o, "steps", t->value, 6);
    nw_json_number(json, o, "sigma_steps", t->sigma, 3);
    nw_json_number(json, o, "low_steps", t->low, 6);
    nw_json_number(json, o, "high_steps", t->high, 6);
    nw_json_number(json, o, "travel_um", t->value * travel_um, 5);
    nw_json_number(json, o, "sigma_travel_um",
                   hypot(t->sigma * travel_um, t->value * travel_um * r->step_sigma), 3);
    nw_json_number(json, o, "at_sensor_um", t->value * travel_um * r->per_travel, 5);
    if (!isfinite(t->value)) {
        nw_json_why(json, o, "steps", t->why_null);
    }
    if (!isfinite(travel_um)) {
        nw_json_why(json, o, "travel_um", "no rig given: the travel of a step is not known");
    }
}

static void runs(struct nw_json *json, const struct nw_focus_runs *runs) {
    static const char *const sides[] = {NULL, "east", "west"};
    static const char *const ways[] = {NULL, "in", "out"};
    json_t *const array = nw_json_array(json, NULL, "runs");
    for (size_t i = 0; i < runs->n; i++) {
        const struct nw_focus_run *const run = &runs->items[i];
        json_t *const o = nw_json_item(json, array);
        nw_json_time(json, o, "time", run->t_s, 0);
        nw_json_number(json, o, "position_steps", run->position_steps, 9);
        nw_json_number(json, o, "temperature_c", run->temperature_K - NW_ZERO_CELSIUS_K, 5);
        nw_json_text(json, o, "filter", run->filter);
        nw_json_text(json, o, "tube_side", sides[run->side]);
        nw_json_text(json, o, "last_move", ways[run->way]);
        nw_json_number(json, o, "duration_s", run->duration_s, 4);
        nw_json_number(json, o, "residual_steps", run->residual_steps, 4);
        nw_json_bool(json, o, "first_of_night", run->is_first);
        nw_json_bool(json, o, "refused", run->is_refused);
    }
}

static void interval(struct nw_json *json, const struct nw_focus_report *r) {
    const struct nw_focus_interval *const f = r->interval;
    if (!f) {
        nw_json_null(json, NULL, "interval");
        nw_json_why(json, NULL, "interval", r->why_no_interval);
        return;
    }
    json_t *const o = nw_json_object(json, NULL, "interval");
    nw_json_number(json, o, "now_min", f->now_s / 60.0, 4);
    nw_json_number(json, o, "best_min", f->best_s / 60.0, 3);
    nw_json_number(json, o, "best_degc", f->best_K, 3);
    nw_json_number(json, o, "flat_low_min", f->low_s / 60.0, 3);
    nw_json_number(json, o, "flat_high_min", f->high_s / 60.0, 3);
    nw_json_number(json, o, "run_s", f->run_s, 4);
    nw_json_number(json, o, "rate_degc_per_h", f->rate_K_s * 3600.0, 3);
    nw_json_number(json, o, "drift_at_sensor_um_per_degc", f->drift_m_per_K * UM, 4);
    nw_json_number(json, o, "depth_of_focus_um", f->depth_m * UM, 4);
    nw_json_number(json, o, "lost_now_percent", f->now_percent, 3);
    nw_json_number(json, o, "lost_now_to_runs_percent", f->now_runs_percent, 3);
    nw_json_number(json, o, "lost_now_to_blur_percent", f->now_blur_percent, 3);
    nw_json_number(json, o, "lost_best_percent", f->best_percent, 3);
    nw_json_number(json, o, "time_percent_point", f->worth_percent, 3);
    nw_json_number(json, o, "sigma_percent", f->worth_sigma_percent, 3);
    nw_json_number(json, o, "time_percent_extended", f->extended_percent, 3);
    nw_json_number(json, o, "fwhm_now_arcsec", f->fwhm_now_rad * NW_ARCSEC_PER_RAD, 4);
    nw_json_number(json, o, "fwhm_best_arcsec", f->fwhm_best_rad * NW_ARCSEC_PER_RAD, 4);
}

static void after(struct nw_json *json, const char *key, const struct nw_focus_after *moves) {
    json_t *const o = nw_json_object(json, NULL, key);
    if (!moves) {
        nw_json_null(json, o, "width_change_percent");
        nw_json_why(json, o, "width_change_percent", "no move without a run, or no frames");
        return;
    }
    nw_json_count(json, o, "n", moves->n);
    nw_json_number(json, o, "width_change_percent", 100.0 * moves->change, 3);
    nw_json_number(json, o, "sigma_percent", 100.0 * moves->sigma, 3);
}

static void lag(struct nw_json *json, const struct nw_focus_job *job) {
    nw_json_number(json, NULL, "lag_min", job->lag_s.value / 60.0, 4);
    nw_json_number(json, NULL, "lag_sigma_min", job->lag_s.sigma / 60.0, 3);
    nw_json_number(json, NULL, "lag_low_min", job->lag_s.low / 60.0, 4);
    nw_json_number(json, NULL, "lag_high_min", job->lag_s.high / 60.0, 4);
    if (!isfinite(job->lag_s.value)) {
        nw_json_why(json, NULL, "lag_min", job->lag_s.why_null);
    }
    nw_json_number(json, NULL, "warm_start_steps", job->warm.value, 4);
    nw_json_number(json, NULL, "warm_start_sigma_steps", job->warm.sigma, 3);
    if (!isfinite(job->warm.value)) {
        nw_json_why(json, NULL, "warm_start_steps", job->warm.why_null);
    }
}

enum nw_status nw_report_focus_json(const struct nw_focus_report *r, json_t **ret,
                                    struct nw_err *err) {
    const struct nw_focus_job *const job = r->job;
    struct nw_focus_set sets[NW_FOCUS_SETS];
    struct nw_json json;
    nw_json_begin(&json, "focus", 1);
    nw_json_text(&json, NULL, "setup", r->setup ? r->setup->name : NULL);
    nw_json_count(&json, NULL, "frames", r->n_frames);
    nw_json_count(&json, NULL, "nights", job->n_nights);
    nw_json_count(&json, NULL, "runs_used", job->n_used);
    nw_json_count(&json, NULL, "runs_refused", job->n_refused);
    nw_json_number(&json, NULL, "um_per_step", r->step_m * UM, 5);
    nw_json_number(&json, NULL, "at_sensor_per_travel", r->per_travel, 5);
    nw_json_number(&json, NULL, "temperature_low_c", job->temperature_low_K - NW_ZERO_CELSIUS_K, 4);
    nw_json_number(&json, NULL, "temperature_high_c", job->temperature_high_K - NW_ZERO_CELSIUS_K,
                   4);
    nw_json_number(&json, NULL, "run_time_s", job->run_time_s, 4);
    term(&json, NULL, r, "temperature_per_degc", &job->per_K);
    nw_json_number(&json, NULL, "correlation_with_time", job->correlation_time, 3);
    nw_json_bool(&json, NULL, "time_separable", job->is_time_separable);
    lag(&json, job);
    nw_json_text(&json, NULL, "reference_filter", job->reference);
    json_t *const offsets = nw_json_array(&json, NULL, "filter_offsets");
    for (size_t i = 0; i < job->n_offsets; i++) {
        json_t *const o = nw_json_item(&json, offsets);
        nw_json_text(&json, o, "filter", job->offsets[i].filter);
        nw_json_count(&json, o, "runs", job->offsets[i].n);
        term(&json, o, r, "offset", &job->offsets[i].steps);
    }
    term(&json, NULL, r, "repeatability", &job->repeatability);
    term(&json, NULL, r, "backlash", &job->backlash);
    term(&json, NULL, r, "flip_west_minus_east", &job->flip);
    term(&json, NULL, r, "drift_per_hour", &job->per_hour);
    term(&json, NULL, r, "zenith_minus_horizon", &job->sag);
    after(&json, "after_flips", r->flips);
    after(&json, "after_slews", r->slews);
    interval(&json, r);
    json_t *const set = nw_json_object(&json, NULL, "set");
    const size_t n = nw_report_focus_sets(r, sets);
    for (size_t i = 0; i < n; i++) {
        nw_json_text(&json, set, sets[i].path, sets[i].value);
    }
    nw_json_count(&json, NULL, "stored_offset_moves", r->runs->n_offset_moves);
    nw_json_bool(&json, NULL, "follows_temperature", r->runs->is_following);
    runs(&json, r->runs);
    return nw_json_end(&json, ret, err);
}
