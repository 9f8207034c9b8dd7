/* gap_seen.c - is there a gap between pulses and axis, on samples it was not fitted to?
 * Idea: the self-check's blocks by turns. One half teaches a gap, its place, response, wind-up and
 * spectra; the other half is foretold with that, and with no gap at all, for which everything that
 * can be free is fitted to that very half. Twice the difference of the ln likelihoods exceeds D
 * with a chance of at most exp(-D/2) where there is no gap, whatever the loop (split likelihood
 * ratio: Wasserman, Ramdas & Balakrishnan 2020, PNAS 117, 16880, eq. 3). Correlation with single
 * pulses needs pulses that stand out of the noise of a sample; this needs the path to go wrong in
 * the sum, which it does in a soft loop too. Holds: the gears work through the whole log, only the
 * samples are halved. */
#include "guiding/backlash.h"
#include "guiding/filter.h"
#include "guiding/selfcheck.h"

#include <math.h>

#define CHANCE_LEAST 1e-3 /* as in selfcheck.c */

/* One half of the log as series and pulses before its samples. */
struct half {
    struct guide_series s;
    struct guide_moves moves;
};

static void half_done(struct half *h) {
    nw_guide_half_done(&h->s);
    free(h->moves.before); /* the pulses are those of the whole */
}

static enum nw_status half_init(const struct guide_series *s, const struct guide_moves *moves,
                                size_t which, struct half *h, struct nw_err *err) {
    enum nw_status status = nw_guide_half_init(s->n, &h->s, err);
    h->moves = *moves;
    h->moves.before = nw_calloc(s->n + 1, sizeof *h->moves.before);
    if (status != NW_OK || !h->moves.before) {
        return status != NW_OK ? status
                               : nw_err_set(err, NW_NOMEM, "half of %zu guide samples", s->n);
    }
    nw_guide_take_half(s, which, &h->s);
    h->moves.n_samples = 0;
    for (size_t k = 0; k < s->n; k++) {
        if (nw_guide_half_of(s, k) == which) {
            h->moves.before[h->moves.n_samples++] = moves->before[k];
        }
    }
    return NW_OK;
}

/* Working memory over the half that judges. */
struct court {
    const struct half *half;
    struct guide_whitener w;
    double *rest, *white, *path;
};

static enum nw_status court_init(const struct guide_noise *noise, struct court *c,
                                 struct nw_err *err) {
    const size_t n = c->half->s.n;
    c->rest = nw_calloc(n + 1, sizeof *c->rest);
    c->white = nw_calloc(n + 1, sizeof *c->white);
    c->path = nw_calloc(n + 1, sizeof *c->path);
    return c->rest && c->white && c->path ? nw_guide_whitener_init(&c->half->s, noise, &c->w, err)
                                          : nw_err_set(err, NW_NOMEM, "%zu guide samples", n);
}

static void court_done(struct court *c) {
    nw_guide_whitener_done(&c->w);
    free(c->rest);
    free(c->white);
    free(c->path);
}

static double squares(const double *x, size_t n) {
    double sum = 0.0;
    for (size_t k = 0; k < n; k++) {
        sum += x[k] * x[k];
    }
    return sum;
}

static void leave_path_out(const struct court *c, const double *path, double b) {
    const struct guide_series *const s = &c->half->s;
    for (size_t k = 0; k < s->n; k++) {
        c->rest[k] = nw_guide_error(s, k) - b * path[k];
    }
    nw_guide_whiten(&c->w, c->rest, c->white);
}

/* -2 ln L of what was taught. */
static double score_of_gap(struct court *c, const struct guide_backlash_fit *taught) {
    (void)nw_guide_play_path(&c->half->moves, &taught->play, c->path, NULL);
    nw_guide_whitener_set(&c->half->s, &taught->noise, &c->w);
    leave_path_out(c, c->path, 1.0);
    const double n = (double)c->w.n_told;
    return n * log(taught->r_rad2) + squares(c->white, c->half->s.n) / taught->r_rad2 + c->w.ln_s;
}

/* The least -2 ln L without a gap: spectra, response and variance as this half likes them best. */
static double score_of_none(struct court *c, double b) {
    const struct guide_series *const s = &c->half->s;
    struct guide_noise noise = {.ln_q = -4.0, .ln_qv = GUIDE_LN_NONE};
    double least = INFINITY;
    for (int turn = 0; turn < 2; turn++) {
        nw_guide_whitener_set(s, &noise, &c->w);
        leave_path_out(c, s->x, b);
        const struct guide_noise_job job = {.s = s, .rest = c->rest, .is_memory_signed = true};
        (void)nw_guide_fit_noise(&job, &noise);
        nw_guide_whitener_set(s, &noise, &c->w);
        leave_path_out(c, s->x, b);
        nw_guide_whiten(&c->w, s->x, c->path);
        double xx = 0.0;
        double xy = 0.0;
        for (size_t k = 0; k < s->n; k++) {
            xx += c->path[k] * c->path[k];
            xy += c->path[k] * c->white[k];
        }
        const double more = xx > 0.0 ? xy / xx : 0.0; /* to the response */
        const double n = (double)c->w.n_told;
        const double sum = squares(c->white, s->n) - more * xy;
        least = fmin(least, n * log(fmax(sum, 1e-300) / n) + n + c->w.ln_s);
        b += more;
    }
    return least;
}

/* A gap beside the worm that was found, or instead of it: a loop that hunts through its gap does so
 * nearly in time, and lines of a worm are then found that there is not. The better on this half. */
static enum nw_status teach_gap(struct half *teach, const struct guide_prior *prior,
                                struct guide_backlash_fit *ret, bool *ret_instead,
                                struct nw_err *err) {
    enum nw_status status = nw_guide_guess_gap(&teach->s, &teach->moves, prior, ret, err);
    *ret_instead = false;
    if (status == NW_OK && nw_guide_has_known(&teach->s)) {
        struct guide_backlash_fit other;
        memset(teach->s.known, 0, teach->s.n * sizeof *teach->s.known);
        status = nw_guide_guess_gap(&teach->s, &teach->moves, prior, &other, err);
        *ret_instead = status == NW_OK && other.total < ret->total;
        *ret = *ret_instead ? other : *ret;
    }
    return status;
}

enum nw_status nw_guide_see_gap(const struct guide_series *s, const struct guide_moves *moves,
                                const struct guide_prior *prior, struct nw_guide_check *ret,
                                struct nw_err *err) {
    struct half teach = {.s = {.n = 0}};
    struct half judge = {.s = {.n = 0}};
    struct court c = {.half = &judge};
    struct guide_backlash_fit taught = {.score = NAN};
    bool is_instead = false;
    enum nw_status status = half_init(s, moves, 0, &teach, err);
    if (status == NW_OK) {
        status = half_init(s, moves, 1, &judge, err);
    }
    if (status == NW_OK) {
        status = teach_gap(&teach, prior, &taught, &is_instead, err);
    }
    if (status == NW_OK) {
        status = court_init(&taught.noise, &c, err);
    }
    if (status == NW_OK) {
        const double none = score_of_none(&c, prior->b);
        if (is_instead) {
            memset(judge.s.known, 0, judge.s.n * sizeof *judge.s.known);
        }
        ret->gap_better = none - score_of_gap(&c, &taught);
        ret->gap_chance = fmin(1.0, exp(-0.5 * ret->gap_better));
        ret->is_gap_seen = ret->gap_chance < CHANCE_LEAST;
        ret->is_gap_worm = ret->is_gap_seen && is_instead;
    }
    court_done(&c);
    half_done(&teach);
    half_done(&judge);
    return status;
}
