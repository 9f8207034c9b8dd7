/* report_change.c - before and since a change: its effect on the width in the same air.
 * The effect is a term beside everything else that differs from night to night (budget/apart.h),
 * so that a run of good air is not taken for it. */
#include <math.h>

#include "report/report_apart.h"

#define ARCSEC(x) ((x)*NW_ARCSEC_PER_RAD)
#define ARCSEC2(x) ((x)*NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD)
#define ENOUGH 0.03 /* of the squared width: 1.5 % of the width */

/* Mean squared width of the subs that were judged. */
static double mean_square(const struct nw_apart *apart) {
    double sum = 0.0;
    for (size_t i = 0; i < apart->n_judged; i++) {
        sum += apart->judged[i].came_rad * apart->judged[i].came_rad;
    }
    return apart->n_judged ? sum / (double)apart->n_judged : NAN;
}

double nw_change_nights_needed(const struct nw_change_report *report) {
    const struct nw_apart_term *const term = &report->apart->terms[NW_APART_CHANGE];
    const double wanted = fmax(ENOUGH * mean_square(report->apart), 0.5 * fabs(term->value));
    const double before = (double)report->n_before;
    const double after = (double)report->n_after;
    if (!term->is_present || term->sigma <= wanted) {
        return 0.0;
    }
    /* sigma^2 = k (1/before + 1/after) */
    const double k = term->sigma * term->sigma / (1.0 / before + 1.0 / after);
    const double left = wanted * wanted / k - 1.0 / fmax(before, after);
    return left > 0.0 ? ceil(1.0 / left - fmin(before, after)) : INFINITY;
}

enum verdict { CANNOT_TELL, NARROWER, WIDER, NOTHING };
static const struct {
    const char *word, *text;
} VERDICTS[] = {[CANNOT_TELL] = {"cannot-tell", "cannot tell yet"},
                [NARROWER] = {"narrower", "stars are narrower since"},
                [WIDER] = {"wider", "stars are wider since"},
                [NOTHING] = {"no-change", "no change that one would see"}};

static enum verdict judge(const struct nw_change_report *report) {
    const struct nw_apart_term *const term = &report->apart->terms[NW_APART_CHANGE];
    if (term->low > 0.0) {
        return WIDER;
    }
    if (term->high < 0.0) {
        return NARROWER;
    }
    return nw_change_nights_needed(report) > 0.0 ? CANNOT_TELL : NOTHING;
}

/* The prediction of the advice, as squares; how many sigmas the nights are off. */
struct foretold {
    double rad2, sigma_rad2, off;
};

static struct foretold foretell(const struct nw_change_report *report) {
    const struct nw_star_advice *const a = report->foretold;
    const struct nw_apart_term *const term = &report->apart->terms[NW_APART_CHANGE];
    const double now = a->total_now_rad;
    const double then = a->total_then_rad;
    struct foretold f = {.rad2 = then * then - now * now,
                         .sigma_rad2 = (now + then) * a->difference_sigma_rad};
    f.off = (term->value - f.rad2) / hypot(term->sigma, f.sigma_rad2);
    return f;
}

enum nw_change_outcome nw_change_outcome_of(const struct nw_change_report *report) {
    const struct nw_apart_term *const term = &report->apart->terms[NW_APART_CHANGE];
    if (report->apart->why_null[0] || !report->foretold || !(term->sigma > 0.0)) {
        return NW_CHANGE_CANNOT_TELL;
    }
    const struct foretold f = foretell(report);
    return fabs(f.off) > 2.0                       ? NW_CHANGE_REFUTED
           : fabs(term->value) > 2.0 * term->sigma ? NW_CHANGE_HELD
                                                   : NW_CHANGE_CANNOT_TELL;
}

double nw_change_width_rad(const struct nw_change_report *report, double *ret_sigma_rad) {
    const struct nw_apart_term *const term = &report->apart->terms[NW_APART_CHANGE];
    const double square = mean_square(report->apart);
    *ret_sigma_rad = term->sigma / (2.0 * sqrt(square));
    return sqrt(fmax(0.0, square + term->value)) - sqrt(square);
}

static const char *held(const struct nw_change_report *report) {
    static const char *const WORDS[] = {"cannot tell yet", "held", "refuted"};
    return WORDS[nw_change_outcome_of(report)];
}

static void entry(struct nw_buf *buf, const char *head, const char *text) {
    nw_report_entry(buf, 2, 15, head, text);
}

