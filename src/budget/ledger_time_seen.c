/* ledger_time_seen.c - a time budget beside the clock of a night; see ledger_seen.h. */
#include <math.h>

#include "budget/ledger_seen.h"
#include "sky/almanac.h"

static const double LONG_FACTOR = 3.0, LONG_EXTRA_s = 30.0; /* common practice, no source */

struct clock { /* seconds */
    double reading, dithers, focus, flip, other, spoiled, exposing, exposing_dark, span;
    size_t n, n_focus, n_flips, n_others, n_spoiled;
    double longest_other, longest_after_s;
};

static double end_of(const struct nw_seen_sub *s) {
    return s->t_start_utc_s + s->exposure_s;
}

static bool is_timed(const struct nw_seen_sub *s) {
    return isfinite(s->t_start_utc_s) && s->exposure_s > 0.0;
}

/* Gaps between subs that follow each other, in order; *ret_usual: median, *ret_least: a tenth of
 * them are shorter. Returns how many. */
static size_t gaps_of(const struct nw_seen_sub *subs, size_t n, double *gap, double *ret_usual,
                      double *ret_least) {
    double *const sorted = gap + n;
    size_t m = 0;
    for (size_t i = 0; i + 1 < n; i++) {
        gap[i] = fmax(0.0, subs[i + 1].t_start_utc_s - end_of(&subs[i]));
        sorted[m++] = gap[i];
    }
    *ret_usual = m ? nw_stat_median(sorted, m) : NAN;
    *ret_least = m ? nw_stat_quantile(sorted, m, 0.1) : NAN;
    return m;
}

static bool differs(double a, double b, double by) {
    return isfinite(a) && isfinite(b) && fabs(a - b) > by;
}

static void sort_gap(const struct nw_seen_sub *a, const struct nw_seen_sub *b, double gap_s,
                     double usual_s, double least_s, struct clock *c) {
    const bool is_long = gap_s > LONG_FACTOR * usual_s && gap_s > usual_s + LONG_EXTRA_s;
    const double reading = fmin(gap_s, least_s);
    c->reading += reading;
    if (!is_long) {
        c->dithers += gap_s - reading;
        return;
    }
    if (a->tube_side[0] && b->tube_side[0] && strcmp(a->tube_side, b->tube_side) != 0) {
        c->flip += gap_s - reading;
        c->n_flips++;
    } else if (differs(a->focuser_steps, b->focuser_steps, 0.5)) {
        c->focus += gap_s - reading;
        c->n_focus++;
    } else {
        c->other += gap_s - reading;
        c->n_others++;
        if (gap_s > c->longest_other) {
            c->longest_other = gap_s;
            c->longest_after_s = end_of(a);
        }
    }
}

static void put(struct nw_ledger *l, const char *id, double seconds, size_t count,
                const struct clock *c) {
    struct nw_ledger_line *const line = nw_ledger_find(l, id);
    if (line) {
        line->measured = 60.0 * seconds / c->span;
        line->measured_sigma = 0.0;
        line->why_null[0] = '\0';
        if (count > 0) {
            (void)snprintf(line->detail, sizeof line->detail, "%zu, %.0f s each", count,
                           seconds / (double)count);
        }
    }
}

static void add(struct nw_ledger *l, const char *id, const char *label, double seconds,
                size_t count, const struct clock *c) {
    struct nw_ledger_line *const line = nw_ledger_add(l, id, label);
    line->predicted = 0.0;
    line->predicted_sigma = 0.0;
    line->provenance = NW_FROM_MEASURED;
    line->basis = "not foretold: what a night takes";
    put(l, id, seconds, count, c);
}

