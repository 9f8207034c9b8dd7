/* replay.c - the best settings on this night, how flat the best is, and whether it holds.
 * Idea: all settings of a small grid are run (replay_sim.c); axes are independent but share the
 * exposure. What is found on one half of the subs is judged on the other half.
 * Holds: the current motion is that of the logged pulses, never of a simulated loop. */
#include "guiding/replay.h"

#include <math.h>

#define FLAT 0.02 /* equal for all purposes: 2 % of the motion */
#define EXPOSURE_MOST_s 16.0
#define GAP_SMALL 1.0 /* of the noise of one sample: such a gap changes nothing that is seen */
#define SUBS_LEAST 4

enum { GAINS = 12, BANDS = 5, EVERY = 4, ALL = GAINS * BANDS };

static const char DISTRUST[] =
    "the self-check says that pulses do not act as the model has it; what "
    "other pulses would have done is not known";

static const double BAND[BANDS] = {0.0, 0.5, 1.0, 1.5, 2.0}; /* of the noise of one sample */

/* Results of one axis at one exposure, with or without predictor. */
struct table {
    double mean[ALL], half[2][ALL]; /* mean variance over all, even, odd subs */
};

struct best {
    size_t at; /* in the table */
    struct guide_setting setting;
    double mean, low, high; /* variance; gains within FLAT */
};

static struct guide_setting setting_of(size_t i, double noise_rad, size_t every, bool foretold) {
    const size_t gain_step = i / BANDS + 1;
    return (struct guide_setting){.gain = 0.1 * (double)gain_step,
                                  .deadband_rad = BAND[i % BANDS] * noise_rad,
                                  .every = every,
                                  .is_foretold = foretold};
}

/* Mean over the subs that count; half 0: even ones, 1: odd ones, -1: all. */
static double mean_of(const double *rad2, size_t n, int half) {
    double sum = 0.0;
    double count = 0.0;
    size_t number = 0;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(rad2[i])) {
            if (half < 0 || number % 2 == (size_t)half) {
                sum += rad2[i];
                count += 1.0;
            }
            number++;
        }
    }
    return count > 0.0 ? sum / count : NAN;
}

static void fill(const struct guide_stage *stage, double noise_rad, size_t every, bool foretold,
                 double *scratch, struct table *ret) {
    for (size_t i = 0; i < ALL; i++) {
        const struct guide_setting setting = setting_of(i, noise_rad, every, foretold);
        nw_guide_stage_run(stage, &setting, scratch);
        ret->mean[i] = mean_of(scratch, stage->n_subs, -1);
        ret->half[0][i] = mean_of(scratch, stage->n_subs, 0);
        ret->half[1][i] = mean_of(scratch, stage->n_subs, 1);
    }
}

static size_t least_of(const double *x) {
    size_t best = 0;
    for (size_t i = 1; i < ALL; i++) {
        best = x[i] < x[best] ? i : best;
    }
    return best;
}

static struct best best_of(const struct table *table, double noise_rad, size_t every,
                           bool foretold) {
    struct best best = {.at = least_of(table->mean), .low = INFINITY, .high = -INFINITY};
    best.setting = setting_of(best.at, noise_rad, every, foretold);
    best.mean = table->mean[best.at];
    for (size_t i = 0; i < ALL; i++) {
        if (table->mean[i] < best.mean * (1.0 + FLAT) * (1.0 + FLAT)) {
            const double gain = setting_of(i, noise_rad, every, foretold).gain;
            best.low = fmin(best.low, gain);
            best.high = fmax(best.high, gain);
        }
    }
    return best;
}

/* Chosen on one half, judged on the other, both ways round. */
struct held {
    double error; /* of the motion that was promised, as the ratio to the current one (subs of a
                     night are not alike), relative */
    double won;   /* part of the motion that went */
};

