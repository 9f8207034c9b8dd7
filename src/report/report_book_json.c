/* report_book_json.c - the book's answers as nightwright.book.1. */
#include "report/report_book.h"

static void begin(struct nw_json *json, const char *verb) {
    nw_json_begin(json, "book", 1);
    nw_json_text(json, NULL, "verb", verb);
}

enum nw_status nw_report_book_added_json(const struct nw_book_added *added, json_t **ret,
                                         struct nw_err *err) {
    struct nw_json json;
    begin(&json, "add");
    nw_json_count(&json, NULL, "files", added->n_files);
    for (size_t fate = 0; fate < 4; fate++) {
        nw_json_count(&json, NULL, nw_book_fate_word((enum nw_book_fate)fate), added->n_fate[fate]);
    }
    nw_json_count(&json, NULL, "light_frames", added->n_lights);
    nw_json_count(&json, NULL, "calibration_frames", added->n_calibration);
    nw_json_count(&json, NULL, "not_measured", added->n_unmeasured);
    nw_json_count(&json, NULL, "doubles", added->n_doubles);
    nw_json_count(&json, NULL, "guide_runs", added->n_runs);
    nw_json_count(&json, NULL, "climate_nights", added->n_climate);
    nw_json_count(&json, NULL, "power_nights", added->n_power);
    nw_json_count(&json, NULL, "documents", added->n_documents);
    nw_json_count(&json, NULL, "rig_files", added->n_rigs);
    nw_json_count(&json, NULL, "changes", added->n_changes);
    json_t *const list = nw_json_array(&json, NULL, "skipped_files");
    for (size_t i = 0; i < added->n_skipped; i++) {
        json_t *const item = nw_json_item(&json, list);
        nw_json_text(&json, item, "path", added->skipped[i].path);
        nw_json_text(&json, item, "why", added->skipped[i].why);
    }
    return nw_json_end(&json, ret, err);
}

enum nw_status nw_report_book_nights_json(const struct nw_book_night *nights, size_t n,
                                          json_t **ret, struct nw_err *err) {
    struct nw_json json;
    begin(&json, "nights");
    json_t *const list = nw_json_array(&json, NULL, "nights");
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_night *const night = &nights[i];
        json_t *const item = nw_json_item(&json, list);
        nw_json_text(&json, item, "night", night->date);
        nw_json_count(&json, item, "light_frames", night->n_lights);
        nw_json_count(&json, item, "calibration_frames", night->n_calibration);
        nw_json_count(&json, item, "guide_runs", night->n_runs);
        nw_json_count(&json, item, "changes", night->n_changes);
        nw_json_number(&json, item, "exposure_h", night->exposure_s / 3600.0, 6);
        nw_json_time(&json, item, "first_start_utc", night->t_first_s, 0);
        nw_json_time(&json, item, "last_end_utc", night->t_last_s, 0);
        nw_json_number(&json, item, "fwhm_px", night->fwhm_px, 5);
        nw_json_number(&json, item, "fwhm_arcsec", night->fwhm_arcsec, 5);
        nw_json_number(&json, item, "best_fwhm_arcsec", night->best_arcsec, 5);
        nw_json_number(&json, item, "guide_rms_logged_arcsec", night->rms_arcsec, 5);
        nw_json_number(&json, item, "motion_in_sub_arcsec", night->motion_arcsec, 5);
        nw_json_text(&json, item, "objects", night->objects);
        nw_json_text(&json, item, "filters", night->filters);
    }
    return nw_json_end(&json, ret, err);
}

enum nw_status nw_report_book_changes_json(const struct nw_book_change *changes, size_t n,
                                           json_t **ret, struct nw_err *err) {
    struct nw_json json;
    begin(&json, "change");
    json_t *const list = nw_json_array(&json, NULL, "changes");
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_change *const c = &changes[i];
        json_t *const item = nw_json_item(&json, list);
        nw_json_count(&json, item, "number", (size_t)c->id);
        nw_json_text(&json, item, "night", c->date);
        nw_json_text(&json, item, "origin", c->is_owners ? "owner" : "headers");
        nw_json_text(&json, item, "camera", c->camera);
        nw_json_text(&json, item, "what", c->what);
        nw_json_text(&json, item, "from", c->old_value);
        nw_json_text(&json, item, "to", c->new_value);
        nw_json_text(&json, item, "note", c->note);
    }
    return nw_json_end(&json, ret, err);
}

