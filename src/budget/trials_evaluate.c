/* trials_evaluate.c - trials that are differences of widths: see trials.h.
 * Two kinds of subs, A and B, of one night; every A is set against the B on either side of it,
 * interpolated in time, so that an air that wanders falls out to first order; the mean over the
 * differences of squared widths, its error from their scatter (Student's t; a B sub is in several
 * of them). What else differs between A and B by physics (the air's tilt that a short exposure does
 * not average, wavelength, airmass) is composed and taken off. */
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

#include "budget/star_internal.h"
#include "budget/trials.h"
#include "sky/sky.h"

#define SHORT_MOST_S 10.0
#define LONG_TIMES 10.0
#define FIRST_S 1800.0
#define THIRD_S 7200.0
#define APART_MOST_S 1800.0 /* neighbours farther apart share no air */
enum { PAIRS_LEAST = 3, RUN_SUBS = 3 };

enum kind { KIND_NONE, KIND_A, KIND_B };

struct subs {
    const struct nw_trial_frames *frames;
    enum kind *kinds;
    double *square; /* of the width, rad^2, brought to what is compared */
    const char *a, *b;
};

static bool has_width(const struct nw_star_frame *frame) {
    return frame->fwhm_rad > 0.0 && isfinite(frame->t_start_utc_s);
}

static double middle_s(const struct nw_star_frame *frame) {
    return frame->t_start_utc_s + 0.5 * (isfinite(frame->exposure_s) ? frame->exposure_s : 0.0);
}

/* ---- Which subs ----------------------------------------------------------------------------- */

static void sort_short_and_long(struct subs *subs) {
    double longest = 0.0;
    for (size_t i = 0; i < subs->frames->n; i++) {
        longest = fmax(longest, subs->frames->frames[i].exposure_s);
    }
    for (size_t i = 0; i < subs->frames->n; i++) {
        const double length_s = subs->frames->frames[i].exposure_s;
        subs->kinds[i] = length_s >= LONG_TIMES * SHORT_MOST_S && length_s > 0.5 * longest ? KIND_A
                         : length_s > 0.0 && length_s <= SHORT_MOST_S                      ? KIND_B
                                                                      : KIND_NONE;
    }
    subs->a = "long subs";
    subs->b = "short subs";
}

/* Up to three subs on either side of each move of the focuser. */
static void sort_across_runs(struct subs *subs) {
    const double *const steps = subs->frames->focuser_steps;
    for (size_t i = 1; steps && i < subs->frames->n; i++) {
        if (!(fabs(steps[i] - steps[i - 1]) > 0.0)) {
            continue;
        }
        for (size_t k = 0; k < RUN_SUBS; k++) {
            if (i > k && steps[i - 1 - k] == steps[i - 1] && subs->kinds[i - 1 - k] == KIND_NONE) {
                subs->kinds[i - 1 - k] = KIND_A;
            }
            if (i + k < subs->frames->n && steps[i + k] == steps[i]) {
                subs->kinds[i + k] = KIND_B;
            }
        }
    }
    subs->a = "subs before a focus run";
    subs->b = "subs after it";
}

/* A: the widest passband that was used; B: those at most a third as wide. */
static void sort_by_band(const struct nw_setup *setup, struct subs *subs) {
    double widest = 0.0;
    for (size_t i = 0; subs->frames->filters && i < subs->frames->n; i++) {
        const struct nw_filter *const filter = nw_setup_filter_of(setup, subs->frames->filters[i]);
        widest = filter ? fmax(widest, filter->width_m.v) : widest;
    }
    for (size_t i = 0; subs->frames->filters && i < subs->frames->n; i++) {
        const struct nw_filter *const filter = nw_setup_filter_of(setup, subs->frames->filters[i]);
        if (filter && filter->width_m.v > 0.0) {
            subs->kinds[i] = filter->width_m.v > 0.99 * widest   ? KIND_A
                             : filter->width_m.v <= widest / 3.0 ? KIND_B
                                                                 : KIND_NONE;
        }
    }
    subs->a = "subs of the wide band";
    subs->b = "subs of the narrow band";
}