static struct held holdout(const struct table *table, const double current[2]) {
    double sum = 0.0;
    double all = 0.0;
    for (int half = 0; half < 2; half++) {
        const size_t at = least_of(table->half[half]);
        const double promised = table->half[half][at] / current[half];
        const double came = table->half[1 - half][at] / current[1 - half];
        const double error = sqrt(came / promised) - 1.0;
        sum += 0.5 * error * error;
        all += table->half[1 - half][at];
    }
    return (struct held){sqrt(sum), 1.0 - sqrt(all / (current[0] + current[1]))};
}

/* ---- memory and subs ---- */

static void stage_done(struct guide_stage *stage) {
    free(stage->first);
    free(stage->last);
    free(stage->own_rad2);
    free(stage->path);
}

/* Samples of the subs whose motion was found, and the part of it that no setting changes. */
static enum nw_status stage_init(const struct guide_series *s, const struct guide_state *states,
                                 const struct nw_guide_analysis *a, bool is_dec,
                                 struct guide_stage *stage, struct nw_err *err) {
    const struct nw_guide_axis *const axis = is_dec ? &a->dec : &a->ra;
    *stage = (struct guide_stage){.s = s, .states = states, .n_subs = a->n_subs};
    stage->first = nw_calloc(a->n_subs + 1, sizeof *stage->first);
    stage->last = nw_calloc(a->n_subs + 1, sizeof *stage->last);
    stage->own_rad2 = nw_calloc(a->n_subs + 1, sizeof *stage->own_rad2);
    stage->path = nw_calloc(s->n + 1, sizeof *stage->path);
    if (!stage->first || !stage->last || !stage->own_rad2 || !stage->path) {
        return nw_err_set(err, NW_NOMEM, "replay of %zu guide samples", s->n);
    }
    size_t k = 0;
    for (size_t i = 0; i < a->n_subs; i++) {
        k = k > 0 && s->t_s[k - 1] >= a->subs[i].start_s ? 0 : k; /* subs may overlap */
        while (k < s->n && s->t_s[k] < a->subs[i].start_s) {
            k++;
        }
        stage->first[i] = stage->last[i] = k;
        while (k < s->n && s->t_s[k] < a->subs[i].end_s) {
            stage->last[i] = ++k;
        }
        if (!isfinite(a->subs[i].ra_rad) || !isfinite(a->subs[i].dec_rad)) {
            stage->last[i] = stage->first[i];
        }
    }
    double *variances = nw_calloc(a->n_subs + 1, sizeof *variances);
    if (!variances) {
        return nw_err_set(err, NW_NOMEM, "replay of %zu subs", a->n_subs);
    }
    nw_guide_stage_logged(stage, variances); /* own is still 0 */
    for (size_t i = 0; i < a->n_subs; i++) {
        if (stage->last[i] > stage->first[i]) {
            const double whole = nw_guide_motion_var(states, stage->first[i], stage->last[i]);
            stage->own_rad2[i] =
                fmax(0.0, whole - variances[i]) +
                nw_guide_beside_var(axis, (double)(stage->last[i] - stage->first[i]));
        }
    }
    free(variances);
    return NW_OK;
}

/* ---- the search ---- */

struct desk {
    struct guide_stage ra, dec;
    double *ra_now, *dec_now, *ra_then, *dec_then; /* variance of each sub */
    struct table *table;
};

static void desk_done(struct desk *desk) {
    stage_done(&desk->ra);
    stage_done(&desk->dec);
    free(desk->ra_now);
    free(desk->dec_now);
    free(desk->ra_then);
    free(desk->dec_then);
    free(desk->table);
}

