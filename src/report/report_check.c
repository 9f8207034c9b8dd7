/* report_check.c - the one page of `check`: 80 columns, no colour.
 * Idea: lines by size; what is known beside what could be; what cannot be told as loud as what can.
 */
#include "report/report_focus.h"
#include "report/report_internal.h"
#include "report/report_ledger.h"

#include <math.h>

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)
#define ARCSEC2(x) ((x)*NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD)
#define SMALL_SHARE 0.005 /* lines below half a percent share one row */

static void head(const struct nw_check_report *check, struct nw_buf *buf) {
    const struct nw_setup *setup = check->setup;
    const struct nw_star_budget *budget = check->star_width;
    char aside[120];
    (void)snprintf(aside, sizeof aside, "%s, %.2f \"/px%s%s", setup->telescope.name,
                   ARCSEC(nw_setup_scale_rad(setup)), setup->filter.name[0] ? ", " : "",
                   setup->filter.name);
    nw_report_title(buf, "STAR WIDTH", aside);
    if (budget->n_frames == 0) {
        nw_buf_printf(buf, "setup %s; prediction only, airmass %.2f", setup->name, budget->airmass);
    } else if (budget->is_airmass_known) {
        nw_buf_printf(buf, "setup %s; %zu subs of %.0f s, airmass %.2f-%.2f", setup->name,
                      budget->n_frames, check->exposure_s, budget->airmass_min,
                      budget->airmass_max);
    } else {
        nw_buf_printf(buf, "setup %s; %zu subs of %.0f s, airmass not known: %.2f taken",
                      setup->name, budget->n_frames, check->exposure_s, budget->airmass);
    }
    nw_buf_printf(buf, "; arcsec, FWHM\n\n");
}

static void row(const struct nw_star_line *line, struct nw_buf *buf) {
    char alone[48];
    char range[48] = "";
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 22, line->label);
    if (isfinite(line->measured_rad) && line->measured_high_rad > line->measured_low_rad) {
        (void)snprintf(alone, sizeof alone, "%.2f", ARCSEC(line->alone_rad));
        (void)snprintf(range, sizeof range, " (%.2f-%.2f)", ARCSEC(line->measured_low_rad),
                       ARCSEC(line->measured_high_rad));
    } else {
        (void)snprintf(alone, sizeof alone, "%.2f", ARCSEC(line->alone_rad));
        if (ARCSEC(line->alone_sigma_rad) >= 0.005) {
            (void)snprintf(range, sizeof range, " +- %.2f", ARCSEC(line->alone_sigma_rad));
        }
    }
    nw_report_right(buf, 5, alone);
    nw_report_left(buf, 12, range);
    nw_report_fixed(buf, 7, ARCSEC(line->total_without_rad), 2);
    nw_report_fixed(buf, 6, 100.0 * line->share, 0);
    nw_buf_printf(buf, "   ");
    char known[48];
    (void)snprintf(known, sizeof known, "%s",
                   !isfinite(line->measured_rad) ? nw_from_name(line->provenance)
                   : line->id == NW_STAR_MOTION  ? "guide log"
                                                 : "frames");
    nw_report_left(buf, 10, known);
    nw_report_fixed(buf, 7, ARCSEC(line->attainable_rad), 2);
    nw_buf_printf(buf, "\n");
}

static void table(const struct nw_star_budget *budget, struct nw_buf *buf) {
    int order[NW_STAR_N_LINES];
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        int at = k;
        for (; at > 0 && budget->lines[order[at - 1]].share < budget->lines[k].share; at--) {
            order[at] = order[at - 1];
        }
        order[at] = k;
    }
    nw_buf_printf(buf, "  what widens the star   alone             without  share  known by   "
                       "could be\n");
    char small[400] = "";
    size_t len = 0;
    for (int i = 0; i < NW_STAR_N_LINES; i++) {
        const struct nw_star_line *line = &budget->lines[order[i]];
        if (!line->is_present) {
            continue;
        }
        if (line->share >= SMALL_SHARE) {
            row(line, buf);
        } else {
            const int n = snprintf(small + len, sizeof small - len, "%s%s %.2f", len ? ", " : "",
                                   line->label, ARCSEC(line->alone_rad));
            len += n > 0 && (size_t)n < sizeof small - len ? (size_t)n : 0;
        }
    }
    if (len > 0) {
        char text[420];
        (void)snprintf(text, sizeof text, "under 0.5 %% each: %s", small);
        nw_report_paragraph(buf, 2, text);
    }
    nw_report_rule(buf, 2);
}

