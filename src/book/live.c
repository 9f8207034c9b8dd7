/* live.c - the alerts of a night, replayed over its subs.
 * Idea: each kind has a latch fed sub by sub with "over" and "under"; two limits and a count keep
 * it from chattering. Limits that are no physics are common practice, no source. */
#include <math.h>

#include "book/book_internal.h"
#include "book/live_internal.h"

/* Width: without a rig, against the lower quarter of what this filter delivered tonight at the
 * zenith. */
static const double WIDE_ON = 1.30, WIDE_OFF = 1.15;
static const double LONG_ON = 1.15, LONG_OFF = 1.10;
static const double LIGHT_ON = 0.80, LIGHT_OFF = 0.90; /* at the zenith */
static const double FOCUS_ON = 1.15, FOCUS_OFF = 1.05; /* against the first subs after the run */
static const double GUIDING_ON = 1.5, GUIDING_OFF = 1.2;
enum { MIN_BEFORE = 4, AFTER_RUN = 3, TWO_MEANS = 2 * AFTER_RUN, MAX_SUBS = 100000 };

static const struct {
    const char *word, *text;
    size_t n_needed;
} KINDS[NW_LIVE_N_KINDS] = {
#define X(name, word, text, n) {word, text, n},
    NW_LIVE_KIND_LIST(X)
#undef X
};

const char *nw_live_kind_word(enum nw_live_kind kind) {
    return KINDS[kind].word;
}

const char *nw_live_kind_text(enum nw_live_kind kind) {
    return KINDS[kind].text;
}

/* ---- Latches -------------------------------------------------------------------------------- */

struct latch {
    enum nw_live_kind kind;
    bool is_on;
    size_t n_in_a_row;
    size_t alert; /* of live, while on */
};

struct nw_live_alert *live_raise(struct nw_live *live, enum nw_live_kind kind, double t_s,
                                 double value, double limit) {
    if (live->n_alerts == NW_LIVE_MAX_ALERTS) {
        return NULL;
    }
    struct nw_live_alert *const alert = &live->alerts[live->n_alerts++];
    *alert = (struct nw_live_alert){
        .kind = kind, .t_raised_s = t_s, .t_cleared_s = NAN, .value = value, .limit = limit};
    return alert;
}

/* Feeds one value; a value that is not known changes nothing. Returns the alert when it was raised
 * just now. */
static struct nw_live_alert *feed(struct nw_live *live, struct latch *latch, double t_s,
                                  double value, const double limits[static 2]) {
    const bool is_high_bad = limits[0] > limits[1]; /* on above the first, off below the second */
    if (!isfinite(value) || !isfinite(limits[0])) {
        return NULL;
    }
    const double limit = latch->is_on ? limits[1] : limits[0];
    const bool is_above = value > limit;
    const bool counts = latch->is_on ? is_above != is_high_bad : is_above == is_high_bad;
    latch->n_in_a_row = counts ? latch->n_in_a_row + 1 : 0;
    if (latch->n_in_a_row < KINDS[latch->kind].n_needed) {
        return NULL;
    }
    latch->n_in_a_row = 0;
    latch->is_on = !latch->is_on;
    if (!latch->is_on) {
        live->alerts[latch->alert].t_cleared_s = t_s;
        return NULL;
    }
    struct nw_live_alert *const alert = live_raise(live, latch->kind, t_s, value, limits[0]);
    latch->is_on = alert != NULL;
    latch->alert = live->n_alerts - 1;
    return alert;
}

/* ---- Subs ----------------------------------------------------------------------------------- */

/* Width at the zenith; of an airmass unknown, as it is. X^0.6: Fried 1966. */
static double zenith_px(const struct nw_live_sub *sub) {
    return sub->fwhm_px / (isfinite(sub->airmass) ? pow(sub->airmass, 0.6) : 1.0);
}

/* The lower quarter of the widths of this filter up to this sub; NaN under 4. */
static double usual_width(const struct nw_live *live, size_t upto, double *work) {
    size_t n = 0;
    for (size_t i = 0; i <= upto; i++) {
        const double width = zenith_px(&live->subs[i]);
        if (isfinite(width) && strcmp(live->subs[i].filter, live->subs[upto].filter) == 0) {
            work[n++] = width;
        }
    }
    return n >= MIN_BEFORE ? nw_stat_quantile(work, n, 0.25) : NAN;
}

