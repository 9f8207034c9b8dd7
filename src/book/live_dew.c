/* live_dew.c - is dew near? The margin of the coldest surface and where it goes.
 * Idea: a straight line over the last half hour says when the margin is used up, its error how well
 * that is known; the alert has two limits in margin and two in time, and wants two rows in a row.
 * The limits are common practice, no source. */
#include <math.h>

#include "book/live_internal.h"

static const double ON_K = 1.0, OFF_K = 2.0;
/* Glass under the open sky is colder than the air by so much: without a sensor on it the limits of
 * the air lie higher. */
static const double AIR_EXTRA_K = 2.0;
static const double ON_S = 3600.0, OFF_S = 5400.0;
static const double LOOK_BACK_S = 1800.0, LEAST_SPAN_S = 600.0, STEP_S = 60.0;
static const double TOGETHER_S = 1800.0, SLOWER = 0.8;
enum { LEAST_ROWS = 4, IN_A_ROW = 2 };

struct line {
    double margin_K, rate_K_s, rate_sigma_K_s; /* margin at the last row */
    double middle_s, middle_K, middle_sigma_K; /* of the rows, whose error the rate's has not */
    double span_s;
};

/* Least squares over the rows of a stretch of time up to row `last`. */
static struct line fit(const struct nw_live *live, size_t last, double back_s) {
    const double end_s = live->climate[last].t_utc_s;
    double n = 0.0;
    double st = 0.0;
    double sm = 0.0;
    double stt = 0.0;
    double stm = 0.0;
    double smm = 0.0;
    double first_s = end_s;
    for (size_t i = last + 1; i-- > 0;) {
        const double t = live->climate[i].t_utc_s - end_s;
        const double m = live->climate[i].margin_K;
        if (t < -back_s) {
            break;
        }
        if (isfinite(m)) {
            n += 1.0;
            st += t;
            sm += m;
            stt += t * t;
            stm += t * m;
            smm += m * m;
            first_s = live->climate[i].t_utc_s;
        }
    }
    struct line line = {
        .margin_K = live->climate[last].margin_K, .rate_K_s = NAN, .rate_sigma_K_s = NAN};
    const double tt = stt - st * st / n;
    if (n < LEAST_ROWS || end_s - first_s < LEAST_SPAN_S || !(tt > 0.0)) {
        return line;
    }
    line.rate_K_s = (stm - st * sm / n) / tt;
    line.margin_K = sm / n - line.rate_K_s * st / n;
    const double rest = fmax(0.0, smm - sm * sm / n - line.rate_K_s * line.rate_K_s * tt);
    line.rate_sigma_K_s = sqrt(rest / (n - 2.0) / tt);
    line.span_s = end_s - first_s;
    line.middle_s = end_s + st / n;
    line.middle_K = sm / n;
    line.middle_sigma_K = sqrt(rest / (n - 2.0) / n);
    return line;
}

/* Seconds until the margin is used up; infinite when it is not surely falling. */
static double time_left_s(const struct line *line) {
    if (line->margin_K <= 0.0) {
        return 0.0;
    }
    return line->rate_K_s + 2.0 * line->rate_sigma_K_s < 0.0 ? -line->margin_K / line->rate_K_s
                                                             : INFINITY;
}

/* Things that came out of a warm room fall fast and slow down: from the rates of the two halves of
 * the half hour, as an exponential, does the fall end before anything is wet? (Newton's law of
 * cooling: a rate of q times the earlier one after half a look back h has the time constant
 * h / ln(1/q).) */
static bool is_settling(const struct nw_live *live, size_t last, const struct line *line) {
    const double half_s = 0.5 * LOOK_BACK_S;
    size_t middle = last;
    while (middle > 0 && live->climate[middle].t_utc_s > live->climate[last].t_utc_s - half_s) {
        middle--;
    }
    const struct line late = fit(live, last, half_s);
    const struct line early = fit(live, middle, half_s);
    const double q = late.rate_K_s / early.rate_K_s;
    if (!(q < SLOWER)) {
        return false;
    }
    if (!(q > 0.0)) {
        return true; /* it has stopped */
    }
    const double tau_s = half_s / log(1.0 / q);
    const double now_K_s = late.rate_K_s * exp(-0.5 * half_s / tau_s);
    return line->margin_K + now_K_s * tau_s > 0.0;
}

/* The moment when nothing is left, so many sigmas off: the rate turned about the middle of the
 * rows, and the middle's own error, in quadrature. */
static double bound_s(const struct line *line, double dew_s, double sigmas) {
    const double turned =
        line->middle_s - line->middle_K / (line->rate_K_s + sigmas * line->rate_sigma_K_s) - dew_s;
    return dew_s + copysign(hypot(turned, sigmas * line->middle_sigma_K / line->rate_K_s), sigmas);
}

static void fill(const struct nw_live *live, size_t last, struct nw_live_dew *ret) {
    const struct nw_live_climate *const row = &live->climate[last];
    const struct line line = fit(live, last, LOOK_BACK_S);
    const bool is_early = line.span_s < 0.8 * LOOK_BACK_S;
    const double left_s = line.margin_K > 0.0 && (is_early || is_settling(live, last, &line))
                              ? INFINITY
                              : time_left_s(&line);
    *ret = (struct nw_live_dew){.is_air = row->surface == NW_LIVE_AIR,
                                .is_frost = row->is_frost,
                                .t_utc_s = row->t_utc_s,
                                .margin_K = line.margin_K,
                                .rate_K_s = line.rate_K_s,
                                .rate_sigma_K_s = line.rate_sigma_K_s,
                                .dew_s = NAN,
                                .dew_from_s = NAN,
                                .dew_until_s = NAN};
    nw_text_copy(ret->of, sizeof ret->of, ret->is_air ? "air" : live->surfaces[row->surface]);
    if (isfinite(left_s)) {
        ret->dew_s = row->t_utc_s + left_s;
        ret->dew_from_s = left_s > 0.0 ? bound_s(&line, ret->dew_s, -2.0) : ret->dew_s;
        ret->dew_until_s = left_s > 0.0 ? bound_s(&line, ret->dew_s, 2.0) : ret->dew_s;
    }
}

