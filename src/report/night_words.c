/* night_words.c - sentences on a night: see night_words.h.
 * Idea: what was lost is told in hours of the night; what to do follows from the largest loss that
 * is not sky or weather, then from the budget's own advice, each with the prediction that tomorrow
 * can refute. */
#include "report/night_words.h"

#include <math.h>

#define AS NW_ARCSEC_PER_RAD
static const double WORTH_A_SENTENCE_H = 0.1, WORTH_A_SENTENCE_PERCENT = 2.0;

char *night_clock(const struct nw_night_report *report, double t_s, char *text, size_t size) {
    const struct nw_live *const live = &report->night->live;
    if (!report->is_without_site) {
        return nw_report_clock(text, size, t_s);
    }
    const double since_s = live->n > 0 ? t_s - live->subs[0].t_start_utc_s : NAN;
    if (!isfinite(since_s)) {
        nw_text_copy(text, size, "-");
        return text;
    }
    const long minutes = lround(fabs(since_s) / 60.0);
    (void)snprintf(text, size, "%s%ld:%02ld", since_s < 0.0 ? "-" : "+", minutes / 60,
                   minutes % 60);
    return text;
}

/* ---- Hours ---------------------------------------------------------------------------------- */

static void dark_note(const struct nw_night_report *report, char *note, size_t size) {
    const struct nw_nightly *const night = report->night;
    char from[48];
    char to[48];
    if (!night->is_dark_known) {
        nw_text_copy(note, size, night->why_no_dark);
    } else if (!report->is_without_site) {
        (void)snprintf(note, size, "Sun 18 deg down, %s to %s UTC",
                       nw_report_clock(from, sizeof from, night->dark_start_s),
                       nw_report_clock(to, sizeof to, night->dark_end_s));
    }
}

const char *night_hours(const struct nw_night_report *report, size_t i, double *ret_hours,
                        char *note, size_t note_size) {
    const struct nw_nightly *const night = report->night;
    note[0] = '\0';
    switch (i) {
    case 0:
        *ret_hours = night->dark_h;
        dark_note(report, note, note_size);
        return "dark";
    case 1:
        *ret_hours = night->exposing_h;
        (void)snprintf(note, note_size, "%zu subs", night->live.n);
        return "exposing";
    case 2:
        *ret_hours = night->worthless_h;
        nw_text_copy(note, note_size, "of it without effect: width, light, sky (point sources)");
        return "  spoiled";
    case 3:
        *ret_hours = night->usual_gaps_h;
        if (isfinite(night->usual_gap_s)) {
            (void)snprintf(note, note_size, "%.0f s each: download, dither, settling",
                           night->usual_gap_s);
        }
        return "between subs";
    case 4:
        *ret_hours = night->long_gaps_h;
        (void)snprintf(note, note_size, night->n_long > 0 ? "%zu of them" : "none", night->n_long);
        return "long gaps";
    case 5:
        *ret_hours = night->before_h;
        nw_text_copy(note, note_size, "dark already");
        return "before the first sub";
    case 6:
        *ret_hours = night->after_h;
        nw_text_copy(note, note_size, "dark still");
        return "after the last sub";
    default:
        return NULL;
    }
}

void night_gap_words(const struct nw_night_report *report, const struct nw_gap *gap, char *text,
                     size_t size) {
    char when[48];
    (void)snprintf(text, size, "%s at %s, %.0f min: %s%s%s%s",
                   gap->sources & (1u << NW_GAP_FRAMES) ? "gap" : "hole in a log",
                   night_clock(report, gap->from_s, when, sizeof when),
                   (gap->to_s - gap->from_s) / 60.0, nw_gap_cause_text(gap->cause),
                   gap->evidence[0] != '\0' ? " (" : "", gap->evidence,
                   gap->evidence[0] != '\0' ? ")" : "");
}

void night_alert_words(const struct nw_night_report *report, const struct nw_live_alert *alert,
                       char *text, size_t size) {
    nw_text_copy(text, size, alert->text);
    if (report->is_without_site) { /* "..., -2 K an hour: at this rate dew at ...; light fell at
                                      ..." */
        char *const rate = strstr(text, ": at this rate");
        char *const more = strchr(text, ';');
        *(rate ? rate : text + strlen(text)) = '\0';
        *(more && (!rate || more < rate) ? more : text + strlen(text)) = '\0';
    }
}

/* ---- Damp and power ------------------------------------------------------------------------- */

static bool damp_words(const struct nw_night_report *report, char *text, size_t size) {
    const struct nw_live *const live = &report->night->live;
    const struct nw_live_climate *least = NULL;
    double wet_s = 0.0;
    char when[48];
    for (size_t i = 0; i < live->n_climate; i++) {
        const struct nw_live_climate *const row = &live->climate[i];
        if (isfinite(row->margin_K) && (!least || row->margin_K < least->margin_K)) {
            least = row;
        }
        if (row->margin_K <= 0.0 && i + 1 < live->n_climate) {
            wet_s += fmin(live->climate[i + 1].t_utc_s - row->t_utc_s, 600.0);
        }
    }
    if (!least) {
        (void)snprintf(text, size, "damp: %s",
                       !live->has_climate    ? "no climate log of the night"
                       : !live->has_humidity ? "the climate log has no humidity"
                                             : "no row with the roof open");
        return live->has_climate;
    }
    (void)snprintf(
        text, size, "damp: %s %.1f K above the %s point at %s, the least of the night; %s",
        least->surface == NW_LIVE_AIR ? "air" : live->surfaces[least->surface], least->margin_K,
        least->is_frost ? "frost" : "dew", night_clock(report, least->t_utc_s, when, sizeof when),
        wet_s > 0.0 ? "wet for " : "never wet");
    if (wet_s > 0.0) {
        const size_t len = strlen(text);
        (void)snprintf(text + len, size - len, "%.0f min", wet_s / 60.0);
    }
    return true;
}

