/* gaps_cause.c - what made a hole; see gaps.h.
 * Idea: first what the headers and logs give as an ordinary reason, if that reason is long enough
 * for the hole; then what the volts say; then who else fell silent. */
#include <stdlib.h>

#include "book/gaps_internal.h"
#include "book/live_internal.h"

static const double ORDINARY_S =
    1200.0; /* flip, focus run, new target: common practice, no source */
static const double TOGETHER_S = 30.0;
static const double LIGHT_LOST = 0.7, STAR_LOST_SHARE = 0.5;
static const double DIP_SHARE = 0.93, DARK_SHARE = 0.2; /* of the night's median */
static const double DIP_BEFORE_S = 60.0, DIP_AFTER_S = 20.0;

static bool is_silent(const struct gap_hole *hole, enum nw_gap_source source) {
    return hole->sources & (1u << source);
}

static void tell(struct nw_gap *gap, enum nw_gap_cause cause, const char *evidence,
                 const char *would_tell) {
    gap->cause = cause;
    nw_text_copy(gap->evidence, sizeof gap->evidence, evidence);
    nw_text_copy(gap->would_tell, sizeof gap->would_tell, would_tell);
}

/* ---- Ordinary reasons ----------------------------------------------------------------------- */

static bool by_headers(const struct nw_gap_evidence *e, const struct gap_hole *hole,
                       struct nw_gap *gap) {
    if (!is_silent(hole, NW_GAP_FRAMES) ||
        hole->to_s[NW_GAP_FRAMES] - hole->from_s[NW_GAP_FRAMES] > ORDINARY_S) {
        return false;
    }
    const struct nw_live_sub *const before = &e->live->subs[hole->before];
    const struct nw_live_sub *const after = &e->live->subs[hole->before + 1];
    char words[160];
    if (strcmp(before->object, after->object) != 0) {
        (void)snprintf(words, sizeof words, "%.60s before, %.60s after", before->object,
                       after->object);
        tell(gap, NW_GAP_TARGET, words, "");
    } else if (before->tube_side[0] != '\0' && after->tube_side[0] != '\0' &&
               strcmp(before->tube_side, after->tube_side) != 0) {
        (void)snprintf(words, sizeof words, "tube %s before, %s after", before->tube_side,
                       after->tube_side);
        tell(gap, NW_GAP_FLIP, words, "");
    } else if (fabs(before->focuser_steps - after->focuser_steps) > 0.5) {
        (void)snprintf(words, sizeof words, "focuser at %.0f before, %.0f after",
                       before->focuser_steps, after->focuser_steps);
        tell(gap, NW_GAP_FOCUS, words, "");
    } else if (strcmp(before->filter, after->filter) != 0) {
        (void)snprintf(words, sizeof words, "%.30s before, %.30s after", before->filter,
                       after->filter);
        tell(gap, NW_GAP_FILTER, words, "");
    } else {
        return false;
    }
    return true;
}

static bool by_roof(const struct nw_gap_evidence *e, const struct gap_hole *hole,
                    struct nw_gap *gap) {
    for (size_t i = 0; e->roof_open && i < e->climate.n; i++) {
        const double t_s = e->climate.t_s[i];
        if (t_s >= hole->start_s && t_s <= hole->end_s && e->roof_open[i] < 0.5) {
            tell(gap, NW_GAP_ROOF, "the climate log has the roof closed in it", "");
            return true;
        }
    }
    return false;
}

static double light_of(const struct nw_gap_evidence *e, size_t sub) {
    return sub < e->live->n ? e->live->subs[sub].transmission : NAN;
}