void nw_live_dew_of(const struct nw_live *live, struct nw_live_dew *ret) {
    for (size_t i = live->n_climate; i-- > 0;) {
        if (isfinite(live->climate[i].margin_K)) {
            fill(live, i, ret);
            return;
        }
    }
    *ret = (struct nw_live_dew){.margin_K = NAN,
                                .rate_K_s = NAN,
                                .rate_sigma_K_s = NAN,
                                .dew_s = NAN,
                                .dew_from_s = NAN,
                                .dew_until_s = NAN};
    nw_text_copy(ret->why_null, sizeof ret->why_null,
                 !live->has_climate    ? "no climate log of this night"
                 : !live->has_humidity ? "the climate log has no humidity and no dew point"
                                       : "no row with the roof open");
}

/* ---- The alert ------------------------------------------------------------------------------ */

static void say(const struct nw_live_dew *dew, char *to, size_t size) {
    char at[8];
    char from[8];
    char until[8];
    struct nw_buf words;
    nw_buf_init(&words, 1000);
    nw_buf_printf(&words, "%s %.1f K above the %s point", dew->of, dew->margin_K,
                  dew->is_frost ? "frost" : "dew");
    if (isfinite(dew->rate_K_s)) {
        nw_buf_printf(&words, ", %+.1f K an hour", dew->rate_K_s * 3600.0);
    }
    if (isfinite(dew->dew_s) && dew->margin_K > 0.0) {
        nw_buf_printf(&words, ": at this rate %s at about %s UTC (%s to %s)",
                      dew->is_frost ? "frost" : "dew", live_clock(dew->dew_s, at),
                      live_clock(dew->dew_from_s, from), live_clock(dew->dew_until_s, until));
    }
    nw_buf_printf(&words, "%s",
                  dew->is_air ? "; no surface is logged: glass under the open sky is colder than "
                                "the air"
                              : "");
    nw_text_copy(to, size, words.data ? words.data : "");
    nw_buf_done(&words);
}

void live_replay_dew(struct nw_live *live) {
    bool is_on = false;
    size_t n_in_a_row = 0;
    size_t alert = 0;
    double last_s = -INFINITY;
    for (size_t i = 0; i < live->n_climate; i++) {
        const struct nw_live_climate *const row = &live->climate[i];
        struct nw_live_dew dew;
        if (!isfinite(row->margin_K) || row->t_utc_s - last_s < STEP_S) {
            continue;
        }
        last_s = row->t_utc_s;
        fill(live, i, &dew);
        const double extra_K = dew.is_air ? AIR_EXTRA_K : 0.0;
        const double left_s = isfinite(dew.dew_s) ? dew.dew_s - row->t_utc_s : INFINITY;
        const bool counts = is_on ? dew.margin_K > OFF_K + extra_K && left_s > OFF_S
                                  : dew.margin_K < ON_K + extra_K || left_s < ON_S;
        n_in_a_row = counts ? n_in_a_row + 1 : 0;
        if (n_in_a_row < IN_A_ROW) {
            continue;
        }
        n_in_a_row = 0;
        if (is_on) {
            live->alerts[alert].t_cleared_s = row->t_utc_s;
            is_on = false;
            continue;
        }
        struct nw_live_alert *const raised =
            live_raise(live, NW_LIVE_DEW, row->t_utc_s, dew.margin_K, ON_K + extra_K);
        if (raised) {
            say(&dew, raised->text, sizeof raised->text);
            alert = live->n_alerts - 1;
            is_on = true;
        }
    }
}

static void append(struct nw_live_alert *alert, const char *words) {
    const size_t len = strlen(alert->text);
    nw_text_copy(alert->text + len, sizeof alert->text - len, words);
}

static bool is_together(const struct nw_live_alert *a, const struct nw_live_alert *b) {
    const double a_end_s = isfinite(a->t_cleared_s) ? a->t_cleared_s : INFINITY;
    const double b_end_s = isfinite(b->t_cleared_s) ? b->t_cleared_s : INFINITY;
    return a->t_raised_s - TOGETHER_S <= b_end_s && b->t_raised_s - TOGETHER_S <= a_end_s;
}

void live_join_dew_and_light(struct nw_live *live) {
    for (size_t i = 0; i < live->n_alerts; i++) {
        struct nw_live_alert *const dew = &live->alerts[i];
        for (size_t k = 0; k < live->n_alerts && dew->kind == NW_LIVE_DEW; k++) {
            struct nw_live_alert *const light = &live->alerts[k];
            if (light->kind != NW_LIVE_LIGHT || !is_together(dew, light)) {
                continue;
            }
            char words[120];
            char at[8];
            (void)snprintf(words, sizeof words, "; light fell to %.0f %% at %s: look at the glass",
                           100.0 * light->value, live_clock(light->t_raised_s, at));
            append(dew, words);
            (void)snprintf(words, sizeof words,
                           "; dew was near at %s (%.1f K): look at the glass before the sky",
                           live_clock(dew->t_raised_s, at), dew->value);
            append(light, words);
            break;
        }
    }
}