static enum nw_status desk_init(const struct guide_pair *pair, const struct nw_guide_analysis *a,
                                struct desk *desk, struct nw_err *err) {
    enum nw_status status = stage_init(pair->ra, pair->ra_states, a, false, &desk->ra, err);
    if (status == NW_OK) {
        status = stage_init(pair->dec, pair->dec_states, a, true, &desk->dec, err);
    }
    desk->ra_now = nw_calloc(a->n_subs + 1, sizeof *desk->ra_now);
    desk->dec_now = nw_calloc(a->n_subs + 1, sizeof *desk->dec_now);
    desk->ra_then = nw_calloc(a->n_subs + 1, sizeof *desk->ra_then);
    desk->dec_then = nw_calloc(a->n_subs + 1, sizeof *desk->dec_then);
    desk->table = nw_calloc(1, sizeof *desk->table);
    if (status == NW_OK &&
        (!desk->ra_now || !desk->dec_now || !desk->ra_then || !desk->dec_then || !desk->table)) {
        status = nw_err_set(err, NW_NOMEM, "replay of %zu subs", a->n_subs);
    }
    return status;
}

static void try_dec(const struct nw_guide_analysis *a, struct desk *desk, size_t every,
                    struct best *ret) {
    fill(&desk->dec, a->dec.noise_rad, every, false, desk->dec_then, desk->table);
    *ret = best_of(desk->table, a->dec.noise_rad, every, false);
}

/* Exposures share both axes: the best sum. */
static void search(const struct nw_guide_analysis *a, struct desk *desk, bool is_foretold,
                   struct best *ret_ra, struct best *ret_dec) {
    double least = INFINITY;
    for (size_t every = 1; every <= EVERY; every++) {
        if (every > 1 && (double)every * a->interval_s > EXPOSURE_MOST_s) {
            break;
        }
        struct best dec = {.mean = mean_of(desk->dec_now, a->n_subs, -1)};
        fill(&desk->ra, a->ra.noise_rad, every, is_foretold, desk->ra_then, desk->table);
        const struct best ra = best_of(desk->table, a->ra.noise_rad, every, is_foretold);
        if (a->replay.is_dec_allowed) {
            try_dec(a, desk, every, &dec);
        }
        /* a longer exposure must be worth it: below that it is the same */
        const double more = every > 1 ? (1.0 - FLAT) * (1.0 - FLAT) : 1.0;
        if (ra.mean + dec.mean < more * least) {
            least = ra.mean + dec.mean;
            *ret_ra = ra;
            *ret_dec = dec;
        }
    }
}

/* Mean difference of the variances, sub by sub, with its sigma. */
struct gain {
    double now, then, sigma; /* mean variances, sigma of their difference; NaN: one sub */
};

static struct gain gain_of(const double *const now[2], const double *const then[2], int n_axes,
                           size_t n) {
    double sum = 0.0;
    double sum2 = 0.0;
    double count = 0.0;
    struct gain g = {0};
    for (size_t i = 0; i < n; i++) {
        double was = 0.0;
        double is = 0.0;
        for (int axis = 0; axis < n_axes; axis++) {
            was += now[axis][i];
            is += then[axis][i];
        }
        if (isfinite(was) && isfinite(is)) {
            g.now += was;
            g.then += is;
            sum += is - was;
            sum2 += (is - was) * (is - was);
            count += 1.0;
        }
    }
    g.now /= count;
    g.then /= count;
    g.sigma = sqrt(fmax(0.0, sum2 - sum * sum / count) / (count - 1.0) / count);
    return g;
}

/* Under 2 % of the motion, or under two sigmas: nothing is won. */
static bool is_nothing(const struct gain *g) {
    return !(sqrt(g->then) < (1.0 - FLAT) * sqrt(g->now)) || !(g->now - g->then > 2.0 * g->sigma);
}

/* One axis under its best setting: what the other half says of it. */
static struct held hold(const struct guide_stage *stage, double noise_rad, const struct best *best,
                        const double *now, double *then, struct table *table) {
    double current[2];
    for (int half = 0; half < 2; half++) {
        current[half] = mean_of(now, stage->n_subs, half);
    }
    fill(stage, noise_rad, best->setting.every, best->setting.is_foretold, then, table);
    const struct held held = holdout(table, current);
    nw_guide_stage_run(stage, &best->setting, then);
    return held;
}