/* Light lost on either side, or a guide log that goes on without its star. */
static bool by_cloud(const struct nw_gap_evidence *e, const struct gap_hole *hole,
                     struct nw_gap *gap) {
    char words[160];
    size_t n = 0;
    size_t n_lost = 0;
    for (size_t i = 0; e->has_star && i < e->guide.n; i++) {
        if (e->guide.t_s[i] > hole->start_s && e->guide.t_s[i] < hole->end_s) {
            n++;
            n_lost += e->has_star[i] ? 0 : 1;
        }
    }
    if (n >= 5 && (double)n_lost > STAR_LOST_SHARE * (double)n) {
        (void)snprintf(words, sizeof words, "the guide log went on without its star (%zu of %zu)",
                       n_lost, n);
        tell(gap, NW_GAP_CLOUD, words, "");
        return true;
    }
    if (!is_silent(hole, NW_GAP_FRAMES)) {
        return false;
    }
    const double before = light_of(e, hole->before);
    const double after = light_of(e, hole->before + 1);
    if (before < LIGHT_LOST || after < LIGHT_LOST) {
        (void)snprintf(words, sizeof words, "light at %.0f %% before it, %.0f %% after",
                       100.0 * before, 100.0 * after);
        tell(gap, NW_GAP_CLOUD, words, "");
        return true;
    }
    return false;
}

static bool by_pause(const struct nw_gap_evidence *e, const struct gap_hole *hole,
                     struct nw_gap *gap) {
    for (size_t i = 0; e->pauses && i + 1 < e->pauses->n; i += 2) {
        const double shared_s =
            fmin(e->pauses->t_s[i + 1], hole->end_s) - fmax(e->pauses->t_s[i], hole->start_s);
        if (shared_s > 0.5 * (hole->end_s - hole->start_s)) {
            tell(gap, NW_GAP_PAUSE, "the guide log says so", "");
            return true;
        }
    }
    return false;
}

/* ---- The supply ----------------------------------------------------------------------------- */

/* The lowest value of a column in a stretch of time. */
static double lowest(const struct nw_power_rows *power, size_t column, double from_s, double to_s,
                     double *ret_t_s) {
    double low = INFINITY;
    for (size_t i = 0; i < power->n; i++) {
        const double value = power->data[column * power->n + i];
        const double t_s = power->t_s[i];
        if (t_s >= from_s && t_s <= to_s && value < low) {
            low = value;
            *ret_t_s = t_s;
        }
    }
    return low;
}

/* Volts that dip when it begins, or a load whose current is gone in it. */
static bool by_supply(const struct nw_gap_evidence *e, const struct gap_hole *hole,
                      struct nw_gap *gap) {
    const struct nw_power_rows *const p = e->power;
    double *const work = p ? nw_calloc(p->n + 1, sizeof *work) : NULL;
    double worst = 1.0;
    for (size_t k = 0; work && k < p->n_columns; k++) {
        const bool is_volts = nw_text_ends_nocase(p->columns[k], " V");
        const double usual = live_usual_power(p, k, work);
        const double from_s = hole->start_s - (is_volts ? DIP_BEFORE_S : 0.0);
        const double to_s = is_volts ? hole->start_s + DIP_AFTER_S : hole->end_s;
        double at_s = NAN;
        const double share = lowest(p, k, from_s, to_s, &at_s) / usual;
        const double limit = is_volts ? DIP_SHARE : DARK_SHARE;
        /* a load that draws next to nothing says nothing by drawing nothing */
        if (!(usual > (is_volts ? 3.0 : 0.3)) || !(share < limit) || !(share / limit < worst)) {
            continue;
        }
        worst = share / limit;
        char words[200];
        (void)snprintf(words, sizeof words, "%s fell to %.2f (usually %.2f) %.0f s %s",
                       p->columns[k], share * usual, usual, fabs(at_s - hole->start_s),
                       at_s < hole->start_s ? "before it" : "after it began");
        tell(gap, NW_GAP_SUPPLY, words,
             is_volts ? "volts at both ends of the wire tell supply from plug; with power off, "
                        "feel the plugs"
                      : "its fuse and its plug, with power off");
    }
    free(work);
    return worst < 1.0;
}

/* ---- Who else fell silent ------------------------------------------------------------------- */