static void sort_by_hour(struct subs *subs) {
    double first_s = NAN;
    for (size_t i = 0; i < subs->frames->n; i++) {
        const struct nw_star_frame *const frame = &subs->frames->frames[i];
        if (has_width(frame)) {
            first_s = isfinite(first_s) ? first_s : frame->t_start_utc_s;
            const double at_s = frame->t_start_utc_s - first_s;
            subs->kinds[i] = at_s < FIRST_S                               ? KIND_A
                             : at_s >= THIRD_S && at_s < THIRD_S + 3600.0 ? KIND_B
                                                                          : KIND_NONE;
        }
    }
    subs->a = "subs of the first half hour";
    subs->b = "subs of the third hour";
}

/* ---- What is known to differ ---------------------------------------------------------------- */

static enum nw_status square_at(const struct star_point *point, double *ret, struct nw_err *err) {
    struct nw_psf psf = {.fwhm_rad = NAN};
    const enum nw_status status = star_compose(point, NULL, &psf, err);
    *ret = psf.fwhm_rad * psf.fwhm_rad;
    return status;
}

/* Squared widths brought to one state: airmass 1.2 by the budget's own air; wavelength of the
 * setup's filter, without the lens's colour; tilt of the air that a short sub does not average. */
static enum nw_status bring_together(const struct nw_trial *trial, const struct nw_rig *rig,
                                     const struct nw_setup *setup, struct subs *subs,
                                     struct nw_err *err) {
    struct star_point base;
    enum nw_status status = NW_OK;
    star_point_of(rig, setup, &base);
    for (size_t i = 0; i < subs->frames->n && status == NW_OK; i++) {
        const struct nw_star_frame *const frame = &subs->frames->frames[i];
        struct star_point was = base;
        struct star_point to;
        double here = NAN;
        double there = NAN;
        if (subs->kinds[i] == KIND_NONE || !has_width(frame)) {
            continue;
        }
        was.p[STAR_P_AIRMASS].v =
            isfinite(frame->airmass) ? fmax(1.0, frame->airmass) : base.p[STAR_P_AIRMASS].v;
        to = was;
        to.p[STAR_P_AIRMASS].v = 1.2;
        if (trial->id == NW_TRIAL_NARROW_AND_WIDE) {
            const struct nw_filter *const filter =
                nw_setup_filter_of(setup, subs->frames->filters[i]);
            was.p[STAR_P_CENTRE] = filter->centre_m;
            was.p[STAR_P_PASSBAND].v = 1e-9; /* the colour is what is looked for */
            to.p[STAR_P_PASSBAND].v = 1e-9;
        }
        status = square_at(&was, &here, err);
        if (status == NW_OK) {
            status = square_at(&to, &there, err);
        }
        subs->square[i] = frame->fwhm_rad * frame->fwhm_rad + there - here;
        if (trial->id == NW_TRIAL_SHORT_AND_LONG && subs->kinds[i] == KIND_B) {
            const double r0_m = nw_sky_r0_of_seeing_m(star_value(&base, STAR_P_SEEING), 500e-9,
                                                      star_value(&base, STAR_P_OUTER_SCALE));
            const double tilt =
                nw_sky_tilt_rms_rad(star_value(&base, STAR_P_APERTURE),
                                    r0_m * pow(star_value(&was, STAR_P_AIRMASS), -0.6), 500e-9,
                                    star_value(&base, STAR_P_OUTER_SCALE),
                                    rig->site.wind_speed_m_s.v, frame->exposure_s);
            subs->square[i] += isfinite(tilt) ? pow(NW_FWHM_PER_SIGMA * tilt, 2.0) : 0.0;
        }
    }
    return status;
}

