/* analyse.c - from a guide log to numbers: cut, fit both axes, measure the subs.
 * Idea: this file only orders the work; cut.c, axis.c, loop.c, smooth.c and subs.c do it.
 * Holds: the two series hold the same rows. */
#include <math.h>

#include "guiding/backlash.h"
#include "guiding/guiding_internal.h"
#include "guiding/replay.h"
#include "guiding/selfcheck.h"
#include "guiding/worm.h"

#define SUB_LENGTH_s 300.0
#define BOUNDS_AGREE 0.7
#define ACTS_NLL 3.0 /* e^3 = 20 to 1: then the log tells when a pulse acts */

/* Working memory of one analysis. */
struct work {
    struct guide_cut cut;
    struct guide_series ra, dec;
    struct guide_state *ra_states, *dec_states;
    double *scratch[2]; /* one an axis: they are worked on at the same time */
    struct guide_spans made;
};

static enum nw_status new_series(size_t n, struct guide_series *s, struct nw_err *err) {
    s->t_s = nw_calloc(n + 1, sizeof *s->t_s);
    s->e_rad = nw_calloc(n + 1, sizeof *s->e_rad);
    s->x = nw_calloc(n + 1, sizeof *s->x);
    s->known = nw_calloc(n + 1, sizeof *s->known);
    s->starts = nw_calloc(n + 1, sizeof *s->starts);
    return s->t_s && s->e_rad && s->x && s->known && s->starts
               ? NW_OK
               : nw_err_set(err, NW_NOMEM, "series of %zu guide samples", n);
}

static void series_done(struct guide_series *s) {
    free(s->t_s);
    free(s->e_rad);
    free(s->x);
    free(s->known);
    free(s->starts);
}

static void work_done(struct work *w) {
    nw_guide_cut_done(&w->cut);
    series_done(&w->ra);
    series_done(&w->dec);
    free(w->ra_states);
    free(w->dec_states);
    free(w->scratch[0]);
    free(w->scratch[1]);
    free(w->made.items);
}

static enum nw_status work_init(const struct nw_guide_log *log, struct work *w,
                                struct nw_err *err) {
    enum nw_status status = nw_guide_cut(log, &w->cut, err);
    if (status == NW_OK) {
        status = new_series(w->cut.n_keep, &w->ra, err);
    }
    if (status == NW_OK) {
        status = new_series(w->cut.n_keep, &w->dec, err);
    }
    if (status != NW_OK) {
        return status;
    }
    if (w->cut.n_keep == 0) {
        return nw_err_set(err, NW_DATA,
                          "%s: dithers, settling and pauses leave none of %zu samples", log->path,
                          w->cut.n_star);
    }
    w->ra_states = nw_calloc(w->cut.n_keep, sizeof *w->ra_states);
    w->dec_states = nw_calloc(w->cut.n_keep, sizeof *w->dec_states);
    for (int i = 0; i < 2; i++) {
        w->scratch[i] = nw_calloc(log->n, sizeof *w->scratch[i]); /* a row each: play_rows */
    }
    return w->ra_states && w->dec_states && w->scratch[0] && w->scratch[1]
               ? NW_OK
               : nw_err_set(err, NW_NOMEM, "states of %zu guide samples", w->cut.n_keep);
}

static void fill(const struct nw_guide_log *log, struct work *w, enum nw_pulse_acts acts) {
    nw_guide_fill(log, &w->cut, false, acts, &w->ra);
    nw_guide_fill(log, &w->cut, true, acts, &w->dec);
}

