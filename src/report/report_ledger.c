/* report_ledger.c - budgets that are lists of lines (budget/ledger.h), as text and as JSON. */
#include "report/report_ledger.h"

#include <math.h>

/* "-55.00 +- 0.10", decimals by the unit: um whole, W one, arcsec three, others two. */
static int decimals_of(const char *unit) {
    return strcmp(unit, "um") == 0           ? 0
           : strcmp(unit, "W") == 0          ? 1
           : strncmp(unit, "arcsec", 6) == 0 ? 3
                                             : 2;
}

static void pm(char *text, size_t size, double value, double sigma, int decimals) {
    if (!isfinite(value)) {
        nw_text_copy(text, size, "-");
    } else if (isfinite(sigma) && sigma > 0.0) {
        (void)snprintf(text, size, "%.*f +- %.*f", decimals, value, decimals, sigma);
    } else {
        (void)snprintf(text, size, "%.*f", decimals, value);
    }
}

static void row(const struct nw_ledger_line *line, struct nw_buf *buf) {
    char text[64];
    const int decimals = decimals_of(line->unit);
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 30, line->label);
    pm(text, sizeof text, line->predicted, line->predicted_sigma, decimals);
    nw_report_right(buf, 16, text);
    if (isfinite(line->measured)) {
        pm(text, sizeof text, line->measured, line->measured_sigma, decimals);
    } else {
        nw_text_copy(text, sizeof text, "-");
    }
    nw_report_right(buf, 14, text);
    nw_report_fixed(buf, 8, line->allowed, decimals);
    nw_buf_printf(buf, "  %s\n", nw_from_name(line->provenance));
}

static void rows(const struct nw_ledger *ledger, bool is_summed, struct nw_buf *buf) {
    const char *unit = NULL;
    for (size_t i = 0; i < ledger->n_lines; i++) {
        const struct nw_ledger_line *const line = &ledger->lines[i];
        if (line->is_summed != is_summed) {
            continue;
        }
        if (!unit || strcmp(unit, line->unit) != 0) {
            unit = line->unit;
            char head[64];
            (void)snprintf(head, sizeof head, "%s, %s",
                           is_summed                           ? "what adds up"
                           : strcmp(ledger->name, "damp") == 0 ? "damp"
                           : ledger->is_floor                  ? "what could touch"
                                                               : "beside it",
                           unit);
            nw_buf_printf(buf, "%s  ", is_summed || ledger->is_floor ? "" : "\n");
            nw_report_left(buf, 30, head);
            nw_buf_printf(buf, "       predicted      measured %s  known by\n",
                          ledger->is_floor ? " wanted" : "allowed");
        }
        row(line, buf);
    }
}

static void sum(const struct nw_ledger *ledger, struct nw_buf *buf) {
    const int decimals = decimals_of(ledger->unit);
    char text[64];
    nw_report_rule(buf, 2);
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 30, ledger->sum_label);
    pm(text, sizeof text, ledger->predicted, ledger->predicted_sigma, decimals);
    nw_report_right(buf, 16, text);
    pm(text, sizeof text, ledger->measured, ledger->measured_sigma, decimals);
    nw_report_right(buf, 14, text);
    nw_report_fixed(buf, 8, ledger->allowed, decimals);
    nw_buf_printf(buf, "\n");
}

static void entry(struct nw_buf *buf, const char *head, const char *text) {
    nw_report_entry(buf, 2, 15, head, text);
}

