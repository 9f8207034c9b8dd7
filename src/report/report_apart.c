/* report_apart.c - the star width of many nights taken apart: the page and its keys.
 * What the nights leave open stands as loud as what they tell, each with the trial that settles it.
 */
#include "report/report_apart.h"

#include <math.h>

#include "report/report_internal.h"

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)
#define ARCSEC2(x) ((x)*NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD)

static bool is_width(enum nw_apart_term_id id) {
    return id != NW_APART_SETTLING && id != NW_APART_EXTRA && id != NW_APART_CHANGE &&
           id != NW_APART_NIGHTS && id != NW_APART_WANDER && id != NW_APART_SCATTER;
}

/* Whether the nights told anything: the error is less than four fifths of what it was. */
static bool is_learned(const struct nw_apart_term *term) {
    return term->sigma < 0.8 * term->prior_sigma;
}

static void row(const struct nw_apart_term *term, struct nw_buf *buf) {
    char text[48];
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 24, term->label);
    nw_report_fixed(buf, 6, ARCSEC(term->median), 2);
    (void)snprintf(text, sizeof text, "  %.2f-%.2f", ARCSEC(term->low), ARCSEC(term->high));
    nw_report_left(buf, 14, text);
    (void)snprintf(text, sizeof text, "%.2f +- %.2f", ARCSEC(term->prior),
                   ARCSEC(term->prior_sigma));
    nw_report_left(buf, 16, text);
    nw_buf_printf(buf, "%s\n",
                  is_learned(term) ? "the nights"
                  : term->is_told  ? "a trial"
                                   : "the rig file");
}

/* Widest first. */
static size_t in_order(const struct nw_apart *apart, int order[NW_APART_N_TERMS]) {
    size_t n = 0;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        if (!apart->terms[k].is_present || !is_width(apart->terms[k].id)) {
            continue;
        }
        size_t at = n++;
        for (; at > 0 && apart->terms[order[at - 1]].median < apart->terms[k].median; at--) {
            order[at] = order[at - 1];
        }
        order[at] = k;
    }
    return n;
}

static void entry(struct nw_buf *buf, const char *head, const char *text) {
    nw_report_entry(buf, 2, 17, head, text);
}

static void air(const struct nw_apart *apart, struct nw_buf *buf) {
    char text[300];
    char settled[48];
    (void)snprintf(
        text, sizeof text,
        "differs by %.0f %% from night to night, wanders by %.0f %% within an hour, %.1f "
        "%% from sub to sub",
        100.0 * apart->terms[NW_APART_NIGHTS].median, 100.0 * apart->terms[NW_APART_WANDER].median,
        100.0 * apart->terms[NW_APART_SCATTER].median);
    entry(buf, "THE AIR", text);
    if (!isnan(apart->settled_s)) {
        const struct nw_apart_term *const time = &apart->terms[NW_APART_SETTLING];
        if (isinf(apart->settled_s)) {
            (void)snprintf(text, sizeof text,
                           "not before the last sub of a usual night: by the climate log (%zu "
                           "subs) tube, lens or room stay so much warmer than the air that local "
                           "air adds more than 1 %%",
                           apart->n_excess);
        } else if (apart->n_excess > 0) {
            (void)snprintf(text, sizeof text,
                           "%s after the first sub local air adds less than 1 %%, by the climate "
                           "log (%zu subs): the warmest of tube, lens and room over the air",
                           nw_report_duration(settled, sizeof settled, apart->settled_s),
                           apart->n_excess);
        } else if (apart->settled_s > 0.0) {
            (void)snprintf(
                text, sizeof text,
                "%s after the first sub local air adds less than 1 %%; it goes with %.0f "
                "min (%.0f to %.0f)",
                nw_report_duration(settled, sizeof settled, apart->settled_s), time->median / 60.0,
                time->low / 60.0, time->high / 60.0);
        } else {
            (void)snprintf(text, sizeof text,
                           "from the first sub on: local air adds less than 1 %%");
        }
        entry(buf, "SETTLED", text);
    }
}

/* A factor whose square was found; text of 80. */
static const char *factor(char *text, double square, double sigma) {
    const double value = sqrt(fmax(0.0, square));
    if (square > sigma) {
        (void)snprintf(text, 80, "%.2f +- %.2f", value, 0.5 * sigma / value);
    } else {
        (void)snprintf(text, 80, "at most %.2f", sqrt(fmax(0.0, square + 1.6449 * sigma)));
    }
    return text;
}