/* The night's own darkness: hours that were there, foretold to be exposed, and exposed. */
static void put_hours(struct nw_ledger *l, const struct nw_rig *rig, const struct nw_seen_sub *subs,
                      size_t n, struct clock *c) {
    const struct nw_observer o = nw_sky_observer_of(rig);
    const double date_s = nw_sky_evening_utc_s(subs[0].t_start_utc_s, rig->site.longitude_rad.v);
    struct nw_dark dark;
    if (nw_sky_dark(&o, nw_sky_noon_utc_s(date_s, rig->site.longitude_rad.v),
                    NW_TWILIGHT_ASTRONOMICAL_RAD, &dark, NULL) != NW_OK ||
        !dark.exists) {
        return;
    }
    for (size_t i = 0; i < n; i++) {
        const double from = fmax(subs[i].t_start_utc_s, dark.start_s);
        const double to = fmin(end_of(&subs[i]), dark.end_s);
        c->exposing_dark += subs[i].is_spoiled ? 0.0 : fmax(0.0, to - from);
    }
    const double dark_h = (dark.end_s - dark.start_s) / 3600.0;
    struct nw_ledger_line *const line =
        nw_ledger_add(l, "exposing", "hours of exposure, this night");
    line->is_summed = false;
    line->unit = "h";
    line->predicted = dark_h * (1.0 - l->predicted / 60.0);
    line->predicted_sigma = dark_h * l->predicted_sigma / 60.0;
    line->provenance = NW_FROM_GIVEN;
    line->basis = "the night's darkness less the minutes above";
    line->measured = c->exposing_dark / 3600.0;
    line->measured_sigma = 0.0;
    (void)snprintf(
        line->detail, sizeof line->detail,
        "%.1f h of %.1f h of darkness were begun and ended by subs; %.0f min of exposure in "
        "twilight",
        fmax(0.0,
             fmin(end_of(&subs[n - 1]), dark.end_s) - fmax(subs[0].t_start_utc_s, dark.start_s)) /
            3600.0,
        dark_h, fmax(0.0, c->exposing - c->spoiled - c->exposing_dark) / 60.0);
}

void nw_ledger_time_measured(struct nw_ledger *ledger, const struct nw_rig *rig,
                             const struct nw_seen_sub *subs, size_t n_subs) {
    struct clock c = {.n = 0};
    struct nw_seen_sub *const timed = nw_calloc(n_subs + 1, sizeof *timed);
    double *const gap = nw_calloc(2 * n_subs + 2, sizeof *gap);
    double usual_s = NAN;
    double least_s = NAN;
    size_t n = 0;
    for (size_t i = 0; timed && i < n_subs; i++) {
        if (is_timed(&subs[i])) {
            timed[n++] = subs[i];
        }
    }
    if (!timed || !gap || n < 2) {
        free(timed);
        free(gap);
        return; /* one sub has no gaps */
    }
    const size_t m = gaps_of(timed, n, gap, &usual_s, &least_s);
    for (size_t i = 0; i < m; i++) {
        sort_gap(&timed[i], &timed[i + 1], gap[i], usual_s, least_s, &c);
    }
    for (size_t i = 0; i < n; i++) {
        c.exposing += timed[i].exposure_s;
        c.spoiled += timed[i].is_spoiled ? timed[i].exposure_s : 0.0;
        c.n_spoiled += timed[i].is_spoiled;
    }
    c.span = end_of(&timed[n - 1]) - timed[0].t_start_utc_s;
    put(ledger, "reading_out", c.reading, m, &c);
    put(ledger, "dithers", c.dithers, 0, &c);
    put(ledger, "focus_runs", c.focus, c.n_focus, &c);
    put(ledger, "flip", c.flip, c.n_flips, &c);
    add(ledger, "other_gaps", "other long gaps", c.other, c.n_others, &c);
    add(ledger, "spoiled", "spoiled subs", c.spoiled, c.n_spoiled, &c);
    ledger->measured =
        60.0 * (c.reading + c.dithers + c.focus + c.flip + c.other + c.spoiled) / c.span;
    ledger->measured_sigma = 0.0;
    put_hours(ledger, rig, timed, n, &c);
    const size_t at = strlen(ledger->verdict);
    (void)snprintf(ledger->verdict + at, sizeof ledger->verdict - at,
                   "; these %zu subs: %.1f min of each hour", n, ledger->measured);
    if (c.n_others > 0) {
        char when[40] = "";
        const size_t end = strlen(ledger->verdict);
        nw_time_write_iso(c.longest_after_s, 0, when, sizeof when);
        (void)snprintf(ledger->verdict + end, sizeof ledger->verdict - end,
                       ", the longest gap without a cause %.0f min after %s",
                       c.longest_other / 60.0, when);
    }
    free(timed);
    free(gap);
}