static void what_to_do(const struct nw_ledger *ledger, struct nw_buf *buf) {
    char text[900];
    for (size_t i = 0; i < ledger->n_unknown; i++) {
        const struct nw_ledger_unknown *const u = &ledger->unknown[i];
        char minutes[32] = "";
        if (u->minutes > 0) {
            (void)snprintf(minutes, sizeof minutes, ", %d min", u->minutes);
        }
        (void)snprintf(text, sizeof text, "%s. Trial \"%s\"%s: settles %s", u->what, u->trial,
                       minutes, u->settles_to);
        entry(buf, i == 0 ? "CANNOT TELL" : "", text);
    }
    for (size_t i = 0; i < ledger->n_advice; i++) {
        const struct nw_ledger_advice *const a = &ledger->advice[i];
        (void)snprintf(text, sizeof text, "%zu %s (%s): %s%s%s", i + 1, a->change, a->effort,
                       a->why, a->prediction[0] ? ". Foretold: " : "", a->prediction);
        entry(buf, i == 0 ? "WORTH DOING" : "", text);
    }
    for (size_t i = 0; i < ledger->n_leave; i++) {
        (void)snprintf(text, sizeof text, "%s: %s", ledger->leave[i].change, ledger->leave[i].why);
        entry(buf, i == 0 ? "LEAVE IT" : "", text);
    }
    for (size_t i = 0; i < ledger->n_cautions; i++) {
        entry(buf, i == 0 ? "CAUTION" : "", ledger->cautions[i]);
    }
}

void nw_report_ledger_text(const struct nw_ledger *ledger, const char *setup, struct nw_buf *buf) {
    nw_report_title(buf, ledger->title, ledger->aside);
    nw_buf_printf(buf, "setup %s\n\n", setup);
    rows(ledger, true, buf);
    if (ledger->is_floor) {
        rows(ledger, false, buf);
        sum(ledger, buf);
    } else {
        sum(ledger, buf);
        rows(ledger, false, buf);
    }
    nw_buf_printf(buf, "\n");
    entry(buf, "IT COMES TO", ledger->verdict);
    if (!isfinite(ledger->measured) && ledger->why_null[0]) {
        entry(buf, "NOT MEASURED", ledger->why_null);
    }
    what_to_do(ledger, buf);
}

void nw_report_ledger_brief(const struct nw_ledger *ledger, struct nw_buf *buf) {
    char text[400];
    (void)snprintf(text, sizeof text, "%s (--budget %s)", ledger->verdict, ledger->name);
    entry(buf, ledger->title, text);
}

/* ---- JSON ---- */

static void one_line(struct nw_json *json, json_t *array, const struct nw_ledger *ledger,
                     const struct nw_ledger_line *line) {
    json_t *const o = nw_json_item(json, array);
    nw_json_text(json, o, "id", line->id);
    nw_json_text(json, o, "label", line->label);
    nw_json_text(json, o, "unit", line->unit);
    nw_json_bool(json, o, "summed", line->is_summed);
    nw_json_number(json, o, "allowed", line->allowed, 5);
    nw_json_number(json, o, "predicted", line->predicted, 6);
    nw_json_number(json, o, "predicted_sigma", line->predicted_sigma, 3);
    nw_json_number(json, o, "measured", line->measured, 6);
    nw_json_number(json, o, "measured_sigma", line->measured_sigma, 3);
    nw_json_number(json, o, "measured_low", line->measured_low, 6);
    nw_json_number(json, o, "measured_high", line->measured_high, 6);
    nw_json_number(json, o, "attainable", line->attainable, 5);
    nw_json_number(json, o, "time_percent_point", line->time_percent_point, 4);
    nw_json_number(json, o, "time_percent_extended", line->time_percent_extended, 4);
    const double size = fabs(isfinite(line->measured) ? line->measured : line->predicted);
    const double share = size / line->allowed;
    nw_json_number(json, o, "margin_percent",
                   100.0 * (ledger->is_floor ? share - 1.0 : 1.0 - share), 3);
    nw_json_text(json, o, "basis", line->basis);
    nw_json_text(json, o, "detail", line->detail);
    nw_json_text(json, o, "provenance", nw_from_name(line->provenance));
    (void)nw_json_array(json, o, "evidence");
    if (!isfinite(line->measured)) {
        nw_json_why(json, o, "measured", line->why_null);
    }
    if (!isfinite(line->allowed)) {
        nw_json_why(json, o, "margin_percent", "nothing is allotted to this line by itself");
    }
}