/* What the shape of the subs says beside their width, whatever the seeing was. */
static void shapes(const struct nw_apart *apart, struct nw_buf *buf) {
    const struct nw_apart_zones *const z = &apart->zones;
    const struct nw_apart_axes *const a = &apart->axes;
    char text[300];
    if (!z->why_null[0]) {
        (void)snprintf(
            text, sizeof text,
            "tilt %.0f +- %.0f um corner to corner, curvature %.0f +- %.0f um, by how the "
            "corners of %zu subs changed while focus drifted in %zu runs; more where the "
            "focus line above is less than the rig file has, and the other way round",
            1e6 * z->tilt_m, 1e6 * z->tilt_sigma_m, 1e6 * z->curvature_m,
            1e6 * z->curvature_sigma_m, z->n_subs, z->n_runs);
        entry(buf, "CORNERS", text);
    }
    if (!a->why_null[0]) {
        char share[80];
        (void)snprintf(
            text, sizeof text,
            "flexure %s times what the rig file has, by how the mean star of %zu subs is drawn "
            "out along the vertical",
            factor(share, a->flexure2, a->flexure_sigma2), a->n_subs);
        entry(buf, "ELONGATION", text);
    }
}

static void verdict(const struct nw_apart *apart, struct nw_buf *buf) {
    char text[300];
    (void)snprintf(text, sizeof text,
                   "%zu subs of other blocks than those that were fitted were foretold: %zu inside "
                   "their 90 %% band (%.0f %%)",
                   apart->n_judged, apart->n_inside,
                   apart->n_judged ? 100.0 * (double)apart->n_inside / (double)apart->n_judged
                                   : 0.0);
    entry(buf, "BLIND BLOCKS", text);
    (void)snprintf(text, sizeof text,
                   "%+.1f +- %.1f arcsec^2 in every sub: up to %.1f\" could still hide there",
                   ARCSEC2(apart->unexplained_rad2), ARCSEC2(apart->unexplained_sigma_rad2),
                   ARCSEC(apart->could_hide_rad));
    entry(buf, "NOT EXPLAINED", text);
    for (size_t i = 0; i < apart->n_notices; i++) {
        (void)snprintf(text, sizeof text, "%s (%.1f sigma). Could be: %s", apart->notices[i].what,
                       fabs(apart->notices[i].significance),
                       apart->notices[i].hint ? apart->notices[i].hint : "not known");
        entry(buf, i == 0 ? "STANDS OUT" : "", text);
    }
    if (apart->n_notices == 0) {
        entry(buf, "STANDS OUT",
              "nothing: no line is far from the rig file, no pattern is left over");
    }
}

static void trials(const struct nw_apart_report *report, struct nw_buf *buf) {
    for (int used = 1; used >= 0; used--) {
        bool is_first = true;
        for (size_t i = 0; i < report->n_trials; i++) {
            if (report->trials[i].is_used == (used == 1)) {
                entry(buf, !is_first ? "" : used ? "TRIALS" : "NOT USED", report->trials[i].text);
                is_first = false;
            }
        }
    }
}

/* The card that measures a line first of all. */
static const struct nw_trial *trial_of(enum nw_apart_term_id id) {
    for (int k = 0; k < NW_N_TRIALS; k++) {
        const struct nw_trial *const trial = nw_trial_get((enum nw_trial_id)k);
        for (size_t i = 0; i < trial->n_terms; i++) {
            if (trial->terms[i] == id) {
                return trial;
            }
        }
    }
    return NULL;
}

/* The three that widen the star most, by the square of what each makes alone. */
static void limits(const struct nw_apart *apart, const int *order, size_t n, struct nw_buf *buf) {
    char text[300];
    double whole = 0.0;
    size_t len = 0;
    for (size_t i = 0; i < n; i++) {
        whole += pow(apart->terms[order[i]].median, 2.0);
    }
    for (size_t i = 0; i < n && i < 3 && whole > 0.0; i++) {
        const struct nw_apart_term *const term = &apart->terms[order[i]];
        len += (size_t)snprintf(text + len, sizeof text - len, "%s%s %.0f %%", i ? ", " : "",
                                term->label, 100.0 * pow(term->median, 2.0) / whole);
    }
    if (len > 0) {
        (void)snprintf(text + len, sizeof text - len, " of the sum of the squares above");
        entry(buf, "LIMITED BY", text);
    }
}