bool night_room_words(const struct nw_night_report *report, size_t i, char *text, size_t size) {
    const struct nw_live *const live = &report->night->live;
    const struct nw_live_volts *least = NULL;
    char when[48];
    const bool has_damp = damp_words(report, text, size);
    if (has_damp && i == 0) {
        return true;
    }
    if (live->n_volts == 0 || i != (has_damp ? 1 : 0)) {
        return false;
    }
    for (size_t k = 0; k < live->n_volts; k++) {
        least = !least || live->volts[k].volts < least->volts ? &live->volts[k] : least;
    }
    if (!least) {
        return false;
    }
    (void)snprintf(text, size, "power: %s at %.2f V, usually %.2f; the least at %s", live->volts_of,
                   least->volts, live->usual_V,
                   night_clock(report, least->t_utc_s, when, sizeof when));
    return true;
}

/* ---- Subs ----------------------------------------------------------------------------------- */

static double best_width(const struct nw_nightly *night, size_t like) {
    double best = INFINITY;
    for (size_t i = 0; i < night->live.n; i++) {
        const struct nw_live_sub *const sub = &night->live.subs[i];
        if (strcmp(sub->filter, night->live.subs[like].filter) == 0) {
            best = fmin(best, isfinite(sub->fwhm_px) ? sub->fwhm_px : INFINITY);
        }
    }
    return best;
}

void night_sub_words(const struct nw_night_report *report, const struct nw_nightly_sub *sub,
                     char *text, size_t size) {
    const struct nw_live_sub *const s = &report->night->live.subs[sub->sub];
    const bool is_arcsec = isfinite(s->scale_rad_px);
    const double scale = is_arcsec ? s->scale_rad_px * AS : 1.0;
    char why[160] = "";
    if (sub->factor[sub->worst] > 0.95) {
        nw_text_copy(why, sizeof why, "as good as they come");
    } else if (sub->worst == NW_FAULT_WIDTH) {
        (void)snprintf(why, sizeof why, "%s: %.2f %s, the best %.2f", nw_sub_fault_text(sub->worst),
                       s->fwhm_px * scale, is_arcsec ? "arcsec" : "px",
                       best_width(report->night, sub->sub) * scale);
    } else if (sub->worst == NW_FAULT_LIGHT) {
        (void)snprintf(why, sizeof why, "%s: %.0f %% of the best came through",
                       nw_sub_fault_text(sub->worst), 100.0 * s->transmission);
    } else {
        (void)snprintf(why, sizeof why, "%s: its noise costs %.0f %% of the time",
                       nw_sub_fault_text(sub->worst), 100.0 * (1.0 - sub->factor[NW_FAULT_SKY]));
    }
    (void)snprintf(text, size, "%3.0f %%  %s", 100.0 * sub->worth, why);
}

/* ---- Tomorrow ------------------------------------------------------------------------------- */

static bool add(char *text, size_t size, const char *format, ...) NW_PRINTF(3, 4);
static bool add(char *text, size_t size, const char *format, ...) {
    va_list args;
    va_start(args, format);
    (void)vsnprintf(text, size, format, args);
    va_end(args);
    return true;
}

/* What the hours say, dearest first is the order of asking: unused darkness, gaps, rhythm. */
static bool of_hours(const struct nw_night_report *report, size_t *i, char *text, size_t size) {
    const struct nw_nightly *const night = report->night;
    const double unused_h = night->before_h + night->after_h;
    if (unused_h > WORTH_A_SENTENCE_H && (*i)-- == 0) {
        return add(
            text, size,
            "%.1f dark hours were not used (%.1f before the first sub, %.1f after the last): "
            "as many more as the %.1f you took",
            unused_h, night->before_h, night->after_h, night->exposing_h);
    }
    if (night->long_gaps_h > WORTH_A_SENTENCE_H && night->n_gaps > 0 && (*i)-- == 0) {
        return add(text, size, "%.1f hours went into %zu long gaps, the longest %.0f min: %s",
                   night->long_gaps_h, night->n_long,
                   (night->gaps[0].to_s - night->gaps[0].from_s) / 60.0,
                   nw_gap_cause_text(night->gaps[0].cause));
    }
    if (night->usual_gaps_h > 0.1 * night->exposing_h && (*i)-- == 0) {
        return add(text, size,
                   "the pauses between subs (%.0f s) took %.0f %% of the time: longer subs, or "
                   "fewer dithers, would win up to that",
                   night->usual_gap_s,
                   100.0 * night->usual_gaps_h / (night->exposing_h + night->usual_gaps_h));
    }
    return false;
}

bool night_tomorrow(const struct nw_night_report *report, size_t i, char *text, size_t size) {
    size_t left = i;
    if (of_hours(report, &left, text, size)) {
        return true;
    }
    if (report->budget && left < report->budget->n_advice &&
        report->budget->advice[left].time_percent_point >= WORTH_A_SENTENCE_PERCENT) {
        const struct nw_star_advice *const advice = &report->budget->advice[left];
        return add(text, size, "%s: %.0f %% of the time. Foretold: %s", advice->change->name,
                   advice->time_percent_point, advice->prediction);
    }
    return false;
}
