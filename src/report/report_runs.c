/* report_runs.c - see report_runs.h */
#include "report/report_runs.h"

#include <math.h>

#include "report/report_guiding.h"

#define AS NW_ARCSEC_PER_RAD

/* ---- text ---- */

static void motion_cells(const struct nw_guide_axis *axis, struct nw_buf *text) {
    nw_report_fixed(text, 6, axis->rms_logged_rad * AS, 2);
    if (isfinite(axis->motion_in_sub_rad)) {
        nw_report_fixed(text, 11, axis->motion_in_sub_rad * AS, 2);
    } else if (isfinite(axis->motion_low_rad)) { /* only bounds */
        char range[48];
        (void)snprintf(range, sizeof range, "%.2f-%.2f", axis->motion_low_rad * AS,
                       axis->motion_high_rad * AS);
        nw_report_right(text, 11, range);
    } else {
        nw_report_right(text, 11, "-");
    }
}

static void show_run(const struct nw_guide_result *r, struct nw_buf *text) {
    const struct nw_guide_log *const log = r->file->items[r->number - 1].log;
    char when[48];
    char length[48];
    if (log->has_dates) {
        nw_time_write_iso(log->rows[0].t_s, 0, when, sizeof when);
        when[16 < strlen(when) ? 16 : strlen(when)] = '\0'; /* to the minute */
    } else {
        (void)snprintf(when, sizeof when, "%.0f s", log->rows[0].t_s);
    }
    nw_buf_printf(text, "  run %-4zu", r->number);
    nw_report_left(text, 18, when);
    if (!r->analysis) {
        nw_buf_printf(text, "left out: ");
        nw_report_left(text, 40, r->why);
        nw_buf_printf(text, "\n");
        return;
    }
    nw_report_left(text, 13, nw_report_duration(length, sizeof length, r->analysis->duration_s));
    motion_cells(&r->analysis->ra, text);
    nw_buf_printf(text, " ");
    motion_cells(&r->analysis->dec, text);
    nw_buf_printf(text, "\n");
}

static void show_axis(const char *name, const struct nw_guide_joined_axis *axis,
                      struct nw_buf *text) {
    nw_buf_printf(text, "    ");
    nw_report_left(text, 6, name);
    nw_report_fixed(text, 12, axis->rms_logged_rad * AS, 2);
    nw_report_fixed(text, 12, axis->noise_rad * AS, 2);
    nw_report_fixed(text, 12, axis->motion_in_sub_rad * AS, 2);
    if (isfinite(axis->motion_low_rad)) {
        nw_buf_printf(text, "   %.2f to %.2f", axis->motion_low_rad * AS,
                      axis->motion_high_rad * AS);
    }
    nw_buf_printf(text, "\n");
}

/* Silent where no run has a worm. */
static void show_worms(const struct nw_guide_worm_nights *w, struct nw_buf *text) {
    char line[500];
    if (w->why_null[0] != '\0') {
        if (w->n + w->n_unkeyed > 1) {
            (void)snprintf(line, sizeof line, "Worm over the runs: %s.", w->why_null);
            nw_report_paragraph(text, 2, line);
        }
        return;
    }
    const int n = snprintf(
        line, sizeof line,
        "Worm over the runs, %zu of %zu by the angle of the axis (%.0f teeth): %.2f +- %.2f arcsec "
        "at the axis, phase %.0f +- %.0f deg at axis angle 0. ",
        w->n, w->n + w->n_unkeyed, w->teeth, w->amplitude_rad * AS, w->amplitude_sigma_rad * AS,
        w->phase_rad * NW_DEG_PER_RAD, w->phase_sigma_rad * NW_DEG_PER_RAD);
    if (n > 0 && w->is_same) {
        (void)snprintf(
            line + n, sizeof line - (size_t)n,
            "One worm (chance %.2g): the mean of the other runs takes %.0f %% of a run's "
            "first turn away, while the clutches stay closed.",
            w->chance, w->foretold * 100.0);
    } else if (n > 0) {
        (void)snprintf(line + n, sizeof line - (size_t)n,
                       "The phases do not agree (chance %.2g, up to %.0f deg off): a clutch was "
                       "opened between, or an hour angle or tube side is wrong.",
                       w->chance, w->farthest_rad * NW_DEG_PER_RAD);
    }
    nw_report_paragraph(text, 2, line);
}

static void add_worms(struct nw_json *json, const struct nw_guide_worm_nights *w) {
    json_t *o = nw_json_object(json, NULL, "worm_over_runs");
    nw_json_count(json, o, "runs", w->n);
    nw_json_count(json, o, "runs_not_keyed", w->n_unkeyed);
    nw_json_number(json, o, "teeth", w->teeth, 6);
    nw_json_number(json, o, "amplitude_arcsec", w->amplitude_rad * AS, 5);
    nw_json_number(json, o, "amplitude_sigma_arcsec", w->amplitude_sigma_rad * AS, 3);
    nw_json_number(json, o, "phase_at_axis_zero_deg", w->phase_rad * NW_DEG_PER_RAD, 5);
    nw_json_number(json, o, "phase_sigma_deg", w->phase_sigma_rad * NW_DEG_PER_RAD, 3);
    nw_json_number(json, o, "chance", w->chance, 3);
    nw_json_number(json, o, "foretold_by_others", w->foretold, 3);
    if (w->why_null[0] != '\0') {
        nw_json_null(json, o, "same_worm");
        nw_json_why(json, o, "same_worm", w->why_null);
    } else {
        nw_json_bool(json, o, "same_worm", w->is_same);
    }
}