static void feed_width(struct nw_live *live, struct latch *latch, size_t i, double *work) {
    const struct nw_live_sub *const sub = &live->subs[i];
    const double t_s = live_end_of(sub);
    struct nw_live_alert *alert = NULL;
    if (isfinite(sub->foretold_px)) {
        const double on = sub->foretold_px + 2.0 * sub->foretold_sigma_px;
        const double limits[2] = {on, sub->foretold_px + sub->foretold_sigma_px};
        alert = feed(live, latch, t_s, sub->fwhm_px, limits);
        if (alert) {
            const double arcsec = sub->scale_rad_px * NW_ARCSEC_PER_RAD;
            (void)snprintf(alert->text, sizeof alert->text,
                           "%.2f arcsec, foretold %.2f +- %.2f at airmass %.2f",
                           sub->fwhm_px * arcsec, sub->foretold_px * arcsec,
                           sub->foretold_sigma_px * arcsec, sub->airmass);
        }
        return;
    }
    const double usual = usual_width(live, i, work);
    const double limits[2] = {WIDE_ON * usual, WIDE_OFF * usual};
    alert = feed(live, latch, t_s, zenith_px(sub), limits);
    if (alert) {
        (void)snprintf(alert->text, sizeof alert->text,
                       "%.2f px at the zenith, %.0f %% wider than the better part of the night",
                       zenith_px(sub), 100.0 * (zenith_px(sub) / usual - 1.0));
    }
}

/* Stars grow while the focuser stands still: against the first subs after its last move. */
struct focus {
    size_t first; /* sub after the last move */
    double temperature_K;
};

static double mean_width(const struct nw_live *live, size_t first, size_t end, const char *filter) {
    double sum = 0.0;
    size_t n = 0;
    for (size_t i = first; i < end; i++) {
        const double width = zenith_px(&live->subs[i]);
        if (isfinite(width) && strcmp(live->subs[i].filter, filter) == 0) {
            sum += width;
            n++;
        }
    }
    return n > 0 ? sum / (double)n : NAN;
}

static void feed_focus(struct nw_live *live, struct latch *latch, struct focus *focus, size_t i) {
    static const double LIMITS[2] = {FOCUS_ON, FOCUS_OFF};
    const struct nw_live_sub *const sub = &live->subs[i];
    const bool is_moved =
        i == 0 || fabs(sub->focuser_steps - live->subs[i - 1].focuser_steps) > 0.5;
    if (!isfinite(sub->focuser_steps)) {
        return;
    }
    if (is_moved) {
        *focus = (struct focus){i, sub->focuser_temperature_K};
        latch->n_in_a_row = 0;
        if (latch->is_on) { /* a focus run ends it, whatever it brought */
            latch->is_on = false;
            live->alerts[latch->alert].t_cleared_s = sub->t_start_utc_s;
        }
        return;
    }
    if (i + 1 < focus->first + TWO_MEANS) {
        return;
    }
    const double before = mean_width(live, focus->first, focus->first + AFTER_RUN, sub->filter);
    const double ratio = mean_width(live, i + 1 - AFTER_RUN, i + 1, sub->filter) / before;
    struct nw_live_alert *const alert = feed(live, latch, live_end_of(sub), ratio, LIMITS);
    if (alert) {
        const double change_K = sub->focuser_temperature_K - focus->temperature_K;
        char warmth[60] = "";
        if (isfinite(change_K)) {
            (void)snprintf(warmth, sizeof warmth, ", %+.1f K", change_K);
        }
        (void)snprintf(alert->text, sizeof alert->text,
                       "stars %.0f %% wider than after the focus run %.0f min ago%s",
                       100.0 * (ratio - 1.0),
                       (live_end_of(sub) - live->subs[focus->first].t_start_utc_s) / 60.0, warmth);
    }
}

static void feed_light(struct nw_live *live, struct latch *latch, const struct nw_live_sub *sub) {
    static const double LIMITS[2] = {LIGHT_ON, LIGHT_OFF};
    const double at_zenith = book_zenith_light(sub->transmission, sub->airmass);
    const bool is_known = isfinite(at_zenith);
    const double light = is_known ? at_zenith : sub->transmission;
    struct nw_live_alert *const alert = feed(live, latch, live_end_of(sub), light, LIMITS);
    if (alert) {
        (void)snprintf(alert->text, sizeof alert->text, "%.0f %% of the best of the night, %s",
                       100.0 * light,
                       is_known ? "the usual loss by altitude left out"
                                : "the loss by altitude in it: the frame does not say how high");
    }
}