/* Lines over their own allocation, in one row. */
static void over(const struct nw_star_budget *budget, struct nw_buf *buf) {
    char text[400];
    size_t len = (size_t)snprintf(text, sizeof text, "over their allocation: ");
    bool is_any = false;
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        const struct nw_star_line *line = &budget->lines[k];
        if (line->is_present && line->alone_rad > line->allowed_rad) {
            const int n = snprintf(text + len, sizeof text - len, "%s%s %.2f (allowed %.2f)",
                                   is_any ? ", " : "", line->label, ARCSEC(line->alone_rad),
                                   ARCSEC(line->allowed_rad));
            len += n > 0 && (size_t)n < sizeof text - len ? (size_t)n : 0;
            is_any = true;
        }
    }
    if (is_any) {
        nw_report_paragraph(buf, 2, text);
    }
}

static void totals(const struct nw_star_budget *budget, struct nw_buf *buf) {
    nw_buf_printf(buf, "  together              %.2f +- %.2f", ARCSEC(budget->predicted_rad),
                  ARCSEC(budget->predicted_sigma_rad));
    if (budget->n_frames > 0) {
        nw_buf_printf(buf, "     delivered %.2f +- %.2f", ARCSEC(budget->measured_rad),
                      ARCSEC(budget->measured_sigma_rad));
    }
    nw_buf_printf(buf, "\n");
    if (budget->n_frames > 0) {
        nw_buf_printf(buf,
                      "  not explained         %+.1f +- %.1f arcsec^2: up to %.1f\" could still "
                      "hide here\n",
                      ARCSEC2(budget->unexplained_rad2), ARCSEC2(budget->unexplained_sigma_rad2),
                      ARCSEC(budget->could_hide_rad));
    }
    if (isfinite(budget->allowed_rad)) {
        nw_buf_printf(buf, "  allowed               %.2f", ARCSEC(budget->allowed_rad));
        if (isfinite(budget->over_probability)) {
            nw_buf_printf(buf, ", over it with a probability of %.0f %%",
                          100.0 * budget->over_probability);
        }
        nw_buf_printf(buf, "\n");
    }
    over(budget, buf);
    nw_buf_printf(buf, "  over the field        middle %.2f, worst corner %.2f",
                  ARCSEC(budget->centre_rad), ARCSEC(budget->corner_rad));
    if (isfinite(budget->centre_measured_rad)) {
        nw_buf_printf(buf, "; came %.2f and %.2f", ARCSEC(budget->centre_measured_rad),
                      ARCSEC(budget->corner_measured_rad));
    }
    nw_buf_printf(buf, "\n  long over wide        %.2f predicted (%.2f by motion alone)",
                  budget->elongation, budget->elongation_motion);
    if (isfinite(budget->elongation_measured)) {
        nw_buf_printf(buf, "; %.2f came", budget->elongation_measured);
    }
    nw_buf_printf(buf, "\n\n");
}

static void entry(struct nw_buf *buf, const char *head_word, const char *text) {
    nw_report_entry(buf, 2, 15, head_word, text);
}

static void blind_half(const struct nw_star_blind *blind, struct nw_buf *buf) {
    char text[480];
    if (blind->why_null[0]) {
        (void)snprintf(text, sizeof text, "not done: %s", blind->why_null);
    } else {
        char pm[48];
        (void)snprintf(text, sizeof text,
                       "set from %zu subs of the first half. The %zu of the second foretold %s, "
                       "came %.2f; %zu of %zu inside their 90 %% band, the farthest off by %+.2f. "
                       "Seeing as it had to be: %.2f\" at the zenith, scatter %.0f %%, wander "
                       "%.0f %% an hour",
                       blind->n_fitted, blind->n_judged,
                       nw_report_pm(pm, sizeof pm, ARCSEC(blind->foretold_rad),
                                    ARCSEC(blind->foretold_sigma_rad)),
                       ARCSEC(blind->came_rad), blind->n_inside, blind->n_judged,
                       ARCSEC(blind->worst_rad), ARCSEC(blind->seeing_rad), 100.0 * blind->scatter,
                       100.0 * blind->wander_per_sqrt_h);
    }
    entry(buf, "BLIND HALF", text);
}