/* By the rig file: squared width with and without the trial's lines. */
static void foretell(const struct nw_trial *trial, const struct nw_rig *rig,
                     const struct nw_setup *setup, struct nw_trial_result *ret) {
    struct star_point point;
    struct star_point without;
    double with_rad2 = NAN;
    double without_rad2 = NAN;
    struct nw_err none;
    star_point_of(rig, setup, &point);
    if (trial->id == NW_TRIAL_ACROSS_A_FOCUS_RUN) {
        point.focus_phase = 1.0;
    }
    without = point;
    without.focus_phase = trial->id == NW_TRIAL_ACROSS_A_FOCUS_RUN ? 0.0 : point.focus_phase;
    double scale[NW_STAR_N_LINES];
    double variance = 0.0;
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        scale[k] = 1.0;
    }
    for (size_t i = 0; i < trial->n_terms; i++) {
        const enum nw_star_line_id id = nw_apart_term_line(trial->terms[i]);
        struct star_line line;
        scale[id] = trial->id == NW_TRIAL_ACROSS_A_FOCUS_RUN ? 1.0 : 0.0;
        star_line_build(id, &point, &line);
        variance += pow(2.0 * line.width_rad * star_line_sigma(id, &point), 2.0);
    }
    struct nw_psf psf;
    if (star_compose(&point, NULL, &psf, &none) == NW_OK) {
        with_rad2 = psf.fwhm_rad * psf.fwhm_rad;
    }
    if (star_compose(&without, scale, &psf, &none) == NW_OK) {
        without_rad2 = psf.fwhm_rad * psf.fwhm_rad;
    }
    ret->foretold_rad2 = with_rad2 - without_rad2;
    ret->foretold_sigma_rad2 = sqrt(variance);
}

/* Square of the usual air at airmass 1.2. */
static double air_of(const struct nw_rig *rig) {
    return pow(rig->site.seeing_rad.v * pow(1.2, 0.6), 2.0);
}

/* ---- Pairs ---------------------------------------------------------------------------------- */

/* The B on this side of sub i, nearest in time; SIZE_MAX: none near enough. */
static size_t neighbour(const struct subs *subs, size_t i, int way, double most_s) {
    const struct nw_star_frame *const frames = subs->frames->frames;
    for (size_t k = i; way < 0 ? k > 0 : k + 1 < subs->frames->n;) {
        k = way < 0 ? k - 1 : k + 1;
        if (fabs(middle_s(&frames[k]) - middle_s(&frames[i])) > most_s) {
            return SIZE_MAX;
        }
        if (subs->kinds[k] == KIND_B && has_width(&frames[k])) {
            return k;
        }
    }
    return SIZE_MAX;
}

/* The B subs that stand for B at the moment of sub i: the neighbours on either side by their times,
 * or the only one; n 0: none near enough. */
struct others {
    size_t n, at[2];
    double weight[2];
    double apart_s; /* of the only one; 0: one on either side, drift falls out */
};

static struct others others_of(const struct subs *subs, size_t i, double most_s) {
    const struct nw_star_frame *const frames = subs->frames->frames;
    const size_t before = neighbour(subs, i, -1, most_s);
    const size_t after = neighbour(subs, i, +1, most_s);
    if (before == SIZE_MAX || after == SIZE_MAX) {
        const size_t one = before != SIZE_MAX ? before : after;
        return one == SIZE_MAX
                   ? (struct others){.n = 0}
                   : (struct others){.n = 1,
                                     .at = {one, one},
                                     .weight = {1.0, 0.0},
                                     .apart_s =
                                         fabs(middle_s(&frames[one]) - middle_s(&frames[i]))};
    }
    const double t0 = middle_s(&frames[before]);
    const double t1 = middle_s(&frames[after]);
    const double part = t1 > t0 ? (middle_s(&frames[i]) - t0) / (t1 - t0) : 0.5;
    return (struct others){.n = 2, .at = {before, after}, .weight = {1.0 - part, part}};
}

static void tell(double rad2, double sigma_rad2, struct nw_trial_result *ret) {
    ret->is_told = true;
    ret->rad2 = rad2;
    ret->sigma_rad2 = sigma_rad2;
    ret->width_rad = sqrt(fmax(0.0, rad2));
    ret->low_rad = sqrt(fmax(0.0, rad2 - 1.96 * sigma_rad2));
    ret->high_rad = sqrt(fmax(0.0, rad2 + 1.96 * sigma_rad2));
}

