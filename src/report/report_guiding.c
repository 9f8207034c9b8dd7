/* report_guiding.c - see report_guiding.h */
#include "report/report_guiding.h"
#include "report/report_guiding_parts.h"

#include <math.h>

#define AS NW_ARCSEC_PER_RAD

static const char *const WHY_POLAR = "told from all runs of the call together";

static const char *acts_text(enum nw_pulse_acts acts) {
    return acts == NW_PULSE_ACTS_BEFORE ? "before" : acts == NW_PULSE_ACTS_AFTER ? "after" : NULL;
}

/* ---- JSON ---- */

static void add_spans(struct nw_json *json, json_t *object, const char *key,
                      const struct nw_span *spans, size_t n, bool has_dates) {
    json_t *array = nw_json_array(json, object, key);
    for (size_t i = 0; i < n; i++) {
        json_t *item = nw_json_item(json, array);
        if (has_dates) {
            nw_json_time(json, item, "start", spans[i].start_s, 1);
            nw_json_time(json, item, "end", spans[i].end_s, 1);
        } else {
            nw_json_number(json, item, "start_s", spans[i].start_s, 12);
            nw_json_number(json, item, "end_s", spans[i].end_s, 12);
        }
    }
}

static void add_axis(struct nw_json *json, const char *key, const struct nw_guide_axis *a) {
    json_t *o = nw_json_object(json, NULL, key);
    nw_json_number(json, o, "rms_logged_arcsec", a->rms_logged_rad * AS, 5);
    nw_json_number(json, o, "mean_arcsec", a->mean_rad * AS, 5);
    nw_json_number(json, o, "p99_arcsec", a->p99_rad * AS, 5);
    nw_json_number(json, o, "uncorrelated_arcsec", a->uncorrelated_rad * AS, 5);
    nw_json_number(json, o, "noise_arcsec", a->noise_rad * AS, 5);
    nw_json_number(json, o, "noise_low_arcsec", a->noise_low_rad * AS, 5);
    nw_json_number(json, o, "noise_high_arcsec", a->noise_high_rad * AS, 5);
    nw_json_number(json, o, "noise_memory", a->noise_memory, 3);
    nw_json_number(json, o, "shake_arcsec", a->shake_rad * AS, 4);
    nw_json_number(json, o, "shake_fades_s", a->shake_rad > 0.0 ? a->shake_s : NAN, 3);
    nw_json_number(json, o, "motion_in_sub_arcsec", a->motion_in_sub_rad * AS, 5);
    nw_json_number(json, o, "motion_low_arcsec", a->motion_low_rad * AS, 5);
    nw_json_number(json, o, "motion_high_arcsec", a->motion_high_rad * AS, 5);
    nw_json_number(json, o, "drift_arcsec_per_min", a->drift_rad_s * 60.0 * AS, 5);
    nw_json_number(json, o, "drift_sigma_arcsec_per_min", a->drift_sigma_rad_s * 60.0 * AS, 3);
    nw_json_number(json, o, "response", a->response, 4);
    nw_json_number(json, o, "response_sigma", a->response_sigma, 2);
    nw_json_number(json, o, "response_plus", a->response_up, 4);
    nw_json_number(json, o, "response_plus_sigma", a->response_up_sigma, 2);
    nw_json_number(json, o, "response_minus", a->response_down, 4);
    nw_json_number(json, o, "response_minus_sigma", a->response_down_sigma, 2);
    nw_json_bool(json, o, "response_assumed", a->is_response_assumed);
    nw_json_number(json, o, "pulse_gain", a->pulse_gain, 3);
    nw_json_bool(json, o, "loop_inferred", a->is_loop_inferred);
    nw_report_selfcheck_json(json, o, a);
    if (a->why_null[0] != '\0') {
        nw_json_why(json, o, "motion_in_sub_arcsec", a->why_null);
    }
    if (a->why_drift[0] != '\0') {
        nw_json_why(json, o, "drift_arcsec_per_min", a->why_drift);
    }
    if (a->why_response[0] != '\0' && isnan(a->response)) {
        nw_json_why(json, o, "response", a->why_response);
    }
}

static void add_subs(struct nw_json *json, const struct nw_guide_log *log,
                     const struct nw_guide_analysis *a) {
    json_t *array = nw_json_array(json, NULL, "subs");
    for (size_t i = 0; i < a->n_subs; i++) {
        const struct nw_guide_sub *s = &a->subs[i];
        json_t *o = nw_json_item(json, array);
        if (log->has_dates) {
            nw_json_time(json, o, "start", s->start_s, 1);
        } else {
            nw_json_number(json, o, "start_s", s->start_s, 12);
        }
        nw_json_number(json, o, "length_s", s->end_s - s->start_s, 6);
        nw_json_count(json, o, "samples", s->n);
        nw_json_number(json, o, "ra_motion_arcsec", s->ra_rad * AS, 4);
        nw_json_number(json, o, "ra_low_arcsec", s->ra_low_rad * AS, 4);
        nw_json_number(json, o, "ra_high_arcsec", s->ra_high_rad * AS, 4);
        nw_json_number(json, o, "dec_motion_arcsec", s->dec_rad * AS, 4);
        nw_json_number(json, o, "dec_low_arcsec", s->dec_low_rad * AS, 4);
        nw_json_number(json, o, "dec_high_arcsec", s->dec_high_rad * AS, 4);
        nw_json_number(json, o, "covariance_arcsec2", s->cross_rad2 * AS * AS, 4);
        nw_json_number(json, o, "ra_drift_arcsec", s->drift_ra_rad * AS, 4);
        nw_json_number(json, o, "dec_drift_arcsec", s->drift_dec_rad * AS, 4);
    }
}