/* Which kind of log makes the errors more likely, both axes together? */
static void find_acts(const struct nw_guide_log *log, struct work *w, struct nw_guide_analysis *a) {
    a->pulse_acts = log->pulse_acts;
    const bool has_pulses =
        nw_guide_count_pulses(log, false).n_sent > 0 || nw_guide_count_pulses(log, true).n_sent > 0;
    if (a->pulse_acts != NW_PULSE_ACTS_UNKNOWN || !has_pulses ||
        w->cut.n_keep < GUIDE_SAMPLES_MIN) {
        return;
    }
    double nll[2]; /* pulses before, after */
    for (int i = 0; i < 2; i++) {
        /* the rate given, else free: an undisturbed proportional loop looks alike both ways then */
        char unused[160];
        const struct guide_fit_opts ra = {.b_fixed = nw_guide_rate(log, false, unused),
                                          .is_wander_fixed = true};
        const struct guide_fit_opts dec = {.b_fixed = nw_guide_rate(log, true, unused),
                                           .is_wander_fixed = true};
        fill(log, w, i == 0 ? NW_PULSE_ACTS_BEFORE : NW_PULSE_ACTS_AFTER);
        nll[i] = nw_guide_fit_loop(&w->ra, &ra).nll + nw_guide_fit_loop(&w->dec, &dec).nll;
    }
    if (fabs(nll[0] - nll[1]) > ACTS_NLL) {
        a->pulse_acts = nll[0] < nll[1] ? NW_PULSE_ACTS_BEFORE : NW_PULSE_ACTS_AFTER;
        a->is_pulse_acts_inferred = true;
    }
}

/* Everything that is a measurement starts as "not measured". */
static struct nw_guide_axis blank_axis(void) {
    return (struct nw_guide_axis){.uncorrelated_rad = NAN,
                                  .noise_rad = NAN,
                                  .noise_low_rad = NAN,
                                  .noise_high_rad = NAN,
                                  .noise_memory = NAN,
                                  .noise_adds_rad2 = NAN,
                                  .motion_in_sub_rad = NAN,
                                  .motion_low_rad = NAN,
                                  .motion_high_rad = NAN,
                                  .drift_rad_s = NAN,
                                  .drift_sigma_rad_s = NAN,
                                  .response = NAN,
                                  .response_sigma = NAN,
                                  .response_up = NAN,
                                  .response_up_sigma = NAN,
                                  .response_down = NAN,
                                  .response_down_sigma = NAN,
                                  .pulse_rad_s = NAN,
                                  .pulse_gain = NAN,
                                  .check = {.foretold_rms_rad = NAN,
                                            .scatter = NAN,
                                            .scatter_sigma = NAN,
                                            .memory = NAN,
                                            .memory_sigma = NAN,
                                            .pulses = NAN,
                                            .pulses_sigma = NAN,
                                            .pulses_chance = NAN,
                                            .gap_better = NAN,
                                            .gap_chance = NAN},
                                  .habits = {.memory = NAN,
                                             .memory_sigma = NAN,
                                             .forget_s = NAN,
                                             .plus_rad = NAN,
                                             .plus_sigma_rad = NAN,
                                             .minus_rad = NAN,
                                             .minus_sigma_rad = NAN,
                                             .plus_share = NAN}};
}

/* Work on both axes at once; whose error is told does not depend on who was first. */
struct axes_job {
    const struct nw_guide_log *log;
    const struct nw_guide_opts *opts;
    struct work *w;
    struct nw_guide_analysis *a;
    enum nw_status status[2];
    struct nw_err err[2];
};

static enum nw_status both_axes(struct axes_job *job, void (*body)(void *job, size_t axis),
                                struct nw_err *err) {
    (void)nw_parallel_for(2, 0, body, job, NULL);
    const int which = job->status[0] != NW_OK ? 0 : 1;
    if (job->status[which] != NW_OK) {
        *err = job->err[which];
    }
    return job->status[which];
}

static void fit_one_axis(void *user, size_t axis) {
    struct axes_job *const job = user;
    struct work *const w = job->w;
    struct nw_guide_analysis *const a = job->a;
    const bool is_dec = axis == 1;
    const struct guide_axis_opts opts = {
        .cut = &w->cut,
        .is_dec = is_dec,
        .acts = a->pulse_acts,
        .noise_floor_rad = job->opts->noise_floor_rad,
        .scratch = w->scratch[axis],
        .worm = is_dec ? NULL : &a->worm,
        .backlash = is_dec && !job->opts->is_loop_only ? &a->backlash : NULL};
    job->status[axis] = nw_guide_axis(job->log, is_dec ? &w->dec : &w->ra, &opts,
                                      is_dec ? w->dec_states : w->ra_states,
                                      is_dec ? &a->dec : &a->ra, &job->err[axis]);
}

