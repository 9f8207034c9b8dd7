/* report_told.c - see report_told.h. */
#include "report/report_told.h"

#include <math.h>

#include "report/report_internal.h"

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)

/* A number of the book in the unit that people read. */
static double shown(const char *unit, double value) {
    return strcmp(unit, "rad") == 0 || strcmp(unit, "rad/s") == 0 ? ARCSEC(value)
           : strcmp(unit, "rad2") == 0 ? ARCSEC(value) * NW_ARCSEC_PER_RAD
           : strcmp(unit, "m") == 0    ? value * 1e6
                                       : value;
}

static const char *shown_unit(const char *unit) {
    return strcmp(unit, "rad") == 0     ? "arcsec"
           : strcmp(unit, "rad/s") == 0 ? "arcsec/s"
           : strcmp(unit, "rad2") == 0  ? "arcsec^2"
           : strcmp(unit, "m") == 0     ? "um"
                                        : unit;
}

void nw_report_told_text(const struct nw_book_trial *trials, size_t n, struct nw_buf *buf) {
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_trial *const t = &trials[i];
        char when[32];
        char text[480];
        nw_time_write_iso(0.5 * (t->t_first_s + t->t_last_s), 0, when, sizeof when);
        (void)snprintf(text, sizeof text, "%s, %.16s: %s: %s", t->name, when, t->quantity,
                       isfinite(t->value) ? t->verdict : t->why_null);
        nw_report_entry(buf, 2, 10, i == 0 ? "TRIAL" : "", text);
    }
}

void nw_report_told_json(const struct nw_book_trial *trials, size_t n, json_t *document) {
    struct nw_json json = {.root = document};
    json_t *array = nw_json_array(&json, NULL, "trials");
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_trial *const t = &trials[i];
        json_t *o = nw_json_item(&json, array);
        char when[32];
        nw_time_write_iso(0.5 * (t->t_first_s + t->t_last_s), 0, when, sizeof when);
        if (t->id > 0) {
            nw_json_count(&json, o, "number", (size_t)t->id);
        }
        nw_json_text(&json, o, "trial", t->name);
        nw_json_text(&json, o, "time_utc", when);
        nw_json_text(&json, o, "quantity", t->quantity);
        nw_json_text(&json, o, "unit", shown_unit(t->unit));
        nw_json_number(&json, o, "value", shown(t->unit, t->value), 5);
        nw_json_number(&json, o, "sigma", shown(t->unit, t->sigma), 3);
        nw_json_number(&json, o, "foretold", shown(t->unit, t->foretold), 5);
        nw_json_count(&json, o, "frames", t->n_frames);
        nw_json_text(&json, o, "verdict", t->verdict);
        if (!isfinite(t->value)) {
            nw_json_why(&json, o, "value", t->why_null);
        }
    }
}

void nw_report_trials_kept_text(const struct nw_book_trial *trials, size_t n, struct nw_buf *buf) {
    if (n == 0) {
        nw_buf_printf(buf, "no trials: none kept, none found in the nights of the book\n");
        return;
    }
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_trial *const t = &trials[i];
        char label[24];
        char when[32];
        char text[640];
        nw_time_write_iso(t->t_first_s, 0, when, sizeof when);
        (void)snprintf(label, sizeof label, "%lld", (long long)t->id);
        (void)snprintf(text, sizeof text, "%.10s %.5s  %s, %s: %s%s", when, when + 11, t->name,
                       t->quantity,
                       isfinite(t->value) ? t->verdict
                       : t->why_null[0]   ? t->why_null
                                          : "not told",
                       t->origin == NW_BOOK_FROM_OWNER ? " (yours)" : "");
        nw_report_entry(buf, 2, 6, label, text);
    }
    nw_buf_printf(buf, "\nwas one none? `book trials --forget NUMBER`: it is not found again\n");
}

enum nw_status nw_report_trials_kept_json(const struct nw_book_trial *trials, size_t n,
                                          json_t **ret, struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "book", 1);
    nw_report_told_json(trials, n, json.root);
    return nw_json_end(&json, ret, err);
}