static void add_nulls(struct nw_json *json, json_t *object, const char *const *keys) {
    for (; *keys; keys++) {
        nw_json_null(json, object, *keys);
    }
}

/* The polar axis is a result of all runs: report_polar.c puts it into the document of the call. */
static void add_polar_place(struct nw_json *json) {
    json_t *polar = nw_json_object(json, NULL, "polar_error");
    add_nulls(json, polar,
              (const char *const[]){"azimuth_arcmin", "altitude_arcmin", "azimuth_sigma_arcmin",
                                    "altitude_sigma_arcmin", "covariance_arcmin2", NULL});
    nw_json_text(json, polar, "pole", "true");
    (void)nw_json_array(json, polar, "from");
    nw_json_text(json, polar, "why_null", WHY_POLAR);
}

enum nw_status nw_report_guiding_json(const struct nw_guide_log *log,
                                      const struct nw_guide_analysis *a, json_t **ret,
                                      struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "guiding", 1);
    nw_json_text(&json, NULL, "path", log->path);
    if (log->has_dates) {
        nw_json_time(&json, NULL, "start", log->rows[0].t_s, 1);
    }
    nw_json_number(&json, NULL, "duration_s", a->duration_s, 9);
    nw_json_number(&json, NULL, "interval_s", a->interval_s, 5);
    nw_json_count(&json, NULL, "samples", a->n_samples);
    nw_json_count(&json, NULL, "samples_used", a->n_used);
    nw_json_text(&json, NULL, "pulse_acts", acts_text(a->pulse_acts));
    nw_json_bool(&json, NULL, "pulse_acts_inferred", a->is_pulse_acts_inferred);
    add_spans(&json, NULL, "gaps", a->gaps, a->n_gaps, log->has_dates);
    add_spans(&json, NULL, "dithers", a->dithers, a->n_dithers, log->has_dates);
    nw_json_bool(&json, NULL, "dithers_inferred", a->are_dithers_inferred);
    add_axis(&json, "ra", &a->ra);
    add_axis(&json, "dec", &a->dec);
    json_t *total = nw_json_object(&json, NULL, "total");
    nw_json_number(&json, total, "rms_logged_arcsec", a->total_rms_logged_rad * AS, 5);
    nw_json_number(&json, NULL, "sub_length_s", a->sub_length_s, 6);
    add_subs(&json, log, a);
    add_spans(&json, NULL, "bursts", a->bursts, a->n_bursts, log->has_dates);
    json_t *ringing = nw_json_object(&json, NULL, "oscillation");
    nw_json_bool(&json, ringing, "ra", a->ra.is_oscillating);
    nw_json_bool(&json, ringing, "dec", a->dec.is_oscillating);
    nw_report_worm_json(&json, log, a);
    nw_report_backlash_json(&json, a);
    nw_report_replay_json(&json, a);
    add_polar_place(&json);
    return nw_json_end(&json, ret, err);
}

/* ---- text ---- */

static void row(struct nw_buf *text, const char *label, double ra, double dec, int decimals,
                const char *note) {
    nw_buf_printf(text, "  ");
    nw_report_left(text, 26, label);
    nw_report_fixed(text, 9, ra, decimals);
    nw_report_fixed(text, 9, dec, decimals);
    nw_buf_printf(text, "%s%s\n", note[0] != '\0' ? "  " : "", note);
}

static void row_range(struct nw_buf *text, const char *label, const double low[2],
                      const double high[2]) {
    nw_buf_printf(text, "  ");
    nw_report_left(text, 26, label);
    for (int i = 0; i < 2; i++) {
        char range[48];
        (void)snprintf(range, sizeof range, "%.2f-%.2f", low[i] * AS, high[i] * AS);
        nw_report_right(text, i == 0 ? 9 : 10, isfinite(low[i]) ? range : "-");
    }
    nw_buf_printf(text, "\n");
}

static void reason(struct nw_buf *text, const char *axis, const char *what, const char *why) {
    if (why[0] != '\0') {
        struct nw_buf line;
        nw_buf_init(&line, 4096);
        nw_buf_printf(&line, "%s, %s: %s.", what, axis, why);
        if (!nw_buf_failed(&line)) {
            nw_report_paragraph(text, 2, line.data);
        }
        nw_buf_done(&line);
    }
}

