/* report_trials.c - cards of trials: in order, one alone, and what came of one. */
#include <math.h>

#include "report/report_apart.h"

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)
#define ARCSEC2(x) ((x)*NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD)

static void entry(struct nw_buf *buf, const char *head, const char *text) {
    nw_report_entry(buf, 2, 15, head, text);
}

/* Lines of a text that is separated by line feeds, numbered. */
static void steps(struct nw_buf *buf, const char *text) {
    char line[240];
    for (int i = 1; *text; i++) {
        const size_t len = strcspn(text, "\n");
        (void)snprintf(line, sizeof line, "%d  %.*s", i, (int)len, text);
        entry(buf, i == 1 ? "DO" : "", line);
        text += len + (text[len] == '\n');
    }
}

static void card(const struct nw_trial *trial, struct nw_buf *buf) {
    char text[200];
    (void)snprintf(text, sizeof text, "%.*f min%s", trial->minutes < 1.0 ? 1 : 0, trial->minutes,
                   trial->is_cloud_work ? ", no clear sky needed" : "");
    nw_report_title(buf, nw_trial_name(trial->id), text);
    nw_buf_printf(buf, "%s\n\n", trial->title);
    steps(buf, trial->steps);
    entry(buf, "GIVES", trial->frames);
    entry(buf, "SETTLES", trial->settles);
    entry(buf, "KNOWN BY", trial->recognised);
    (void)snprintf(text, sizeof text, "nightwright %s", trial->evaluate);
    entry(buf, "THEN", text);
    if (trial->caution) {
        entry(buf, "CAUTION", trial->caution);
    }
}

static bool is_of(const struct nw_trial *trial, const char *evening) {
    return !evening ||
           (strcmp(evening, "yearly") == 0 ? trial->is_yearly : trial->is_commissioning);
}

static void ranked(const struct nw_trials_report *report, struct nw_buf *buf) {
    char text[200];
    double minutes = 0.0;
    char name[40];
    if (report->ranks && report->n_nights > 0) {
        (void)snprintf(text, sizeof text, "after %zu night%s of the book", report->n_nights,
                       report->n_nights == 1 ? "" : "s");
    } else {
        (void)snprintf(text, sizeof text, "%s",
                       report->ranks ? "by the rig file alone" : "no rig file: in no order");
    }
    nw_report_title(buf, report->evening ? report->evening : "TRIALS", text);
    bool is_any_done = false;
    for (int k = 0; report->ranks && k < NW_N_TRIALS; k++) {
        is_any_done = is_any_done || report->ranks[k].done[0] != '\0';
    }
    nw_buf_printf(buf, "  %-21s%5s%7s%9s  %s\n", "trial", "min", "bits", "bits/min",
                  is_any_done ? "done" : "what");
    for (int k = 0; k < NW_N_TRIALS; k++) {
        const struct nw_trial_rank *const rank = report->ranks ? &report->ranks[k] : NULL;
        const struct nw_trial *const trial = rank ? rank->trial : nw_trial_get((enum nw_trial_id)k);
        if (!is_of(trial, report->evening) || (rank && !rank->is_possible)) {
            continue;
        }
        minutes += trial->minutes;
        const bool has_bits = rank && trial->n_terms > 0;
        nw_buf_printf(buf, "  ");
        (void)snprintf(name, sizeof name, "%s", nw_trial_name(trial->id));
        nw_report_left(buf, 21, name);
        nw_report_fixed(buf, 5, trial->minutes, trial->minutes < 1.0 ? 1 : 0);
        nw_report_fixed(buf, 7, has_bits ? rank->bits : NAN, 1);
        nw_report_fixed(buf, 9, has_bits ? rank->bits_per_minute : NAN, 2);
        const char *const last = !is_any_done ? trial->title : rank->done[0] ? rank->done : "-";
        nw_buf_printf(buf, "  %.*s\n", (int)strcspn(last, ":"), last);
    }
    nw_report_rule(buf, 2);
    (void)snprintf(text, sizeof text,
                   "%.0f minutes in all. Bits: about what widens the star; '-': settles another "
                   "matter. A card: nightwright trial NAME",
                   minutes);
    nw_report_paragraph(buf, 2, text);
    for (int k = 0; report->ranks && k < NW_N_TRIALS; k++) {
        if (!report->ranks[k].is_possible && is_of(report->ranks[k].trial, report->evening)) {
            (void)snprintf(text, sizeof text, "%s: %s", nw_trial_name(report->ranks[k].trial->id),
                           report->ranks[k].why_not);
            entry(buf, "NOT HERE", text);
        }
    }
    entry(buf, "CAUTION",
          "trials move the mount or leave it still: clear cables and hands, watch it, and put the "
          "drive back on; never point a tube at the Sun");
}