void nw_report_trial_told_text(const struct nw_trial_told *told, struct nw_buf *buf) {
    nw_report_title(buf, nw_trial_name(told->card->id), "what came of it");
    nw_report_entry(buf, 2, 15, "FROM", told->from);
    nw_report_entry(buf, 2, 15, isfinite(told->value) ? "TOLD" : "NOTHING",
                    isfinite(told->value) ? told->verdict : told->why_null);
    nw_report_entry(buf, 2, 15, "SETTLES", told->card->settles);
}

enum nw_status nw_report_trial_told_json(const struct nw_trial_told *told, json_t **ret,
                                         struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "trial", 1);
    nw_json_text(&json, NULL, "trial", nw_trial_name(told->card->id));
    json_t *o = nw_json_object(&json, NULL, "result");
    nw_json_text(&json, o, "quantity", told->quantity);
    nw_json_text(&json, o, "unit", shown_unit(told->unit));
    nw_json_number(&json, o, "value", shown(told->unit, told->value), 5);
    nw_json_number(&json, o, "sigma", shown(told->unit, told->sigma), 3);
    if (isfinite(told->high)) {
        nw_json_number(&json, o, "low_95_percent", shown(told->unit, told->low), 4);
        nw_json_number(&json, o, "high_95_percent", shown(told->unit, told->high), 4);
    }
    nw_json_count(&json, o, "frames", told->n_frames);
    nw_json_text(&json, o, "from", told->from);
    nw_json_text(&json, o, "verdict", told->verdict);
    if (!isfinite(told->value)) {
        nw_json_why(&json, o, "value", told->why_null);
    }
    return nw_json_end(&json, ret, err);
}

/* ---- Advice --------------------------------------------------------------------------------- */

void nw_report_outcomes_text(const struct nw_book_advice *advice, size_t n, struct nw_buf *buf) {
    bool is_first = true;
    size_t n_open = 0;
    for (size_t i = 0; i < n; i++) {
        char text[800];
        if (advice[i].outcome == NW_BOOK_OPEN && advice[i].outcome_text[0] == '\0') {
            n_open++;
            continue;
        }
        (void)snprintf(text, sizeof text, "%s (advised on %s): %s. %s", advice[i].what,
                       advice[i].date, nw_book_outcome_word(advice[i].outcome),
                       advice[i].outcome_text);
        nw_report_entry(buf, 2, 15, is_first ? "DID IT HELP" : "", text);
        is_first = false;
    }
    if (n_open > 0) {
        char text[160];
        (void)snprintf(text, sizeof text,
                       "%zu piece%s of earlier advice not taken up (neither the rig file nor an "
                       "entry of `book change` says so)",
                       n_open, n_open == 1 ? "" : "s");
        nw_report_entry(buf, 2, 15, is_first ? "DID IT HELP" : "", text);
    }
}

void nw_report_outcomes_json(const struct nw_book_advice *advice, size_t n, json_t *document) {
    struct nw_json json = {.root = document};
    json_t *array = nw_json_array(&json, NULL, "advice_before");
    for (size_t i = 0; i < n; i++) {
        const struct nw_book_advice *const a = &advice[i];
        json_t *o = nw_json_item(&json, array);
        nw_json_text(&json, o, "change", a->what);
        nw_json_text(&json, o, "night", a->date);
        nw_json_text(&json, o, "outcome", nw_book_outcome_word(a->outcome));
        nw_json_number(&json, o, "foretold_arcsec", ARCSEC(a->predicted_rad - a->before_rad), 4);
        nw_json_number(&json, o, "foretold_sigma_arcsec", ARCSEC(a->sigma_rad), 3);
        nw_json_number(&json, o, "came_arcsec", ARCSEC(a->came_rad), 4);
        nw_json_number(&json, o, "came_sigma_arcsec", ARCSEC(a->came_sigma_rad), 3);
        if (!isfinite(a->came_rad)) {
            nw_json_why(&json, o, "came_arcsec",
                        a->outcome_text[0] ? a->outcome_text : "the change was not made");
        }
    }
}