static void cannot_tell(const struct nw_apart *apart, struct nw_buf *buf) {
    char text[400];
    bool is_first = true;
    for (size_t i = 0; i < apart->n_pairs; i++) {
        const struct nw_apart_pair *const pair = &apart->pairs[i];
        const struct nw_trial *const trial = nw_trial_between(apart, pair->a, pair->b);
        size_t len = (size_t)snprintf(
            text, sizeof text, "%s from %s: not separable yet (correlation %+.2f); ",
            apart->terms[pair->a].label, apart->terms[pair->b].label, pair->correlation);
        if (isfinite(pair->nights_needed)) {
            len += (size_t)snprintf(text + len, sizeof text - len, "about %.0f nights like these",
                                    pair->nights_needed);
        } else {
            len += (size_t)snprintf(text + len, sizeof text - len, "more nights do not help");
        }
        if (trial) {
            (void)snprintf(text + len, sizeof text - len, ". Trial %s, %.0f min, does",
                           nw_trial_name(trial->id), trial->minutes);
        }
        entry(buf, is_first ? "CANNOT TELL" : "", text);
        is_first = false;
    }
    size_t n = 0;
    size_t len = 0;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const struct nw_apart_term *const term = &apart->terms[k];
        if (!term->is_present || !is_width(term->id) || is_learned(term) || term->is_told ||
            len > 300) {
            continue;
        }
        const struct nw_trial *const trial = trial_of(term->id);
        len +=
            (size_t)snprintf(text + len, sizeof text - len, "%s%s", n++ ? ", " : "", term->label);
        if (trial) {
            len += (size_t)snprintf(text + len, sizeof text - len, " (trial %s, %.0f min)",
                                    nw_trial_name(trial->id), trial->minutes);
        }
    }
    if (n > 0) {
        (void)snprintf(text + len, sizeof text - len,
                       ": as the rig file has them; these nights say little");
        entry(buf, is_first ? "CANNOT TELL" : "", text);
    }
}

void nw_report_apart_text(const struct nw_apart_report *report, struct nw_buf *buf) {
    const struct nw_apart *const apart = report->apart;
    char aside[120];
    int order[NW_APART_N_TERMS];
    (void)snprintf(aside, sizeof aside, "%s%s%s", report->setup->telescope.name,
                   report->setup->filter.name[0] ? ", " : "", report->setup->filter.name);
    nw_report_title(buf, "STAR WIDTH, TAKEN APART", aside);
    nw_buf_printf(buf, "%zu night%s, %s%s%s; %zu subs", apart->n_nights,
                  apart->n_nights == 1 ? "" : "s", report->from,
                  strcmp(report->from, report->to) == 0 ? "" : " to ",
                  strcmp(report->from, report->to) == 0 ? "" : report->to, apart->n_subs);
    if (apart->n_spoiled + apart->n_left_out > 0) {
        nw_buf_printf(buf, ", %zu spoiled or without a width left out",
                      apart->n_spoiled + apart->n_left_out);
    }
    nw_buf_printf(buf, "; arcsec, FWHM\n");
    if (apart->n_other_filters > 0) {
        nw_buf_printf(buf, "%zu of the subs through other filters of the setup, in the same air\n",
                      apart->n_other_filters);
    }
    if (report->n_unknown_filter > 0) {
        nw_buf_printf(buf, "%zu subs left out: the rig file has no filter of that name\n",
                      report->n_unknown_filter);
    }
    if (report->n_without_log > 0) {
        nw_buf_printf(buf, "%zu of the nights without a guide log: motion as the rig file has it\n",
                      report->n_without_log);
    }
    nw_buf_printf(buf, "\n");
    if (apart->why_null[0]) {
        nw_report_paragraph(buf, 2, apart->why_null);
        return;
    }
    nw_buf_printf(buf, "  %-24s%6s  %-12s%-16s%s\n", "what widens the star", "alone", "90 %",
                  "before", "known by");
    const size_t n = in_order(apart, order);
    for (size_t i = 0; i < n; i++) {
        row(&apart->terms[order[i]], buf);
    }
    nw_report_rule(buf, 2);
    limits(apart, order, n, buf);
    air(apart, buf);
    shapes(apart, buf);
    trials(report, buf);
    verdict(apart, buf);
    cannot_tell(apart, buf);
    if (report->budget) {
        nw_report_advice_text(report->budget, 17, buf);
    }
    if (apart->convergence > 1.1) {
        entry(buf, "MIND",
              "the chains of this sampling do not agree yet: take the ranges as too narrow");
    }
    entry(buf, "NEXT",
          "nightwright trial --rig RIG --book FILE: which trial tells most in a minute");
}