/* When, how long, how often in turn. */
static void describe(const struct subs *subs, struct nw_trial_result *ret) {
    enum kind last = KIND_NONE;
    ret->t_first_s = INFINITY;
    ret->t_last_s = -INFINITY;
    for (size_t i = 0; i < subs->frames->n; i++) {
        const struct nw_star_frame *const frame = &subs->frames->frames[i];
        const enum kind kind = subs->kinds[i];
        if (kind == KIND_NONE || !has_width(frame)) {
            continue;
        }
        const double length_s = isfinite(frame->exposure_s) ? frame->exposure_s : 0.0;
        double *const longest_s = kind == KIND_A ? &ret->longest_a_s : &ret->longest_b_s;
        *longest_s = fmax(*longest_s, length_s);
        ret->t_first_s = fmin(ret->t_first_s, frame->t_start_utc_s);
        ret->t_last_s = fmax(ret->t_last_s, frame->t_start_utc_s + length_s);
        ret->n_turns += last != KIND_NONE && kind != last;
        last = kind;
    }
}

/* Sums over the pairs, for the error of their mean. A B sub stands in several pairs, so that they
 * are not independent: with subs of one scatter s and M the weights of the B in the pairs, the
 * covariance is s^2 (1 + M M'). */
struct pair_sums {
    double value, weight2; /* of the differences; of all weights squared */
    double shared2;        /* sum over the B of the square of their weights' sum */
    double alone_s;        /* times to the only neighbour, where there is one alone */
};

/* The mean's error such that 1.96 of it are the 95 % of Student's t, and what an air that wanders
 * does to pairs with one neighbour: 16 % of its square a root hour; common practice, no source. */
static double error_of(const struct pair_sums *sums, const double *differences, size_t n_pairs,
                       double air_rad2) {
    const double n = (double)n_pairs;
    const double scatter = nw_stat_sd(differences, n_pairs, sums->value / n);
    /* expected square of that scatter over s^2: the trace less the mean of all, over n - 1 */
    const double gain = (n + sums->weight2 - (n + sums->shared2) / n) / (n - 1.0);
    const double mean2 = (n + sums->shared2) / (n * n) / fmax(gain, 1e-6);
    const double wander = 0.16 * air_rad2 * sqrt(sums->alone_s / n / 3600.0);
    const double t = gsl_cdf_tdist_Pinv(0.975, n - 1.0) / 1.96;
    return hypot(t * scatter * sqrt(mean2), isfinite(wander) ? wander : 0.0);
}

static void compare(struct subs *subs, double most_s, double air_rad2, double *work,
                    struct nw_trial_result *ret) {
    double *const differences = work;
    double *const shares = work + subs->frames->n; /* of each B in all pairs */
    struct pair_sums sums = {.value = 0.0};
    for (size_t i = 0; i < subs->frames->n; i++) {
        const bool is_good = has_width(&subs->frames->frames[i]);
        ret->n_a += subs->kinds[i] == KIND_A && is_good;
        ret->n_b += subs->kinds[i] == KIND_B && is_good;
        if (subs->kinds[i] != KIND_A || !is_good) {
            continue;
        }
        const struct others others = others_of(subs, i, most_s);
        double value = subs->square[i];
        for (size_t k = 0; k < others.n; k++) {
            value -= others.weight[k] * subs->square[others.at[k]];
            shares[others.at[k]] += others.weight[k];
            sums.weight2 += others.weight[k] * others.weight[k];
        }
        if (others.n == 0) {
            subs->kinds[i] = KIND_NONE; /* of the night, not of the trial */
            continue;
        }
        differences[ret->n_pairs++] = value;
        sums.value += value;
        sums.alone_s += others.apart_s;
    }
    if (ret->n_pairs < PAIRS_LEAST) {
        (void)snprintf(ret->why_null, sizeof ret->why_null,
                       "%zu %s beside %zu %s make %zu pairs, it takes %d", ret->n_a, subs->a,
                       ret->n_b, subs->b, ret->n_pairs, PAIRS_LEAST);
        return;
    }
    for (size_t i = 0; i < subs->frames->n; i++) {
        sums.shared2 += shares[i] * shares[i];
    }
    ret->n_a = ret->n_pairs;
    tell(sums.value / (double)ret->n_pairs, error_of(&sums, differences, ret->n_pairs, air_rad2),
         ret);
}