static enum nw_status fit_axes(const struct nw_guide_log *log, const struct nw_guide_opts *opts,
                               struct work *w, struct nw_guide_analysis *a, struct nw_err *err) {
    a->ra = blank_axis();
    a->dec = blank_axis();
    a->backlash = (struct nw_guide_backlash){.gap_rad = NAN,
                                             .low_rad = NAN,
                                             .high_rad = NAN,
                                             .gap_s = NAN,
                                             .low_s = NAN,
                                             .high_s = NAN,
                                             .crossings = NAN,
                                             .windup = NAN,
                                             .held_better = NAN,
                                             .motion_without_rad = NAN};
    find_acts(log, w, a);
    fill(log, w, a->pulse_acts);
    struct axes_job job = {.log = log, .opts = opts, .w = w, .a = a};
    const enum nw_status status = both_axes(&job, fit_one_axis, err);
    a->total_rms_logged_rad = hypot(a->ra.rms_logged_rad, a->dec.rms_logged_rad);
    return status;
}

/* Without pulses noise with memory and gain are not told apart (a true 0.20 came out as 0.10):
 * where the bounds lie apart, only they remain. */
static void keep_bounds_only(struct nw_guide_analysis *a, bool is_dec) {
    struct nw_guide_axis *axis = is_dec ? &a->dec : &a->ra;
    if (!axis->is_loop_inferred || !(axis->motion_low_rad < BOUNDS_AGREE * axis->motion_high_rad)) {
        return;
    }
    axis->motion_in_sub_rad = NAN;
    if (axis->why_null[0] == '\0') {
        (void)snprintf(axis->why_null, sizeof axis->why_null,
                       "pulses are not logged: only bounds, noise and motion are not told apart");
    }
    for (size_t i = 0; i < a->n_subs; i++) {
        *(is_dec ? &a->subs[i].dec_rad : &a->subs[i].ra_rad) = NAN;
        a->subs[i].cross_rad2 = NAN;
    }
}

/* What a predictor that knows the worm would leave of the motion within a sub. */
static void find_motion_without_worm(struct nw_guide_analysis *a) {
    double sum = 0.0;
    double n = 0.0;
    for (size_t i = 0; i < a->n_subs; i++) {
        if (isfinite(a->subs[i].ra_rad)) {
            sum += nw_guide_worm_left_var(&a->worm, a->subs[i].start_s, a->subs[i].end_s);
            n += 1.0;
        }
    }
    const double motion = a->ra.motion_in_sub_rad;
    a->worm.motion_without_rad =
        a->worm.n > 0 && n > 0.0 ? sqrt(fmax(0.0, motion * motion - sum / n)) : NAN;
}

static enum nw_status measure_subs(const struct nw_guide_log *log, const struct nw_guide_opts *opts,
                                   struct work *w, struct nw_guide_analysis *a,
                                   struct nw_err *err) {
    const struct nw_span *spans = opts->subs;
    size_t n = opts->n_subs;
    if (!spans) {
        const double length_s = opts->sub_length_s > 0.0 ? opts->sub_length_s : SUB_LENGTH_s;
        const enum nw_status status = nw_guide_make_subs(&w->ra, length_s, &w->made, err);
        if (status != NW_OK) {
            return status;
        }
        spans = w->made.items;
        n = w->made.n;
        if (n == 0) {
            (void)snprintf(a->ra.why_null, sizeof a->ra.why_null,
                           "no undisturbed stretch of %g s between dithers and gaps", length_s);
            (void)snprintf(a->dec.why_null, sizeof a->dec.why_null, "%s", a->ra.why_null);
        }
    }
    a->subs = nw_calloc(n + 1, sizeof *a->subs);
    if (!a->subs) {
        return nw_err_set(err, NW_NOMEM, "%zu subs", n);
    }
    const bool has_model = w->ra.n >= GUIDE_SAMPLES_MIN;
    const struct guide_pair pair = {.ra = &w->ra,
                                    .dec = &w->dec,
                                    .ra_states = has_model ? w->ra_states : NULL,
                                    .dec_states = has_model ? w->dec_states : NULL};
    for (int turn = 0; turn < 2; turn++) { /* the second knows what the loop model leaves out */
        a->n_subs = 0;
        for (size_t i = 0; i < n; i++) {
            struct nw_guide_sub *sub = &a->subs[a->n_subs++];
            sub->start_s = spans[i].start_s;
            sub->end_s = spans[i].end_s;
            nw_guide_measure_sub(&pair, opts, a, sub);
            if (!log->is_dec_sign_known) {
                sub->cross_rad2 = sub->drift_dec_rad = NAN;
            }
        }
        if (turn == 0) {
            nw_guide_find_beside(a);
        }
    }
    nw_guide_sum_subs(a, opts->noise_floor_rad);
    find_motion_without_worm(a);
    keep_bounds_only(a, false);
    keep_bounds_only(a, true);
    if (isnan(a->ra.motion_high_rad) && a->ra.why_null[0] == '\0') {
        (void)snprintf(a->ra.why_null, sizeof a->ra.why_null,
                       "none of %zu exposures holds %d guide samples", n, GUIDE_SUB_SAMPLES_MIN);
        (void)snprintf(a->dec.why_null, sizeof a->dec.why_null, "%s", a->ra.why_null);
    }
    return NW_OK;
}