/* ---- JSON ----------------------------------------------------------------------------------- */

static void term_json(struct nw_json *json, json_t *array, const struct nw_apart_term *term) {
    json_t *o = nw_json_item(json, array);
    const bool is_square = term->id == NW_APART_EXTRA || term->id == NW_APART_CHANGE;
    const bool is_angle = is_width(term->id);
    const double unit = is_square  ? NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD
                        : is_angle ? NW_ARCSEC_PER_RAD
                                   : 1.0;
    nw_json_text(json, o, "id", term->name);
    nw_json_text(json, o, "label", term->label);
    nw_json_text(json, o, "unit",
                 is_square                       ? "arcsec^2"
                 : is_angle                      ? "arcsec"
                 : term->id == NW_APART_SETTLING ? "s"
                                                 : "fraction of 1/r0");
    nw_json_number(json, o, "value", term->value * unit, 4);
    nw_json_number(json, o, "sigma", term->sigma * unit, 3);
    nw_json_number(json, o, "low_5_percent", term->low * unit, 4);
    nw_json_number(json, o, "median", term->median * unit, 4);
    nw_json_number(json, o, "high_95_percent", term->high * unit, 4);
    nw_json_number(json, o, "rig_file", term->rig * unit, 4);
    nw_json_number(json, o, "prior", term->prior * unit, 4);
    nw_json_number(json, o, "prior_sigma", term->prior_sigma * unit, 3);
    nw_json_number(json, o, "surprise_sigmas", term->surprise, 3);
    nw_json_bool(json, o, "told_by_trial", term->is_told);
}

static void shapes_json(struct nw_json *json, json_t *o, const struct nw_apart *apart) {
    const struct nw_apart_zones *const z = &apart->zones;
    const struct nw_apart_axes *const a = &apart->axes;
    json_t *zones = nw_json_object(json, o, "corners");
    nw_json_count(json, zones, "subs", z->n_subs);
    nw_json_count(json, zones, "focus_runs", z->n_runs);
    nw_json_number(json, zones, "tilt_um", 1e6 * z->tilt_m, 3);
    nw_json_number(json, zones, "tilt_sigma_um", 1e6 * z->tilt_sigma_m, 2);
    nw_json_number(json, zones, "curvature_um", 1e6 * z->curvature_m, 3);
    nw_json_number(json, zones, "curvature_sigma_um", 1e6 * z->curvature_sigma_m, 2);
    if (z->why_null[0]) {
        nw_json_why(json, zones, "tilt_um", z->why_null);
    }
    json_t *axes = nw_json_object(json, o, "elongation");
    nw_json_count(json, axes, "subs", a->n_subs);
    nw_json_number(json, axes, "flexure_square_of_rig_file", a->flexure2, 3);
    nw_json_number(json, axes, "flexure_square_sigma", a->flexure_sigma2, 2);
    if (a->why_null[0]) {
        nw_json_why(json, axes, "flexure_square_of_rig_file", a->why_null);
    }
}

static void pairs_json(struct nw_json *json, json_t *o, const struct nw_apart *apart) {
    json_t *pairs = nw_json_array(json, o, "not_separable");
    for (size_t i = 0; i < apart->n_pairs; i++) {
        const struct nw_apart_pair *const pair = &apart->pairs[i];
        const struct nw_trial *const trial = nw_trial_between(apart, pair->a, pair->b);
        json_t *p = nw_json_item(json, pairs);
        nw_json_text(json, p, "a", nw_apart_term_name(pair->a));
        nw_json_text(json, p, "b", nw_apart_term_name(pair->b));
        nw_json_number(json, p, "correlation", pair->correlation, 3);
        nw_json_number(json, p, "nights_needed", pair->nights_needed, 3);
        if (!isfinite(pair->nights_needed)) {
            nw_json_why(json, p, "nights_needed", "more nights like these do not separate them");
        }
        if (trial) {
            nw_json_text(json, p, "trial", nw_trial_name(trial->id));
        } else {
            nw_json_null(json, p, "trial");
        }
    }
}