/* Two groups hours apart have no neighbours: their means. */
static void compare_groups(const struct subs *subs, double *values, struct nw_trial_result *ret) {
    double mean[2] = {0.0, 0.0};
    double error2 = 0.0;
    for (int g = 0; g < 2; g++) {
        size_t n = 0;
        for (size_t i = 0; i < subs->frames->n; i++) {
            if (subs->kinds[i] == (g ? KIND_B : KIND_A) && has_width(&subs->frames->frames[i])) {
                values[n++] = subs->square[i];
            }
        }
        *(g ? &ret->n_b : &ret->n_a) = n;
        if (n < PAIRS_LEAST) {
            (void)snprintf(ret->why_null, sizeof ret->why_null, "%zu %s, it takes %d", n,
                           g ? subs->b : subs->a, PAIRS_LEAST);
            return;
        }
        mean[g] = nw_stat_mean(values, n);
        error2 += pow(nw_stat_sd(values, n, mean[g]), 2.0) / (double)n;
        /* the air above an hour or two later: 8 % in a root hour of its width, 16 % of the square;
         * common practice, no source */
        error2 += g ? pow(0.16 * sqrt(2.0) * mean[g], 2.0) : 0.0;
    }
    ret->n_pairs = ret->n_a < ret->n_b ? ret->n_a : ret->n_b;
    tell(mean[0] - mean[1], sqrt(error2), ret);
}

enum nw_status nw_trial_evaluate(const struct nw_trial *trial, const struct nw_rig *rig,
                                 const struct nw_setup *setup, const struct nw_trial_frames *frames,
                                 struct nw_trial_result *ret, struct nw_err *err) {
    struct nw_trial_result result = {.trial = trial,
                                     .rad2 = NAN,
                                     .sigma_rad2 = NAN,
                                     .width_rad = NAN,
                                     .low_rad = NAN,
                                     .high_rad = NAN};
    struct subs subs = {.frames = frames};
    double *work = nw_calloc(3 * frames->n + 1, sizeof *work);
    enum nw_status status = NW_OK;
    subs.kinds = nw_calloc(frames->n + 1, sizeof *subs.kinds);
    if (!work || !subs.kinds) {
        status = nw_err_set(err, NW_NOMEM, "trial of %zu subs", frames->n);
        goto done;
    }
    subs.square = work;
    switch (trial->id) {
    case NW_TRIAL_SHORT_AND_LONG:
        sort_short_and_long(&subs);
        break;
    case NW_TRIAL_ACROSS_A_FOCUS_RUN:
        sort_across_runs(&subs);
        break;
    case NW_TRIAL_NARROW_AND_WIDE:
        sort_by_band(setup, &subs);
        break;
    case NW_TRIAL_FIRST_AND_THIRD_HOUR:
        sort_by_hour(&subs);
        break;
    default:
        status = nw_err_set(err, NW_USAGE, "trial %s is evaluated by: %s", nw_trial_name(trial->id),
                            trial->evaluate);
        goto done;
    }
    status = bring_together(trial, rig, setup, &subs, err);
    if (status == NW_OK) {
        foretell(trial, rig, setup, &result);
        result.a = subs.a;
        result.b = subs.b;
        if (trial->id == NW_TRIAL_FIRST_AND_THIRD_HOUR) {
            compare_groups(&subs, work + frames->n, &result);
        } else {
            compare(&subs, APART_MOST_S, air_of(rig), work + frames->n, &result);
        }
        describe(&subs, &result);
        *ret = result;
    }
done:
    free(subs.kinds);
    free(work);
    return status;
}