void nw_report_ledger_json(const struct nw_ledger *ledger, struct nw_json *json, json_t *array) {
    json_t *const o = nw_json_item(json, array);
    nw_json_text(json, o, "name", ledger->name);
    nw_json_text(json, o, "unit", ledger->unit);
    nw_json_text(json, o, "allowed_is", ledger->is_floor ? "least" : "most");
    json_t *const t = nw_json_object(json, o, "total");
    nw_json_number(json, t, "allowed", ledger->allowed, 5);
    nw_json_number(json, t, "predicted", ledger->predicted, 6);
    nw_json_number(json, t, "predicted_sigma", ledger->predicted_sigma, 3);
    nw_json_number(json, t, "measured", ledger->measured, 6);
    nw_json_number(json, t, "measured_sigma", ledger->measured_sigma, 3);
    nw_json_number(json, t, "over_probability", ledger->over_probability, 3);
    nw_json_number(json, t, "margin_percent", ledger->margin_percent, 3);
    nw_json_bool(json, t, "over", ledger->is_over);
    if (!isfinite(ledger->measured)) {
        nw_json_why(json, t, "measured", ledger->why_null);
    }
    nw_json_text(json, o, "verdict", ledger->verdict);
    nw_json_text(json, o, "limiting",
                 ledger->limiting < ledger->n_lines ? ledger->lines[ledger->limiting].id : NULL);
    json_t *const lines = nw_json_array(json, o, "lines");
    for (size_t i = 0; i < ledger->n_lines; i++) {
        one_line(json, lines, ledger, &ledger->lines[i]);
    }
}

void nw_report_ledger_unknown_json(const struct nw_ledger *ledger, struct nw_json *json,
                                   json_t *array) {
    for (size_t i = 0; i < ledger->n_unknown; i++) {
        const struct nw_ledger_unknown *const u = &ledger->unknown[i];
        json_t *const o = nw_json_item(json, array);
        nw_json_text(json, o, "what", u->what);
        nw_json_text(json, o, "trial", u->trial);
        nw_json_count(json, o, "minutes", (size_t)u->minutes);
        nw_json_text(json, o, "settles_to", u->settles_to);
        nw_json_text(json, o, "budget", ledger->name);
    }
}

void nw_report_ledger_advice_json(const struct nw_ledger *ledger, struct nw_json *json,
                                  json_t *array) {
    for (size_t i = 0; i < ledger->n_advice; i++) {
        const struct nw_ledger_advice *const a = &ledger->advice[i];
        json_t *const o = nw_json_item(json, array);
        nw_json_text(json, o, "change", a->change);
        json_t *const set = nw_json_object(json, o, "set");
        if (a->path[0]) {
            nw_json_text(json, set, a->path, a->value);
        }
        nw_json_text(json, o, "budget", ledger->name);
        nw_json_number(json, o, "time_percent_point", a->time_percent_point, 4);
        nw_json_number(json, o, "time_percent_extended", a->time_percent_extended, 4);
        nw_json_null(json, o, "sigma_percent");
        if (!isfinite(a->time_percent_point)) {
            nw_json_why(json, o, "time_percent_point", "counted in margin, not in exposure time");
        }
        nw_json_text(json, o, "effort", a->effort);
        nw_json_text(json, o, "prediction", a->prediction);
        nw_json_text(json, o, "why", a->why);
    }
}

void nw_report_ledger_leave_json(const struct nw_ledger *ledger, struct nw_json *json,
                                 json_t *array) {
    for (size_t i = 0; i < ledger->n_leave; i++) {
        json_t *const o = nw_json_item(json, array);
        nw_json_text(json, o, "what", ledger->leave[i].change);
        nw_json_text(json, o, "why", ledger->leave[i].why);
    }
}