/* An axis with nothing to win keeps its settings, unless the exposure changes for both. */
static bool keep_axis(double *now, double *then, const struct held *held, size_t every, size_t n) {
    const struct gain g =
        gain_of((const double *const[]){now, NULL}, (const double *const[]){then, NULL}, 1, n);
    const bool is_kept = every == 1 && (is_nothing(&g) || held->won < FLAT);
    if (is_kept) {
        memcpy(then, now, n * sizeof *then);
    }
    return is_kept;
}

static void take_best(struct nw_guide_analysis *a, struct desk *desk, const struct best *ra,
                      const struct best *dec) {
    struct nw_guide_replay *r = &a->replay;
    const size_t every = ra->setting.every;
    struct held held =
        hold(&desk->ra, a->ra.noise_rad, ra, desk->ra_now, desk->ra_then, desk->table);
    r->holdout_error = held.error;
    r->is_ra_flat = keep_axis(desk->ra_now, desk->ra_then, &held, every, a->n_subs);
    r->gain_ra = ra->setting.gain;
    r->deadband_ra_rad = ra->setting.deadband_rad;
    r->gain_ra_low = ra->low;
    r->gain_ra_high = ra->high;
    r->exposure_s = (double)every * a->interval_s;
    r->is_predictor_used = ra->setting.is_foretold;
    memcpy(desk->dec_then, desk->dec_now, a->n_subs * sizeof *desk->dec_then);
    r->is_dec_flat = true;
    if (r->is_dec_allowed) {
        held = hold(&desk->dec, a->dec.noise_rad, dec, desk->dec_now, desk->dec_then, desk->table);
        r->holdout_error = fmax(r->holdout_error, held.error);
        r->is_dec_flat = keep_axis(desk->dec_now, desk->dec_then, &held, every, a->n_subs);
        r->gain_dec = dec->setting.gain;
        r->deadband_dec_rad = dec->setting.deadband_rad;
        r->gain_dec_low = dec->low;
        r->gain_dec_high = dec->high;
    }
    const struct gain both =
        gain_of((const double *const[]){desk->ra_now, desk->dec_now},
                (const double *const[]){desk->ra_then, desk->dec_then}, 2, a->n_subs);
    r->motion_rad = sqrt(both.then);
    r->motion_sigma_rad = both.sigma / (2.0 * r->motion_rad);
    r->is_flat = is_nothing(&both);
    r->is_ra_flat = r->is_ra_flat || r->is_flat;
    r->is_dec_flat = r->is_dec_flat || r->is_flat;
}

/* What the gap costs: a loop like the logged one with and without it, as a ratio. */
static void find_cost_of_gap(struct nw_guide_analysis *a, struct desk *desk) {
    if (!a->backlash.is_identified || !(a->dec.pulse_gain > 0.0)) {
        return;
    }
    const struct guide_setting same = {.gain = fmin(a->dec.pulse_gain, 1.5), .every = 1};
    nw_guide_stage_run(&desk->dec, &same, desk->dec_then);
    const double with = mean_of(desk->dec_then, a->n_subs, -1);
    const double gap_rad = desk->dec.gap_rad;
    desk->dec.gap_rad = 0.0;
    nw_guide_stage_run(&desk->dec, &same, desk->dec_then);
    desk->dec.gap_rad = gap_rad;
    const double without = mean_of(desk->dec_then, a->n_subs, -1);
    a->backlash.motion_without_rad = a->dec.motion_in_sub_rad * sqrt(fmin(1.0, without / with));
}

/* Do they act otherwise than the path of this axis has it? */
static bool are_pulses_strange(const struct nw_guide_check *check) {
    return check->are_pulses_off || check->is_gap_seen;
}

