/* report_worms.c - the worm over nights, in words and as JSON; see report_upkeep.h. */
#include <math.h>

#include "report/report_upkeep.h"

#define AS NW_ARCSEC_PER_RAD
static const double MONTH_S = 30.0 * 86400.0;
enum { SHOWN = 24 };

static void runs_table(const struct nw_worms *w, struct nw_buf *buf) {
    nw_buf_printf(buf, "  %-11s%11s%19s%14s\n", "night", "period, s", "amplitude, arcsec",
                  "phase, deg");
    for (size_t i = w->n > SHOWN ? w->n - SHOWN : 0; i < w->n; i++) {
        const struct nw_worm_run *const run = &w->runs[i];
        nw_buf_printf(buf, "  %-11s%11.1f%11.2f +- %-5.2f", run->date, run->period_s,
                      run->amplitude_rad * AS, run->amplitude_sigma_rad * AS);
        nw_report_fixed(buf, 13, run->phase_rad * NW_DEG_PER_RAD, 0);
        nw_buf_printf(buf, "\n");
    }
}

static void amplitude_words(const struct nw_worms *w, char *to, size_t size) {
    const char *const beyond = !isfinite(w->chi2_per_run) ? "one run"
                               : w->chi2_per_run > 2.0
                                   ? "they differ by more than their errors: another response to "
                                     "pulses, load or mesh from night to night"
                                   : "they differ by their errors alone";
    if (isfinite(w->change_per_s)) {
        const double sigmas = fabs(w->change_per_s) / w->change_sigma_per_s;
        (void)snprintf(to, size,
                       "%.2f +- %.2f arcsec at the axis; %s (chi2 %.1f a run); %+.1f +- %.1f %% a "
                       "month%s",
                       w->mean_rad * AS, w->mean_sigma_rad * AS, beyond, w->chi2_per_run,
                       100.0 * w->change_per_s * MONTH_S, 100.0 * w->change_sigma_per_s * MONTH_S,
                       sigmas < 2.0            ? ", no change told"
                       : w->change_per_s > 0.0 ? ", growing: clean, grease, mesh"
                                               : ", sinking");
    } else {
        (void)snprintf(to, size, "%.2f +- %.2f arcsec at the axis; %s; a change takes 4 nights",
                       w->mean_rad * AS, w->mean_sigma_rad * AS, beyond);
    }
}

static void phase_words(const struct nw_worms *w, char *to, size_t size) {
    if (w->n_phases == 0) {
        nw_text_copy(to, size,
                     "not known: the logs say no hour angle and tube side, or the teeth are no "
                     "whole number");
    } else if (w->jumped_on[0] != '\0') {
        (void)snprintf(to, size,
                       "%.0f deg at axis angle 0, scatter %.0f, since %s, when it jumped by %+.0f: "
                       "a clutch was opened, or worm and wheel moved against each other",
                       w->phase_mean_rad * NW_DEG_PER_RAD, w->phase_scatter_rad * NW_DEG_PER_RAD,
                       w->jumped_on, w->jump_rad * NW_DEG_PER_RAD);
    } else {
        (void)snprintf(to, size, "%.0f deg at axis angle 0, scatter %.0f over %zu runs: it stays",
                       w->phase_mean_rad * NW_DEG_PER_RAD, w->phase_scatter_rad * NW_DEG_PER_RAD,
                       w->n_phases);
    }
}

void nw_report_worms_text(const struct nw_worms *w, struct nw_buf *buf) {
    char text[400];
    nw_buf_printf(buf,
                  "turn of the worm, %zu runs of %zu nights (%zu runs do not show it surely)\n\n",
                  w->n, w->n_nights, w->n_left_out);
    if (w->why_null[0] != '\0') {
        nw_report_entry(buf, 2, 13, "NOT KNOWN", w->why_null);
        return;
    }
    runs_table(w, buf);
    nw_buf_printf(buf, "\n");
    amplitude_words(w, text, sizeof text);
    nw_report_entry(buf, 2, 13, "AMPLITUDE", text);
    phase_words(w, text, sizeof text);
    nw_report_entry(buf, 2, 13, "PHASE", text);
    nw_report_entry(buf, 2, 13, "MIND",
                    "amplitudes are as good as the response to a pulse: where the guide rate is "
                    "15 % off, so are they");
}

enum nw_status nw_report_worms_json(const struct nw_worms *w, json_t **ret, struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "book", 1);
    nw_json_text(&json, NULL, "verb", "trend");
    nw_json_text(&json, NULL, "y", "worm");
    nw_json_count(&json, NULL, "nights", w->n_nights);
    nw_json_count(&json, NULL, "runs_left_out", w->n_left_out);
    nw_json_number(&json, NULL, "amplitude_arcsec", w->n > 0 ? w->mean_rad * AS : NAN, 5);
    nw_json_number(&json, NULL, "amplitude_sigma_arcsec", w->n > 0 ? w->mean_sigma_rad * AS : NAN,
                   3);
    nw_json_number(&json, NULL, "chi2_per_run", w->chi2_per_run, 4);
    nw_json_number(&json, NULL, "change_percent_per_month", 100.0 * w->change_per_s * MONTH_S, 4);
    nw_json_number(&json, NULL, "change_sigma_percent_per_month",
                   100.0 * w->change_sigma_per_s * MONTH_S, 3);
    nw_json_number(&json, NULL, "phase_at_axis_zero_deg", w->phase_mean_rad * NW_DEG_PER_RAD, 4);
    nw_json_number(&json, NULL, "phase_scatter_deg", w->phase_scatter_rad * NW_DEG_PER_RAD, 3);
    nw_json_text(&json, NULL, "phase_jumped_on", w->jumped_on);
    if (w->why_null[0] != '\0') {
        nw_json_why(&json, NULL, "amplitude_arcsec", w->why_null);
    }
    json_t *const runs = nw_json_array(&json, NULL, "runs");
    for (size_t i = 0; i < w->n; i++) {
        const struct nw_worm_run *const run = &w->runs[i];
        json_t *const item = nw_json_item(&json, runs);
        nw_json_text(&json, item, "night", run->date);
        nw_json_number(&json, item, "period_s", run->period_s, 6);
        nw_json_number(&json, item, "amplitude_arcsec", run->amplitude_rad * AS, 5);
        nw_json_number(&json, item, "amplitude_sigma_arcsec", run->amplitude_sigma_rad * AS, 3);
        nw_json_number(&json, item, "phase_at_axis_zero_deg", run->phase_rad * NW_DEG_PER_RAD, 4);
    }
    return nw_json_end(&json, ret, err);
}
