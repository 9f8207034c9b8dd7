/* ledger_time.c - the time budget: what is lost of each hour of darkness by habit.
 * Idea: minutes of an hour that are not exposure, each from a habit of the rig or its usual value;
 * what clouds and spoiled subs take is not foretold but measured. Dark hours stand beside. */
#include <math.h>

#include "budget/ledger.h"
#include "sky/almanac.h"

/* Where the rig file has no habit: those a targets file begins with (docs/plan.md). */
static const double READOUT_s = 3.0, DITHER_s = 15.0, DITHER_EVERY = 3.0, FLIP_s = 300.0;
static const double ALLOWED_min = 10.0; /* common practice, no source */

static void put(struct nw_ledger *l, const char *id, const char *label, double lost_min,
                enum nw_from from, const char *basis) {
    struct nw_ledger_line *const line = nw_ledger_add(l, id, label);
    line->predicted = lost_min;
    line->predicted_sigma = (from == NW_FROM_ASSUMED ? 0.5 : 0.2) * lost_min;
    line->provenance = from;
    line->basis = basis;
    nw_text_copy(line->why_null, sizeof line->why_null,
                 "subs of a night (--frames, --book) show when they were taken");
}

/* Hours of darkness of the night of a date; 0 without any. */
static double dark_h(const struct nw_rig *rig, const char *date, struct nw_err *err) {
    const struct nw_site *const s = &rig->site;
    const struct nw_observer o = nw_sky_observer_of(rig);
    struct nw_dark dark;
    double t_s = NAN;
    if (nw_time_read_iso(date, 0.0, &t_s, err) != NW_OK ||
        nw_sky_dark(&o, nw_sky_noon_utc_s(t_s, s->longitude_rad.v), NW_TWILIGHT_ASTRONOMICAL_RAD,
                    &dark, err) != NW_OK) {
        return NAN;
    }
    return dark.exists ? (dark.end_s - dark.start_s) / 3600.0 : dark.is_always_below ? 24.0 : 0.0;
}

static void put_hours(struct nw_ledger *l, const char *id, const char *label, double hours) {
    struct nw_ledger_line *const line = nw_ledger_add(l, id, label);
    line->is_summed = false;
    line->unit = "h";
    line->predicted = hours;
    line->provenance = NW_FROM_GIVEN;
    line->basis = "Sun 18 deg down (eraEpv00)";
    nw_text_copy(line->why_null, sizeof line->why_null, "geometry");
}

static void judge(struct nw_ledger *l, const struct nw_setup *setup, double share_exposed) {
    double most = 0.0;
    for (size_t i = 0; i < l->n_lines; i++) {
        if (l->lines[i].is_summed && l->lines[i].predicted > most) {
            most = l->lines[i].predicted;
            l->limiting = i;
        }
    }
    l->is_over = l->predicted > l->allowed;
    (void)snprintf(l->verdict, sizeof l->verdict,
                   "%s: %.1f min of each dark hour pass without light, most of it for %s; %.0f %% "
                   "is exposure",
                   l->is_over ? "over" : "fits", l->predicted, l->lines[l->limiting].label,
                   100.0 * share_exposed);
    const double reads_min = l->lines[0].predicted + l->lines[1].predicted;
    if (l->is_over && reads_min > 0.5 * l->predicted) {
        struct nw_ledger_advice *const a = nw_ledger_add_advice(l);
        (void)snprintf(a->change, sizeof a->change, "longer subs");
        (void)snprintf(a->path, sizeof a->path, "setups.%.40s.habits.sub_length", setup->name);
        (void)snprintf(a->value, sizeof a->value, "%.0f s", 2.0 * setup->sub_length_s.v);
        a->effort = "setting";
        a->time_percent_point = a->time_percent_extended = 100.0 * 0.5 * reads_min / 60.0;
        (void)snprintf(a->why, sizeof a->why, "%.1f min of each hour go between subs", reads_min);
    }
}

enum nw_status nw_ledger_time(const struct nw_rig *rig, const struct nw_setup *setup,
                              struct nw_ledger *ret, struct nw_err *err) {
    if (setup->n_sun_filtered > 0) {
        return nw_err_set(err, NW_NOTFOUND, "setup %s is for the Sun, not for dark hours",
                          setup->name);
    }
    const double sub_s = setup->sub_length_s.v;
    const double winter = dark_h(rig, "2026-12-21T00:00:00Z", err);
    const double summer = dark_h(rig, "2026-06-21T00:00:00Z", err);
    const double usual_h = 0.5 * (winter + summer);
    if (!(sub_s > 0.0) || !isfinite(usual_h)) {
        return nw_err_set(err, NW_NOTFOUND, "setups.%s.habits.sub_length is not known",
                          setup->name);
    }
    const double focus_share =
        setup->has_focuser && setup->focus_interval_s.v > 0.0 && setup->focus_run_s.v > 0.0
            ? setup->focus_run_s.v / (setup->focus_run_s.v + setup->focus_interval_s.v)
            : 0.0;
    const double flip_share = usual_h > 0.0 ? FLIP_s / (3600.0 * usual_h) : 0.0;
    const double left = 1.0 - focus_share - flip_share;
    const double each_s = sub_s + READOUT_s + DITHER_s / DITHER_EVERY;
    (void)snprintf(ret->aside, sizeof ret->aside, "of one dark hour, subs of %.0f s", sub_s);
    nw_text_copy(ret->sum_label, sizeof ret->sum_label, "without light, of each hour");
    ret->allowed = ALLOWED_min;
    put(ret, "reading_out", "reading out", 60.0 * left * READOUT_s / each_s, NW_FROM_ASSUMED,
        "3 s a sub, as a targets file begins (common practice, no source)");
    put(ret, "dithers", "dithers", 60.0 * left * DITHER_s / DITHER_EVERY / each_s, NW_FROM_ASSUMED,
        "15 s every third sub, as a targets file begins (common practice, no source)");
    put(ret, "focus_runs", "focus runs", 60.0 * focus_share, setup->focus_run_s.from,
        "run / (run + interval), by habit");
    put(ret, "flip", "flip of the mount", 60.0 * flip_share, NW_FROM_ASSUMED,
        "5 min once a night (common practice, no source)");
    nw_ledger_sum(ret);
    put_hours(ret, "dark_june", "dark hours on 21 June", summer);
    put_hours(ret, "dark_december", "dark hours on 21 December", winter);
    nw_text_copy(ret->why_null, sizeof ret->why_null,
                 "subs of a night (--frames, --book) show when they were taken");
    judge(ret, setup, left * sub_s / each_s);
    return NW_OK;
}