/* May declination be replayed? */
static void allow_dec(struct nw_guide_analysis *a) {
    struct nw_guide_replay *r = &a->replay;
    const struct nw_guide_backlash *b = &a->backlash;
    const bool is_small = b->high_rad < GAP_SMALL * a->dec.noise_rad;
    r->is_dec_allowed = isfinite(a->dec.pulse_rad_s) && (b->is_identified || is_small);
    if (r->is_dec_allowed && are_pulses_strange(&a->dec.check)) {
        r->is_dec_allowed = false;
        (void)snprintf(r->why_dec, sizeof r->why_dec, "%s", DISTRUST);
    } else if (!r->is_dec_allowed) {
        (void)snprintf(r->why_dec, sizeof r->why_dec, "backlash: %.180s",
                       b->why_null[0] ? b->why_null : "not told");
    }
}

static bool is_possible(const struct nw_guide_analysis *a, struct nw_guide_replay *r) {
    size_t n = 0;
    for (size_t i = 0; i < a->n_subs; i++) {
        n += isfinite(a->subs[i].ra_rad) && isfinite(a->subs[i].dec_rad) ? 1 : 0;
    }
    if (!isfinite(a->ra.pulse_rad_s)) {
        (void)snprintf(r->why_null, sizeof r->why_null, "%.150s",
                       a->ra.why_drift[0] ? a->ra.why_drift : "no pulse was sent");
    } else if (are_pulses_strange(&a->ra.check)) {
        (void)snprintf(r->why_null, sizeof r->why_null, "%s", DISTRUST);
    } else if (n < SUBS_LEAST) {
        (void)snprintf(r->why_null, sizeof r->why_null,
                       "%zu subs with a motion in both axes; %d are needed", n, SUBS_LEAST);
    }
    return r->why_null[0] == '\0';
}

enum nw_status nw_guide_replay(const struct nw_guide_log *log, const struct guide_pair *pair,
                               struct nw_guide_analysis *a, struct nw_err *err) {
    (void)log;
    struct nw_guide_replay *r = &a->replay;
    *r = (struct nw_guide_replay){0};
    r->current_rad = hypot(a->ra.motion_in_sub_rad, a->dec.motion_in_sub_rad);
    r->gain_ra = r->gain_dec = r->deadband_ra_rad = r->deadband_dec_rad = r->exposure_s = NAN;
    r->gain_ra_low = r->gain_ra_high = r->gain_dec_low = r->gain_dec_high = NAN;
    r->motion_rad = r->motion_sigma_rad = r->motion_with_predictor_rad = r->holdout_error = NAN;
    if (!is_possible(a, r)) {
        return NW_OK;
    }
    allow_dec(a);
    struct desk desk = {0};
    const enum nw_status status = desk_init(pair, a, &desk, err);
    if (status == NW_OK) {
        desk.ra.b = a->ra.pulse_rad_s;
        desk.dec.b = isfinite(a->dec.pulse_rad_s) ? a->dec.pulse_rad_s : 0.0;
        desk.dec.gap_rad = a->backlash.is_identified ? a->backlash.gap_rad : 0.0;
        nw_guide_stage_logged(&desk.ra, desk.ra_now);
        nw_guide_stage_logged(&desk.dec, desk.dec_now);
        r->current_rad =
            sqrt(mean_of(desk.ra_now, a->n_subs, -1) + mean_of(desk.dec_now, a->n_subs, -1));
        struct best ra = {0};
        struct best dec = {0};
        search(a, &desk, false, &ra, &dec);
        take_best(a, &desk, &ra, &dec);
        if (a->worm.n > 0) {
            struct best ra2 = {0};
            struct best dec2 = {0};
            search(a, &desk, true, &ra2, &dec2);
            r->motion_with_predictor_rad = sqrt(ra2.mean + dec2.mean);
        }
        find_cost_of_gap(a, &desk);
    }
    desk_done(&desk);
    return status;
}