static void feed_shape(struct nw_live *live, struct latch *latch, const struct nw_live_sub *sub) {
    static const double LIMITS[2] = {LONG_ON, LONG_OFF};
    struct nw_live_alert *const alert =
        feed(live, latch, live_end_of(sub), sub->elongation, LIMITS);
    if (alert) {
        (void)snprintf(alert->text, sizeof alert->text,
                       "stars %.0f %% longer than wide, all in one direction: `look` ranks causes",
                       100.0 * (sub->elongation - 1.0));
    }
}

static void feed_guiding(struct nw_live *live, struct latch *latch, double *work) {
    static const double LIMITS[2] = {GUIDING_ON, GUIDING_OFF};
    for (size_t i = MIN_BEFORE; i < live->n_guiding; i++) {
        for (size_t k = 0; k < i; k++) {
            work[k] = live->guiding[k].rms_rad;
        }
        const double usual = nw_stat_median(work, i);
        struct nw_live_alert *const alert = feed(live, latch, live->guiding[i].t_end_utc_s,
                                                 live->guiding[i].rms_rad / usual, LIMITS);
        if (alert) {
            (void)snprintf(alert->text, sizeof alert->text,
                           "%.2f arcsec as logged over ten minutes, %.2f before (median)",
                           live->guiding[i].rms_rad * NW_ARCSEC_PER_RAD, usual * NW_ARCSEC_PER_RAD);
        }
    }
}

/* ---- The rhythm of the night ------------------------------------------------------------------
 */

static void sum_up(struct nw_live *live, double *work) {
    double bytes = 0.0;
    size_t n_gaps = 0;
    live->exposure_h = 0.0;
    live->t_last_end_s = NAN;
    for (size_t i = 0; i < live->n; i++) {
        const struct nw_live_sub *const sub = &live->subs[i];
        live->exposure_h += isfinite(sub->exposure_s) ? sub->exposure_s / 3600.0 : 0.0;
        bytes += (double)sub->size_bytes;
        if (i > 0) {
            work[n_gaps++] = fmax(0.0, sub->t_start_utc_s - live->t_last_end_s);
        }
        live->t_last_end_s = live_end_of(sub);
    }
    live->usual_gap_s = n_gaps > 0 ? nw_stat_median(work, n_gaps) : NAN;
    const double span_s = live->n > 0 ? live->t_last_end_s - live->subs[0].t_start_utc_s : NAN;
    live->bytes_per_s = live->n >= 3 && span_s > 0.0 ? bytes / span_s : NAN;
}

static int by_time(const void *a, const void *b) {
    const struct nw_live_alert *const left = a;
    const struct nw_live_alert *const right = b;
    if (left->t_raised_s < right->t_raised_s || left->t_raised_s > right->t_raised_s) {
        return left->t_raised_s < right->t_raised_s ? -1 : 1;
    }
    return (left->kind > right->kind) - (left->kind < right->kind);
}

void live_sort(struct nw_live *live) {
    qsort(live->alerts, live->n_alerts, sizeof live->alerts[0], by_time);
}

void nw_live_replay(struct nw_live *live) {
    struct latch latches[NW_LIVE_N_KINDS];
    struct focus focus = {.temperature_K = NAN};
    const size_t n_work = live->n > live->n_guiding ? live->n : live->n_guiding;
    double *const work = nw_calloc(n_work + 1, sizeof *work);
    live->n_alerts = 0;
    for (size_t k = 0; k < NW_LIVE_N_KINDS; k++) {
        latches[k] = (struct latch){.kind = (enum nw_live_kind)k};
    }
    for (size_t i = 0; work && i < live->n; i++) {
        feed_width(live, &latches[NW_LIVE_WIDTH], i, work);
        feed_focus(live, &latches[NW_LIVE_FOCUS], &focus, i);
        feed_shape(live, &latches[NW_LIVE_SHAPE], &live->subs[i]);
        feed_light(live, &latches[NW_LIVE_LIGHT], &live->subs[i]);
    }
    if (work) {
        feed_guiding(live, &latches[NW_LIVE_GUIDING], work);
        sum_up(live, work);
    }
    live_replay_dew(live);
    live_join_dew_and_light(live);
    live_sort(live);
    free(work);
}