/* Sum of the pulses before each sample, whatever the gears made of them. */
static void fill_sent(const struct nw_guide_log *log, const struct work *w, bool is_dec,
                      enum nw_pulse_acts acts, double *ret_s) {
    static const struct guide_play rigid = {.up = 1.0, .down = 1.0};
    double *const path = w->scratch[is_dec ? 1 : 0];
    nw_guide_play_rows(log, is_dec, acts, &rigid, path);
    size_t n = 0;
    for (size_t i = 0; i < log->n; i++) {
        if (w->cut.keep[i]) {
            ret_s[n++] = path[i];
        }
    }
}

/* Right ascension, whose path is the plain sum of pulses: would one with a gap foretell more?
 * The gears of declination have been looked at by then. */
static enum nw_status look_for_gap(const struct nw_guide_log *log, const struct work *w,
                                   struct nw_guide_analysis *a, struct nw_err *err) {
    const double b = a->ra.pulse_rad_s;
    const struct guide_prior prior = {
        .b = b, .sigma = GUIDE_SIGMA_RATE * b, .difference_sigma = GUIDE_SIGMA_WAYS * b};
    struct guide_moves moves = {0};
    enum nw_status status = nw_guide_moves_init(log, &w->cut, false, a->pulse_acts, &moves, err);
    if (status == NW_OK) {
        status = nw_guide_see_gap(&w->ra, &moves, &prior, &a->ra.check, err);
    }
    nw_guide_moves_done(&moves);
    return status;
}

/* Habits of the loop and, where it is not the loop alone that is asked for, the self-check. */
static enum nw_status check_axis(const struct nw_guide_log *log, const struct work *w, bool is_dec,
                                 bool is_loop_only, struct nw_guide_analysis *a,
                                 struct nw_err *err) {
    struct nw_guide_axis *axis = is_dec ? &a->dec : &a->ra;
    const struct guide_pulses pulses = nw_guide_count_pulses(log, is_dec);
    struct guide_checked in = {.s = is_dec ? &w->dec : &w->ra};
    double *sent_s = nw_calloc(w->cut.n_keep + 1, sizeof *sent_s);
    enum nw_status status =
        sent_s ? NW_OK : nw_err_set(err, NW_NOMEM, "pulses of %zu samples", w->cut.n_keep);
    if (status == NW_OK) {
        fill_sent(log, w, is_dec, a->pulse_acts, sent_s);
        in.sent_s = pulses.n_sent > 0 ? sent_s : NULL;
        nw_guide_find_habits(&in, &axis->habits);
    }
    const bool is_told = pulses.n_sent == 0 ? pulses.are_logged : isfinite(axis->pulse_rad_s);
    in.b = pulses.n_sent > 0 ? axis->pulse_rad_s : 0.0;
    if (status == NW_OK && !is_loop_only && is_told) {
        status = nw_guide_check_model(&in, &axis->check, err);
        if (status == NW_OK && in.sent_s && !is_dec && axis->check.n > 0) {
            status = look_for_gap(log, w, a, err);
        }
    } else if (!is_told) {
        (void)snprintf(axis->check.why_null, sizeof axis->check.why_null, "%.150s",
                       axis->why_drift);
    }
    free(sent_s);
    return status;
}