static void cannot_tell(const struct nw_star_budget *budget, struct nw_buf *buf) {
    for (size_t i = 0; i < budget->n_unknown; i++) {
        const struct nw_star_unknown *unknown = &budget->unknown[i];
        char text[480];
        char minutes[24] = "";
        if (unknown->minutes > 0) {
            (void)snprintf(minutes, sizeof minutes, ", %d min", unknown->minutes);
        }
        (void)snprintf(text, sizeof text, "%s. Trial \"%s\"%s: settles %s", unknown->what,
                       unknown->trial, minutes, unknown->settles_to);
        entry(buf, i == 0 ? "CANNOT TELL" : "", text);
    }
}

void nw_report_advice_text(const struct nw_star_budget *budget, int indent, struct nw_buf *buf) {
    for (size_t i = 0; i < budget->n_advice; i++) {
        const struct nw_star_advice *advice = &budget->advice[i];
        char text[640];
        (void)snprintf(text, sizeof text,
                       "%zu %s (%s): %.0f +- %.0f %% of the time on stars, none on nebulae. %s. "
                       "Foretold: %s",
                       i + 1, advice->change->name, advice->change->effort,
                       advice->time_percent_point, advice->sigma_percent, advice->why,
                       advice->prediction);
        nw_report_entry(buf, 2, indent, i == 0 ? "WORTH DOING" : "", text);
    }
    for (size_t i = 0; i < budget->n_leave; i++) {
        const struct nw_star_advice *advice = &budget->leave[i];
        char text[240];
        (void)snprintf(text, sizeof text, "%s: worth %.1f +- %.1f %% of the time on stars",
                       advice->change->name, advice->time_percent_point, advice->sigma_percent);
        nw_report_entry(buf, 2, indent, i == 0 ? "LEAVE IT" : "", text);
    }
    char words[200];
    if (nw_report_loop_words(&budget->loop, words, sizeof words)) {
        const bool is_first = !budget->loop.is_flat || budget->n_leave == 0;
        nw_report_entry(buf, 2, indent,
                        !is_first              ? ""
                        : budget->loop.is_flat ? "LEAVE IT"
                                               : "TRY",
                        words);
    }
}

/* Beside what the rig file proposes: focus runs, weighed with the time that they take. */
static void focus_interval(const struct nw_check_report *check, struct nw_buf *buf) {
    char words[400];
    char text[440];
    if (check->focus_interval) {
        (void)nw_report_interval_words(check->focus_interval, words, sizeof words);
        (void)snprintf(text, sizeof text, "%s; the time of the runs is counted", words);
        entry(buf, "FOCUS RUNS", text);
    }
}

static void star_width(const struct nw_check_report *check, struct nw_buf *buf) {
    const struct nw_star_budget *budget = check->star_width;
    head(check, buf);
    table(budget, buf);
    totals(budget, buf);
    if (budget->n_frames > 0) {
        blind_half(&budget->blind, buf);
    }
    cannot_tell(budget, buf);
    nw_report_advice_text(budget, 15, buf);
    focus_interval(check, buf);
    for (size_t i = 0; i < budget->n_cautions; i++) {
        entry(buf, i == 0 ? "CAUTION" : "", budget->cautions[i]);
    }
    if (check->remark[0]) {
        entry(buf, "FRAMES", check->remark);
    }
}

void nw_report_check_text(const struct nw_check_report *check, struct nw_buf *buf) {
    if (check->star_width) {
        star_width(check, buf);
        for (size_t i = 0; i < check->n_ledgers; i++) {
            nw_report_ledger_brief(check->ledgers[i], buf);
        }
        return;
    }
    for (size_t i = 0; i < check->n_ledgers; i++) {
        nw_report_ledger_text(check->ledgers[i], check->setup->name, buf);
    }
}