static void patterns_json(struct nw_json *json, json_t *o, const struct nw_apart *apart) {
    json_t *array = nw_json_array(json, o, "patterns");
    for (size_t i = 0; i < apart->n_patterns; i++) {
        const struct nw_apart_pattern *const pattern = &apart->patterns[i];
        json_t *p = nw_json_item(json, array);
        nw_json_text(json, p, "along", pattern->along);
        if (isfinite(pattern->power)) {
            nw_json_number(json, p, "power", pattern->power, 3);
            nw_json_number(json, p, "power_sigma", pattern->power_sigma, 2);
        } else {
            nw_json_number(json, p, "arcsec2", ARCSEC2(pattern->rad2), 3);
            nw_json_number(json, p, "arcsec2_sigma", ARCSEC2(pattern->sigma_rad2), 3);
        }
        nw_json_number(json, p, "significance", pattern->significance, 3);
        nw_json_text(json, p, "could_be", pattern->hint);
    }
    array = nw_json_array(json, o, "stands_out");
    for (size_t i = 0; i < apart->n_notices; i++) {
        json_t *p = nw_json_item(json, array);
        nw_json_text(json, p, "what", apart->notices[i].what);
        nw_json_number(json, p, "significance", apart->notices[i].significance, 3);
        nw_json_text(json, p, "could_be", apart->notices[i].hint);
    }
}

enum nw_status nw_report_apart_json(const struct nw_apart_report *report, json_t **ret,
                                    struct nw_err *err) {
    const struct nw_apart *const apart = report->apart;
    struct nw_json json;
    nw_json_begin(&json, "check", 1);
    nw_json_text(&json, NULL, "rig", report->rig->name);
    nw_json_text(&json, NULL, "setup", report->setup->name);
    json_t *o = nw_json_object(&json, NULL, "nights");
    json_t *const to_do = nw_json_array(&json, NULL, "advice");
    json_t *const leave = nw_json_array(&json, NULL, "leave");
    nw_json_text(&json, o, "from", report->from);
    nw_json_text(&json, o, "to", report->to);
    nw_json_count(&json, o, "nights", apart->n_nights);
    nw_json_count(&json, o, "nights_without_guide_log", report->n_without_log);
    nw_json_count(&json, o, "subs", apart->n_subs);
    nw_json_count(&json, o, "subs_fitted", apart->n_fitted);
    nw_json_count(&json, o, "subs_spoiled", apart->n_spoiled);
    nw_json_count(&json, o, "subs_without_width", apart->n_left_out);
    nw_json_count(&json, o, "subs_through_other_filters", apart->n_other_filters);
    nw_json_count(&json, o, "subs_of_unknown_filter", report->n_unknown_filter);
    nw_json_count(&json, o, "frames_of_trials", report->n_of_trials);
    json_t *words = nw_json_array(&json, o, "trials");
    for (size_t i = 0; i < report->n_trials; i++) {
        json_t *word = nw_json_item(&json, words);
        nw_json_bool(&json, word, "used", report->trials[i].is_used);
        nw_json_text(&json, word, "text", report->trials[i].text);
    }
    json_t *terms = nw_json_array(&json, o, "terms");
    if (apart->why_null[0]) {
        nw_json_why(&json, o, "terms", apart->why_null);
        return nw_json_end(&json, ret, err);
    }
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        if (apart->terms[k].is_present) {
            term_json(&json, terms, &apart->terms[k]);
        }
    }
    shapes_json(&json, o, apart);
    pairs_json(&json, o, apart);
    nw_json_number(&json, o, "unexplained_arcsec2", ARCSEC2(apart->unexplained_rad2), 4);
    nw_json_number(&json, o, "unexplained_sigma_arcsec2", ARCSEC2(apart->unexplained_sigma_rad2),
                   3);
    nw_json_number(&json, o, "could_hide_arcsec", ARCSEC(apart->could_hide_rad), 3);
    json_t *inside = nw_json_array(&json, o, "inside_90_percent");
    nw_json_add_number(&json, inside, (double)apart->n_inside, 6);
    nw_json_add_number(&json, inside, (double)apart->n_judged, 6);
    patterns_json(&json, o, apart);
    nw_json_number(&json, o, "settled_s", apart->settled_s, 3);
    if (!isfinite(apart->settled_s)) {
        nw_json_why(&json, o, "settled_s",
                    isnan(apart->settled_s) ? "no local air in this fit"
                                            : "later than the last sub of the usual night");
    }
    nw_json_count(&json, o, "subs_with_climate", apart->n_excess);
    nw_json_number(&json, o, "convergence", apart->convergence, 4);
    if (report->budget) {
        nw_report_advice_json(&json, report->budget, to_do, leave);
    }
    return nw_json_end(&json, ret, err);
}