void nw_report_runs_text(const struct nw_guide_result *results, size_t n, struct nw_buf *text) {
    const struct nw_guide_joined joined = nw_guide_pool(results, n);
    char length[48];
    nw_buf_printf(text, "                                               RA, arcsec       Dec, "
                        "arcsec\n");
    nw_buf_printf(text, "           starts            length         rms     motion    rms     "
                        "motion\n");
    for (size_t i = 0; i < n; i++) {
        if (i == 0 || results[i].file != results[i - 1].file) {
            nw_report_clean(text, results[i].file->path);
            nw_buf_printf(text, "\n");
        }
        show_run(&results[i], text);
    }
    nw_buf_printf(text, "\nall runs together: %zu, %s, %zu samples used, %zu subs\n", joined.n_runs,
                  nw_report_duration(length, sizeof length, joined.duration_s), joined.n_used,
                  joined.n_subs);
    nw_buf_printf(text, "    arcsec   as logged       noise      motion   within\n");
    show_axis("RA", &joined.ra, text);
    show_axis("Dec", &joined.dec, text);
    nw_report_paragraph(text, 2,
                        "rms is as logged, motion is that within a sub, about its own mean.");
    struct nw_guide_worm_nights worms;
    nw_guide_compare_worms(results, n, &worms);
    show_worms(&worms, text);
}

void nw_report_run_text(const struct nw_guide_result *r, struct nw_buf *text) {
    const struct nw_guide_run *const run = &r->file->items[r->number - 1];
    nw_report_guiding_text(run->log, r->analysis, text);
    if (run->n_rejected > 0) {
        struct nw_buf line;
        nw_buf_init(&line, 1000);
        nw_buf_printf(&line,
                      "Left out: %zu of %zu lines could not be read, the first is line %zu: ",
                      run->n_rejected, run->n_rejected + run->n_rows, run->rejects[0].line);
        nw_report_clean(&line, run->rejects[0].reason);
        nw_buf_printf(&line, ". `log --try` shows more.");
        nw_report_paragraph(text, 2, line.data ? line.data : "");
        nw_buf_done(&line);
    }
    if (run->note[0] != '\0') {
        nw_report_paragraph(text, 2, run->note);
    }
}

/* ---- JSON ---- */

static void add_axis(struct nw_json *json, json_t *object, const char *key,
                     const struct nw_guide_joined_axis *axis) {
    json_t *o = nw_json_object(json, object, key);
    nw_json_number(json, o, "rms_logged_arcsec", axis->rms_logged_rad * AS, 5);
    nw_json_number(json, o, "noise_arcsec", axis->noise_rad * AS, 5);
    nw_json_number(json, o, "motion_in_sub_arcsec", axis->motion_in_sub_rad * AS, 5);
    nw_json_number(json, o, "motion_low_arcsec", axis->motion_low_rad * AS, 5);
    nw_json_number(json, o, "motion_high_arcsec", axis->motion_high_rad * AS, 5);
}

static void add_joined(struct nw_json *json, const struct nw_guide_joined *joined) {
    json_t *o = nw_json_object(json, NULL, "joined");
    nw_json_count(json, o, "runs", joined->n_runs);
    nw_json_number(json, o, "duration_s", joined->duration_s, 9);
    nw_json_count(json, o, "samples", joined->n_samples);
    nw_json_count(json, o, "samples_used", joined->n_used);
    nw_json_count(json, o, "subs", joined->n_subs);
    add_axis(json, o, "ra", &joined->ra);
    add_axis(json, o, "dec", &joined->dec);
    json_t *total = nw_json_object(json, o, "total");
    nw_json_number(json, total, "rms_logged_arcsec", joined->total_rms_logged_rad * AS, 5);
}

enum nw_status nw_report_run_json(const struct nw_guide_result *r, json_t **ret,
                                  struct nw_err *err) {
    const struct nw_guide_run *const run = &r->file->items[r->number - 1];
    json_t *document = NULL;
    enum nw_status status = NW_OK;
    if (r->analysis) {
        status = nw_report_guiding_json(run->log, r->analysis, &document, err);
    } else {
        document = json_object();
    }
    if (status != NW_OK) {
        return status;
    }
    struct nw_json json = {.root = document};
    if (!r->analysis) {
        nw_json_text(&json, NULL, "path", r->file->path);
        nw_json_text(&json, NULL, "why_null", r->why);
    }
    nw_json_count(&json, NULL, "run", r->number);
    nw_json_count(&json, NULL, "first_line", run->first_line);
    nw_json_count(&json, NULL, "last_line", run->last_line);
    nw_json_count(&json, NULL, "lines_left_out", run->n_rejected);
    return nw_json_end(&json, ret, err);
}

enum nw_status nw_report_runs_json(const struct nw_guide_result *results, size_t n,
                                   json_t *document, struct nw_err *err) {
    const struct nw_guide_joined joined = nw_guide_pool(results, n);
    struct nw_json json = {.root = json_incref(document)};
    add_joined(&json, &joined);
    struct nw_guide_worm_nights worms;
    nw_guide_compare_worms(results, n, &worms);
    add_worms(&json, &worms);
    json_t *const array = nw_json_array(&json, NULL, "runs");
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        json_t *item = NULL;
        status = nw_report_run_json(&results[i], &item, err);
        nw_json_add(&json, array, item);
    }
    json_t *same = NULL;
    if (status != NW_OK) {
        nw_json_drop(&json);
        return status;
    }
    status = nw_json_end(&json, &same, err);
    json_decref(same);
    return status;
}