enum nw_status nw_report_book_trend_json(const struct nw_book_trend_opts *opts,
                                         const struct nw_book_trend *trend, json_t **ret,
                                         struct nw_err *err) {
    struct nw_json json;
    begin(&json, "trend");
    nw_json_text(&json, NULL, "of", opts->y);
    nw_json_text(&json, NULL, "against", opts->x);
    nw_json_bool(&json, NULL, "by_night", opts->is_by_night);
    nw_json_count(&json, NULL, "nights", trend->n_nights);
    nw_json_number(&json, NULL, "slope", trend->slope, 6);
    nw_json_number(&json, NULL, "slope_low", trend->slope_low, 6);
    nw_json_number(&json, NULL, "slope_high", trend->slope_high, 6);
    nw_json_number(&json, NULL, "at_x", trend->at_x, 8);
    nw_json_number(&json, NULL, "at_y", trend->at_y, 8);
    nw_json_number(&json, NULL, "scatter", trend->scatter, 6);
    nw_json_number(&json, NULL, "rank_correlation", trend->rank_correlation, 4);
    if (trend->why_null[0] != '\0') {
        nw_json_text(&json, NULL, "why_null", trend->why_null);
    }
    json_t *const list = nw_json_array(&json, NULL, "points");
    for (size_t i = 0; i < trend->n; i++) {
        json_t *const item = nw_json_item(&json, list);
        nw_json_text(&json, item, "night", trend->points[i].date);
        nw_json_number(&json, item, "x", trend->points[i].x, 8);
        nw_json_number(&json, item, "y", trend->points[i].y, 8);
    }
    return nw_json_end(&json, ret, err);
}

enum nw_status nw_report_book_accept_json(const struct nw_book_acceptance *all, size_t n,
                                          json_t **ret, struct nw_err *err) {
    static const char *const WORDS[] = {"same", "worse", "better", "unknown"};
    struct nw_json json;
    begin(&json, "accept");
    json_t *const list = nw_json_array(&json, NULL, "trains");
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_acceptance *const a = &all[i];
        json_t *const item = nw_json_item(&json, list);
        nw_json_text(&json, item, "night", a->date);
        nw_json_text(&json, item, "camera", a->camera);
        nw_json_text(&json, item, "filter", a->filter);
        nw_json_text(&json, item, "object", a->object);
        nw_json_count(&json, item, "subs", a->n_subs);
        nw_json_count(&json, item, "not_as_it_was", a->n_off);
        json_t *const checks = nw_json_array(&json, item, "checks");
        for (size_t k = 0; k < a->n_checks; k++) {
            const struct nw_book_check *const c = &a->checks[k];
            json_t *const check = nw_json_item(&json, checks);
            nw_json_text(&json, check, "what", c->what);
            nw_json_text(&json, check, "unit", c->unit);
            nw_json_number(&json, check, "tonight", c->tonight, 6);
            nw_json_number(&json, check, "usual", c->usual, 6);
            nw_json_number(&json, check, "low", c->low, 6);
            nw_json_number(&json, check, "high", c->high, 6);
            nw_json_count(&json, check, "nights", c->n_nights);
            nw_json_text(&json, check, "verdict", WORDS[c->verdict]);
            nw_json_text(&json, check, "why", c->why);
        }
    }
    return nw_json_end(&json, ret, err);
}

enum nw_status nw_report_book_health_json(const struct nw_book_health *health, json_t **ret,
                                          struct nw_err *err) {
    struct nw_json json;
    begin(&json, "check");
    nw_json_bool(&json, NULL, "is_sound", health->n_problems == 0);
    nw_json_count(&json, NULL, "files", health->n_contents);
    nw_json_count(&json, NULL, "frames", health->n_frames);
    nw_json_count(&json, NULL, "measures", health->n_measures);
    nw_json_count(&json, NULL, "guide_runs", health->n_runs);
    nw_json_count(&json, NULL, "guide_samples", health->n_samples);
    nw_json_count(&json, NULL, "nights", health->n_nights);
    nw_json_count(&json, NULL, "changes", health->n_changes);
    nw_json_count(&json, NULL, "climate_nights", health->n_climate);
    nw_json_count(&json, NULL, "climate_rows", health->n_climate_rows);
    nw_json_count(&json, NULL, "power_nights", health->n_power);
    nw_json_count(&json, NULL, "power_rows", health->n_power_rows);
    nw_json_count(&json, NULL, "documents", health->n_documents);
    nw_json_count(&json, NULL, "calibration_sets", health->n_sets);
    nw_json_count(&json, NULL, "rig_files", health->n_rigs);
    nw_json_count(&json, NULL, "size_bytes", (size_t)health->size_bytes);
    json_t *const list = nw_json_array(&json, NULL, "problems");
    for (size_t i = 0;
         i < health->n_problems && i < sizeof health->problems / sizeof health->problems[0]; i++) {
        nw_json_add_text(&json, list, health->problems[i]);
    }
    return nw_json_end(&json, ret, err);
}