static bool covers(const struct nw_gap_track *track, const struct gap_hole *hole) {
    size_t n = 0;
    for (size_t i = 0; i < track->n; i++) {
        n += track->t_s[i] > hole->start_s && track->t_s[i] < hole->end_s ? 1 : 0;
    }
    return n >= 3;
}

/* A sub that was being taken is lost with the rest: the frames may seem to stop an exposure and a
 * pause earlier than the log. */
static bool stop_together(const struct nw_gap_evidence *e, const struct gap_hole *hole) {
    const double lost_s = e->live->subs[hole->before].exposure_s +
                          (isfinite(e->live->usual_gap_s) ? e->live->usual_gap_s : 0.0);
    const double later_s = hole->from_s[NW_GAP_GUIDE] - hole->from_s[NW_GAP_FRAMES];
    return later_s > -TOGETHER_S && later_s < lost_s + TOGETHER_S;
}

static void by_silence(const struct nw_gap_evidence *e, const struct gap_hole *hole,
                       struct nw_gap *gap) {
    char words[200];
    const struct nw_gap_track power = gap_power_track(e);
    const bool has_frames = is_silent(hole, NW_GAP_FRAMES);
    const bool has_guide = is_silent(hole, NW_GAP_GUIDE);
    const bool has_others = is_silent(hole, NW_GAP_CLIMATE) || is_silent(hole, NW_GAP_POWER);
    const bool do_others_go_on = covers(&e->climate, hole) || covers(&power, hole);
    if (has_frames && has_guide && stop_together(e, hole)) {
        (void)snprintf(words, sizeof words,
                       "frames and guide log stop within %.0f s of each other%s",
                       fabs(hole->from_s[NW_GAP_GUIDE] - hole->from_s[NW_GAP_FRAMES]),
                       has_others        ? ", the other logs too"
                       : do_others_go_on ? "; climate or power log went on"
                                         : "");
        tell(gap, NW_GAP_PC, words,
             has_others ? "the PC's own event log: restart, sleep, or storage"
                        : "a log that another machine writes (climate, power) tells PC from USB; "
                          "the PC's event log tells hub from program");
    } else if (has_frames && has_guide) {
        tell(gap, NW_GAP_UNTOLD, "frames and guide log both stop, but not together",
             "the programs' own logs; a power log");
    } else if (has_frames && covers(&e->guide, hole)) {
        tell(gap, NW_GAP_CAMERA, "the guide log went on with its star",
             "the camera's current in a power log; another USB cable or port for a week; was the "
             "sequence stopped by hand?");
    } else if (has_frames) {
        tell(gap, NW_GAP_UNTOLD,
             e->guide.n > 0 ? "nothing in the headers; the guide log says nothing of that time"
                            : "nothing in the headers, and no guide log of the night",
             "a guide log, a power log, or your own word: `book change DATE WORDS`");
    } else if (has_guide) {
        tell(gap, NW_GAP_GUIDER, "frames went on without it",
             "the guide program's own log; another USB cable or port for a week");
    } else {
        tell(gap, NW_GAP_LOGGER, "frames and guide log went on",
             "the logger's battery, card or radio");
    }
}

void gap_explain(const struct nw_gap_evidence *e, const struct gap_hole *hole, struct nw_gap *ret) {
    *ret = (struct nw_gap){.from_s = hole->start_s, .to_s = hole->end_s, .sources = hole->sources};
    nw_text_copy(ret->date, sizeof ret->date, e->live->date);
    const bool is_of_sky = is_silent(hole, NW_GAP_FRAMES) || is_silent(hole, NW_GAP_GUIDE);
    const bool is_ordinary = is_of_sky && (by_headers(e, hole, ret) || by_roof(e, hole, ret) ||
                                           by_pause(e, hole, ret) || by_cloud(e, hole, ret));
    if (!is_ordinary && !(is_of_sky && by_supply(e, hole, ret))) {
        by_silence(e, hole, ret);
    }
}
