/* gears.c - what the fitted gap means: identified or not, in which words, and the response.
 * Idea: dithers tell the response, but their first pulses may only cross the gap; seen along the
 * path of the axis they tell it without that bias. Fit and dithers are joined by their weights. */
#include "guiding/backlash.h"

#include <math.h>

#define TOLD_SCORE 15.0 /* -2 ln L of no gap less that of the best: then there is one */

static const char TRIAL[] = "a there-and-back trial of 3 minutes tells";

static struct guide_prior prior_of(const struct nw_guide_log *log,
                                   const struct guide_gears_opts *gears) {
    char unused[160];
    const double rate = nw_guide_rate(log, gears->opts->is_dec, unused);
    const double b = isfinite(rate) ? rate : gears->b; /* dithers may read low */
    /* twice as wide as a rate is off: the log tells the response to 0.09, and a prior of 0.15 drew
     * a response of 0.85 up by half a sigma, gap and interval with it */
    return (struct guide_prior){
        .b = b, .sigma = 2.0 * GUIDE_SIGMA_RATE * b, .difference_sigma = GUIDE_SIGMA_WAYS * b};
}

static void say_why(const struct guide_backlash_fit *fit, bool is_there,
                    struct nw_guide_backlash *ret) {
    if (!is_there && isfinite(fit->high_s)) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "no gap shows: at most %.2f arcsec (%.0f ms of pulse)",
                       fit->high_rad * NW_ARCSEC_PER_RAD, fit->high_s * 1e3);
    } else if (!is_there) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "no gap shows and none is excluded: the pulses are too small, or go too "
                       "much one way; %s",
                       TRIAL);
    } else if (fit->crossings < NW_GUIDE_CROSSINGS) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "the gap was crossed %zu times, %d are needed: the motors stayed on one "
                       "flank; %s",
                       fit->crossings, NW_GUIDE_CROSSINGS, TRIAL);
    } else {
        (void)snprintf(ret->why_null, sizeof ret->why_null, "wider gaps fit the log as well; %s",
                       TRIAL);
    }
}

/* Without the gap's own path the first pulses after a dither count in full, though they may only
 * have crossed it: 0.71 came out for 0.93. */
static void warn_of_response(const struct guide_backlash_fit *fit, bool is_there,
                             struct nw_guide_axis *axis) {
    if (isfinite(axis->response) && (is_there || !isfinite(fit->high_s))) {
        (void)snprintf(axis->why_response, sizeof axis->why_response,
                       "told by pulses after dithers, some of which may only have crossed a gap "
                       "that is not told: it may read low");
    }
}

/* The path of the axis takes the place of the sum of pulses; the response comes from both. */
static void take_path(const struct nw_guide_log *log, struct guide_series *s,
                      const struct guide_moves *moves, const struct guide_backlash_fit *fit,
                      struct guide_gears_opts *gears) {
    const struct guide_axis_opts *opts = gears->opts;
    const double b = 0.5 * (fit->play.up + fit->play.down);
    (void)nw_guide_play_path(moves, &fit->play, s->x, NULL);
    for (size_t k = 0; k < s->n; k++) {
        s->x[k] /= b;
    }
    double rel = NAN;
    const double noise_rad = sqrt(nw_guide_uncorrelated_var(s, b, &rel));
    nw_guide_play_rows(log, opts->is_dec, opts->acts, &fit->play, opts->scratch);
    for (size_t i = 0; i < log->n; i++) {
        opts->scratch[i] /= b;
    }
    const struct guide_response learnt =
        nw_guide_learn_response(log, opts->cut, opts->is_dec, opts->scratch, noise_rad);
    const double w_fit = 1.0 / (fit->b_sigma * fit->b_sigma);
    const double w_learnt = learnt.b > 0.0 ? 1.0 / (learnt.b_sigma * learnt.b_sigma) : 0.0;
    gears->b = (b * w_fit + (w_learnt > 0.0 ? learnt.b : 0.0) * w_learnt) / (w_fit + w_learnt);
    gears->b_sigma = 1.0 / sqrt(w_fit + w_learnt);
    char unused[160];
    const double rate = nw_guide_rate(log, opts->is_dec, unused);
    struct nw_guide_axis *axis = gears->axis;
    axis->response = gears->b / rate;
    axis->response_sigma = gears->b_sigma / rate;
    axis->response_up = fit->play.up / b * gears->b / rate;
    axis->response_up_sigma = fit->up_sigma / rate;
    axis->response_down = fit->play.down / b * gears->b / rate;
    axis->response_down_sigma = fit->down_sigma / rate;
    axis->is_response_assumed = false;
    if (isfinite(rate)) {
        axis->why_response[0] = '\0';
    }
}

enum nw_status nw_guide_find_backlash(const struct nw_guide_log *log, struct guide_series *s,
                                      struct guide_gears_opts *gears, struct nw_guide_backlash *ret,
                                      bool *ret_is_path_new, struct nw_err *err) {
    const struct guide_axis_opts *opts = gears->opts;
    const struct guide_prior prior = prior_of(log, gears);
    struct guide_moves moves = {0};
    struct guide_backlash_fit fit;
    struct nw_guide_check seen = {.n = 0};
    enum nw_status status =
        nw_guide_moves_init(log, opts->cut, opts->is_dec, opts->acts, &moves, err);
    if (status == NW_OK) {
        status = nw_guide_fit_backlash(s, &moves, &prior, &fit, err);
    }
    if (status == NW_OK) {
        status = nw_guide_see_gap(s, &moves, &prior, &seen, err);
    }
    if (status == NW_OK) {
        const bool is_there =
            fit.score_none - fit.score > TOLD_SCORE && fit.low_s > 0.0 && seen.is_gap_seen;
        if (!seen.is_gap_seen) { /* a fit that held-out samples do not bear out excludes nothing */
            fit.low_s = fit.low_rad = 0.0;
        }
        ret->held_better = seen.gap_better;
        ret->crossings = (double)fit.crossings;
        ret->low_s = fit.low_s;
        ret->high_s = fit.high_s;
        ret->low_rad = fit.low_rad;
        ret->high_rad = fit.high_rad;
        ret->windup = fmax(0.0, fit.play.leak);
        ret->is_identified =
            is_there && isfinite(fit.high_s) && fit.crossings >= NW_GUIDE_CROSSINGS;
        if (ret->is_identified) {
            take_path(log, s, &moves, &fit, gears);
            /* the angle is the time times the better response */
            const double b = 0.5 * (fit.play.up + fit.play.down);
            const double own = 1.96 * fit.gap_s * gears->b_sigma;
            ret->gap_s = fit.gap_s;
            ret->gap_rad = fit.gap_s * gears->b;
            ret->low_rad = fmax(0.0, ret->gap_rad - hypot(b * (fit.gap_s - fit.low_s), own));
            ret->high_rad = ret->gap_rad + hypot(b * (fit.high_s - fit.gap_s), own);
            *ret_is_path_new = true;
        } else {
            gears->axis->check.gap_better = seen.gap_better;
            gears->axis->check.gap_chance = seen.gap_chance;
            gears->axis->check.is_gap_seen = seen.is_gap_seen;
            say_why(&fit, is_there, ret);
            warn_of_response(&fit, is_there, gears->axis);
        }
    }
    nw_guide_moves_done(&moves);
    return status;
}