void nw_report_change_text(const struct nw_change_report *report, struct nw_buf *buf) {
    const struct nw_apart *const apart = report->apart;
    const struct nw_apart_term *const term = &apart->terms[NW_APART_CHANGE];
    char text[300];
    const double square = mean_square(apart);
    const double needed = nw_change_nights_needed(report);
    (void)snprintf(text, sizeof text, "%zu nights before %s, %zu since", report->n_before,
                   report->date, report->n_after);
    nw_report_title(buf, "BEFORE AND SINCE", text);
    if (apart->why_null[0]) {
        nw_report_paragraph(buf, 2, apart->why_null);
        return;
    }
    (void)snprintf(text, sizeof text,
                   "%+.2f +- %.2f arcsec^2 of the squared width in the same air (90 %%: %+.2f to "
                   "%+.2f); of a star of %.2f arcsec that is %+.2f arcsec",
                   ARCSEC2(term->value), ARCSEC2(term->sigma), ARCSEC2(term->low),
                   ARCSEC2(term->high), ARCSEC(sqrt(square)),
                   ARCSEC(sqrt(fmax(0.0, square + term->value)) - sqrt(square)));
    entry(buf, "EFFECT", text);
    const enum verdict verdict = judge(report);
    if (verdict != CANNOT_TELL) {
        entry(buf, "SO", VERDICTS[verdict].text);
    } else if (isfinite(needed)) {
        (void)snprintf(text, sizeof text, "cannot tell yet: about %.0f more nights %s", needed,
                       report->n_after <= report->n_before ? "since the change"
                                                           : "as it was before");
        entry(buf, "SO", text);
    } else {
        entry(buf, "SO",
              "cannot tell: with so few nights on the other side more of these do not help; the "
              "trial that measures the line does");
    }
    if (report->foretold) {
        const struct foretold f = foretell(report);
        (void)snprintf(text, sizeof text, "'%s': %+.2f +- %.2f arcsec^2; %s (%.1f sigma apart)",
                       report->foretold->change->name, ARCSEC2(f.rad2), ARCSEC2(f.sigma_rad2),
                       held(report), fabs(f.off));
        entry(buf, "FORETOLD", text);
    }
    entry(buf, "MIND", "what else changed that night counts too: nightwright book change");
}

enum nw_status nw_report_change_json(const struct nw_change_report *report, json_t **ret,
                                     struct nw_err *err) {
    const struct nw_apart_term *const term = &report->apart->terms[NW_APART_CHANGE];
    struct nw_json json;
    nw_json_begin(&json, "book_compare", 1);
    nw_json_text(&json, NULL, "since", report->date);
    nw_json_count(&json, NULL, "nights_before", report->n_before);
    nw_json_count(&json, NULL, "nights_since", report->n_after);
    if (report->apart->why_null[0]) {
        nw_json_null(&json, NULL, "effect_arcsec2");
        nw_json_why(&json, NULL, "effect_arcsec2", report->apart->why_null);
        return nw_json_end(&json, ret, err);
    }
    nw_json_number(&json, NULL, "effect_arcsec2", ARCSEC2(term->value), 4);
    nw_json_number(&json, NULL, "effect_sigma_arcsec2", ARCSEC2(term->sigma), 3);
    nw_json_number(&json, NULL, "effect_low_arcsec2", ARCSEC2(term->low), 4);
    nw_json_number(&json, NULL, "effect_high_arcsec2", ARCSEC2(term->high), 4);
    nw_json_number(&json, NULL, "mean_width_arcsec", ARCSEC(sqrt(mean_square(report->apart))), 4);
    nw_json_text(&json, NULL, "verdict", VERDICTS[judge(report)].word);
    nw_json_number(&json, NULL, "more_nights", nw_change_nights_needed(report), 3);
    if (!isfinite(nw_change_nights_needed(report))) {
        nw_json_why(&json, NULL, "more_nights", "too few nights on the other side");
    }
    if (report->foretold) {
        const struct foretold f = foretell(report);
        json_t *o = nw_json_object(&json, NULL, "foretold");
        nw_json_text(&json, o, "change", report->foretold->change->name);
        nw_json_number(&json, o, "effect_arcsec2", ARCSEC2(f.rad2), 4);
        nw_json_number(&json, o, "effect_sigma_arcsec2", ARCSEC2(f.sigma_rad2), 3);
        nw_json_text(&json, o, "outcome", held(report));
        nw_json_number(&json, o, "sigmas_apart", fabs(f.off), 3);
    }
    return nw_json_end(&json, ret, err);
}