static void axis_notes(struct nw_buf *text, const char *name, const struct nw_guide_axis *a) {
    reason(text, name, "Motion", a->why_null);
    reason(text, name, "Drift", a->why_drift);
    reason(text, name, "Response", a->why_response);
    if (a->is_oscillating) {
        reason(text, name, "The loop rings",
               "lower the gain or look for a delay; it swings with a short period");
    }
    if (a->shake_rad > 0.0) {
        char line[120];
        (void)snprintf(
            line, sizeof line,
            "%.2f arcsec that fade within %.0f s (gears, wind, cables): counted as motion",
            a->shake_rad * AS, a->shake_s);
        reason(text, name, "Fast shake", line);
    }
    if (a->is_loop_inferred && isfinite(a->motion_in_sub_rad)) {
        reason(text, name, "Weaker",
               "without pulses a plain proportional loop is assumed; trust the bounds");
    }
}

static void head(const struct nw_guide_log *log, const struct nw_guide_analysis *a,
                 struct nw_buf *text) {
    char duration[48];
    char start[48];
    nw_report_clean(text, log->path);
    nw_buf_printf(text, "\n");
    nw_time_write_iso(log->has_dates ? log->rows[0].t_s : NAN, 0, start, sizeof start);
    nw_buf_printf(text, "  %s%s%s, a sample every %.2f s; %zu of %zu used\n",
                  log->has_dates ? start : "", log->has_dates ? ", " : "",
                  nw_report_duration(duration, sizeof duration, a->duration_s), a->interval_s,
                  a->n_used, a->n_samples);
    nw_buf_printf(text, "  cut out: %zu dither%s%s, %zu gap%s; bursts: %zu\n", a->n_dithers,
                  a->n_dithers == 1 ? "" : "s",
                  a->are_dithers_inferred ? " (inferred from jumps)" : "", a->n_gaps,
                  a->n_gaps == 1 ? "" : "s", a->n_bursts);
    if (a->is_pulse_acts_inferred) {
        nw_buf_printf(text, "  pulses act %s their row (inferred: say `# pulse_acts: %s`)\n",
                      acts_text(a->pulse_acts), acts_text(a->pulse_acts));
    }
}

void nw_report_guiding_text(const struct nw_guide_log *log, const struct nw_guide_analysis *a,
                            struct nw_buf *text) {
    const struct nw_guide_axis *ra = &a->ra;
    const struct nw_guide_axis *dec = &a->dec;
    char total[64];
    head(log, a, text);
    nw_buf_printf(text, "\n  ");
    nw_report_left(text, 26, "arcsec on the sky");
    nw_report_right(text, 9, "RA");
    nw_report_right(text, 9, "Dec");
    nw_buf_printf(text, "\n");
    (void)snprintf(total, sizeof total, "total %.2f; about zero", a->total_rms_logged_rad * AS);
    row(text, "rms as logged", ra->rms_logged_rad * AS, dec->rms_logged_rad * AS, 2, total);
    row(text, "mean", ra->mean_rad * AS, dec->mean_rad * AS, 2, "+ east, + north");
    row(text, "99 % within", ra->p99_rad * AS, dec->p99_rad * AS, 2, "");
    row(text, "noise of one sample", ra->noise_rad * AS, dec->noise_rad * AS, 2,
        "centroid, air over guide lens");
    row(text, "  at most", fmax(ra->uncorrelated_rad, ra->noise_high_rad) * AS,
        fmax(dec->uncorrelated_rad, dec->noise_high_rad) * AS, 2, "");
    row(text, "motion within a sub", ra->motion_in_sub_rad * AS, dec->motion_in_sub_rad * AS, 2,
        "what widens the stars, rms");
    row_range(text, "  bounds", (const double[2]){ra->motion_low_rad, dec->motion_low_rad},
              (const double[2]){ra->motion_high_rad, dec->motion_high_rad});
    row(text, "drift without pulses /min", ra->drift_rad_s * 60.0 * AS,
        dec->drift_rad_s * 60.0 * AS, 3, "");
    row(text, "  +-", ra->drift_sigma_rad_s * 60.0 * AS, dec->drift_sigma_rad_s * 60.0 * AS, 3, "");
    row(text, "response to a pulse", ra->response, dec->response, 2, "1 = as the rate says");
    row(text, "  +-", ra->response_sigma, dec->response_sigma, 2, "");
    nw_buf_printf(text, "\n  %zu sub%s", a->n_subs, a->n_subs == 1 ? "" : "s");
    if (isfinite(a->sub_length_s)) {
        nw_buf_printf(text, " of %.0f s", a->sub_length_s);
    }
    nw_buf_printf(text, "; motion is about each sub's own mean\n");
    axis_notes(text, "RA", ra);
    axis_notes(text, "Dec", dec);
    nw_report_selfcheck_text(a, text);
    nw_report_worm_text(a, text);
    nw_report_backlash_text(a, text);
    nw_report_replay_text(a, text);
}