static void check_one_axis(void *user, size_t axis) {
    struct axes_job *const job = user;
    job->status[axis] =
        check_axis(job->log, job->w, axis == 1, job->opts->is_loop_only, job->a, &job->err[axis]);
}

/* The spans change hands: from the cut to the analysis. */
static void take_cut(const struct nw_guide_log *log, struct guide_cut *cut,
                     struct nw_guide_analysis *a) {
    a->duration_s = log->rows[log->n - 1].t_s - log->rows[0].t_s;
    a->interval_s = cut->interval_s;
    a->n_samples = cut->n_star;
    a->n_used = cut->n_keep;
    a->are_dithers_inferred = cut->are_dithers_inferred;
    a->gaps = cut->gaps.items;
    a->n_gaps = cut->gaps.n;
    a->dithers = cut->dithers.items;
    a->n_dithers = cut->dithers.n;
    a->bursts = cut->bursts.items;
    a->n_bursts = cut->bursts.n;
    cut->gaps = cut->dithers = cut->bursts = (struct guide_spans){0};
}

static enum nw_status check_opts(const struct nw_guide_opts *opts, struct nw_err *err) {
    for (size_t i = 0; opts->subs && i < opts->n_subs; i++) {
        if (!(opts->subs[i].end_s > opts->subs[i].start_s)) {
            return nw_err_set(err, NW_DOMAIN,
                              "exposure %zu ends at %.3f s, before its start %.3f s", i + 1,
                              opts->subs[i].end_s, opts->subs[i].start_s);
        }
    }
    if (!opts->subs && opts->sub_length_s < 0.0) {
        return nw_err_set(err, NW_DOMAIN, "length of an exposure %g s is not > 0",
                          opts->sub_length_s);
    }
    return NW_OK;
}

enum nw_status nw_guide_analyse(const struct nw_guide_log *log, const struct nw_guide_opts *opts,
                                struct nw_guide_analysis **ret, struct nw_err *err) {
    static const struct nw_guide_opts defaults = {.sub_length_s = SUB_LENGTH_s,
                                                  .noise_floor_rad = NAN};
    opts = opts ? opts : &defaults;
    struct work work = {0};
    struct nw_guide_analysis *a = NULL;
    enum nw_status status = check_opts(opts, err);
    if (status == NW_OK) {
        status = work_init(log, &work, err);
    }
    if (status != NW_OK) {
        goto done;
    }
    a = nw_calloc(1, sizeof *a);
    if (!a) {
        status = nw_err_set(err, NW_NOMEM, "guide analysis");
        goto done;
    }
    status = fit_axes(log, opts, &work, a, err);
    if (status == NW_OK) {
        status = measure_subs(log, opts, &work, a, err);
    }
    if (status == NW_OK) {
        struct axes_job job = {.log = log, .opts = opts, .w = &work, .a = a};
        status = both_axes(&job, check_one_axis, err);
    }
    if (status == NW_OK && opts->is_loop_only) {
        (void)snprintf(a->backlash.why_null, sizeof a->backlash.why_null, "not asked for");
        (void)snprintf(a->replay.why_null, sizeof a->replay.why_null, "not asked for");
    } else if (status == NW_OK) {
        a->interval_s = work.cut.interval_s;
        const struct guide_pair pair = {&work.ra, &work.dec, work.ra_states, work.dec_states};
        status = nw_guide_replay(log, &pair, a, err);
    }
    if (status != NW_OK) {
        goto done;
    }
    take_cut(log, &work.cut, a);
    *ret = a;
    a = NULL;
done:
    nw_guide_analysis_free(a);
    work_done(&work);
    return status;
}

void nw_guide_analysis_free(struct nw_guide_analysis *analysis) {
    if (analysis) {
        free(analysis->gaps);
        free(analysis->dithers);
        free(analysis->bursts);
        free(analysis->subs);
        free(analysis);
    }
}