static void result(const struct nw_trial_result *r, struct nw_buf *buf) {
    char text[300];
    nw_report_title(buf, nw_trial_name(r->trial->id), "what came of it");
    if (!r->is_told) {
        entry(buf, "NOTHING", r->why_null);
        return;
    }
    (void)snprintf(text, sizeof text, "%zu %s, %zu %s, %zu pairs", r->n_a, r->a, r->n_b, r->b,
                   r->n_pairs);
    entry(buf, "FROM", text);
    (void)snprintf(text, sizeof text,
                   "%+.2f +- %.2f arcsec^2: %.2f arcsec alone (95 %%: %.2f to %.2f)",
                   ARCSEC2(r->rad2), ARCSEC2(r->sigma_rad2), ARCSEC(r->width_rad),
                   ARCSEC(r->low_rad), ARCSEC(r->high_rad));
    entry(buf, "ADDS", text);
    if (isfinite(r->foretold_rad2)) {
        const double off =
            (r->rad2 - r->foretold_rad2) / hypot(r->sigma_rad2, r->foretold_sigma_rad2);
        (void)snprintf(text, sizeof text, "%+.2f +- %.2f arcsec^2 by the rig file: %s",
                       ARCSEC2(r->foretold_rad2), ARCSEC2(r->foretold_sigma_rad2),
                       fabs(off) < 2.0 ? "they agree"
                       : off > 0.0     ? "more came than the rig file has"
                                       : "less came than the rig file has");
        entry(buf, "FORETOLD", text);
    }
}

void nw_report_trials_text(const struct nw_trials_report *report, struct nw_buf *buf) {
    if (report->result) {
        result(report->result, buf);
    } else if (report->card) {
        card(report->card, buf);
    } else {
        ranked(report, buf);
    }
}

/* ---- JSON ----------------------------------------------------------------------------------- */

static void card_json(struct nw_json *json, json_t *o, const struct nw_trial *trial) {
    nw_json_text(json, o, "trial", nw_trial_name(trial->id));
    nw_json_text(json, o, "title", trial->title);
    nw_json_number(json, o, "minutes", trial->minutes, 4);
    nw_json_text(json, o, "steps", trial->steps);
    nw_json_text(json, o, "frames", trial->frames);
    nw_json_text(json, o, "settles_to", trial->settles);
    nw_json_text(json, o, "recognised_by", trial->recognised);
    nw_json_text(json, o, "evaluated_by", trial->evaluate);
    nw_json_bool(json, o, "clear_sky", !trial->is_cloud_work);
    nw_json_bool(json, o, "commissioning", trial->is_commissioning);
    nw_json_bool(json, o, "yearly", trial->is_yearly);
    if (trial->caution) {
        nw_json_text(json, o, "caution", trial->caution);
    } else {
        nw_json_null(json, o, "caution");
    }
}

static void ranks_json(struct nw_json *json, const struct nw_trials_report *report) {
    json_t *array = nw_json_array(json, NULL, "trials");
    for (int k = 0; k < NW_N_TRIALS; k++) {
        const struct nw_trial_rank *const rank = report->ranks ? &report->ranks[k] : NULL;
        const struct nw_trial *const trial = rank ? rank->trial : nw_trial_get((enum nw_trial_id)k);
        if (!is_of(trial, report->evening)) {
            continue;
        }
        json_t *o = nw_json_item(json, array);
        card_json(json, o, trial);
        const bool has_bits = rank && trial->n_terms > 0;
        nw_json_number(json, o, "bits", has_bits ? rank->bits : NAN, 3);
        nw_json_number(json, o, "bits_per_minute", has_bits ? rank->bits_per_minute : NAN, 3);
        if (!has_bits) {
            nw_json_why(json, o, "bits",
                        rank ? "settles something other than the star width" : "no rig file");
        }
        if (rank) {
            nw_json_bool(json, o, "possible", rank->is_possible);
            nw_json_text(json, o, "done", rank->done);
            nw_json_number(json, o, "sigma_now_arcsec2", ARCSEC2(rank->sigma_now_rad2), 3);
            nw_json_number(json, o, "sigma_then_arcsec2", ARCSEC2(rank->sigma_then_rad2), 3);
        }
        if (rank && !rank->is_possible) {
            nw_json_text(json, o, "why_not", rank->why_not);
        }
    }
}

static void result_json(struct nw_json *json, const struct nw_trial_result *r) {
    json_t *o = nw_json_object(json, NULL, "result");
    nw_json_text(json, o, "quantity", r->trial->quantity);
    nw_json_count(json, o, "subs_a", r->n_a);
    nw_json_count(json, o, "subs_b", r->n_b);
    nw_json_text(json, o, "a", r->a);
    nw_json_text(json, o, "b", r->b);
    nw_json_count(json, o, "pairs", r->n_pairs);
    nw_json_number(json, o, "adds_arcsec2", ARCSEC2(r->rad2), 4);
    nw_json_number(json, o, "adds_sigma_arcsec2", ARCSEC2(r->sigma_rad2), 3);
    nw_json_number(json, o, "width_arcsec", ARCSEC(r->width_rad), 4);
    nw_json_number(json, o, "width_low_arcsec", ARCSEC(r->low_rad), 4);
    nw_json_number(json, o, "width_high_arcsec", ARCSEC(r->high_rad), 4);
    nw_json_number(json, o, "foretold_arcsec2", ARCSEC2(r->foretold_rad2), 4);
    nw_json_number(json, o, "foretold_sigma_arcsec2", ARCSEC2(r->foretold_sigma_rad2), 3);
    if (!r->is_told) {
        nw_json_why(json, o, "adds_arcsec2", r->why_null);
    }
}

enum nw_status nw_report_trials_json(const struct nw_trials_report *report, json_t **ret,
                                     struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "trial", 1);
    if (report->card) {
        card_json(&json, NULL, report->card);
        if (report->result) {
            result_json(&json, report->result);
        }
    } else {
        nw_json_count(&json, NULL, "nights", report->n_nights);
        ranks_json(&json, report);
    }
    return nw_json_end(&json, ret, err);
}
