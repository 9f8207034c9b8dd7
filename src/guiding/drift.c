/* drift.c - what the star would do without pulses, in the mean.
 * Idea: a steady drift under a random walk and noise that may outlast a sample (seeing, fast
 * gears): taken for walk, such noise would make the drift look twice as uncertain as it is. The
 * drift is a state of the whitener, so its estimate is that of generalised least squares (de Jong
 * 1991). What no walk describes (a bend, a worm that was not found) shows in blocks. Holds: sigma
 * allows for the error of the response, which turns pulses into drift. */
#include <math.h>

#include "guiding/filter.h"
#include "guiding/whiten.h"

#define WHITE_EARNS 6.0  /* of -2 ln L, for one parameter */
#define AKAIKE 2.0       /* the least that a parameter earns (Akaike 1974, IEEE AC-19, 716) */
#define STEP_B 0.06      /* of the response */
#define FAR_OFF 9.0      /* in -2 ln L: a weight of 1 % */
#define RUN_OFF 2.5      /* sigmas of what was known of the response */
#define BLOCKS_SPEAK 1.5 /* blocks that scatter so much more are believed */

enum { BLOCKS = 12, BLOCKS_LEAST = 8 };

/* Scatter of the open-loop increments of equal blocks; NaN with fewer than 8. */
static double block_sigma(const struct guide_series *s, double b) {
    const double block_s = (double)s->n * s->dt0_s / BLOCKS;
    double sum = 0.0;
    double sum2 = 0.0;
    double n = 0.0;
    size_t first = 0;
    for (size_t k = 1; k < s->n; k++) {
        if (s->starts[k]) {
            first = k;
        } else if (s->t_s[k] - s->t_s[first] >= block_s) {
            const double rate = ((nw_guide_error(s, k) - b * s->x[k]) -
                                 (nw_guide_error(s, first) - b * s->x[first])) /
                                (s->t_s[k] - s->t_s[first]);
            sum += rate;
            sum2 += rate * rate;
            n += 1.0;
            first = k;
        }
    }
    return n < BLOCKS_LEAST ? NAN : sqrt(fmax(0.0, sum2 - sum * sum / n) / (n - 1.0) / n);
}

static void take_pulses_out(const struct guide_series *s, double b, double *ret) {
    for (size_t k = 0; k < s->n; k++) {
        ret[k] = nw_guide_error(s, k) - b * s->x[k];
    }
}

/* Noise with a memory; and, where it earns its parameter, shake of some samples beside white noise:
 * taken for walk, that would make the drift look half as well told again as it is. */
static void fit_noise(struct guide_noise_job job, double earns, struct guide_noise *ret) {
    job.is_drift_steady = true;
    const double plain = nw_guide_fit_noise(&job, ret);
    struct guide_noise mixed = {
        .ln_q = ret->ln_q - 2.0, .ln_qv = GUIDE_LN_NONE, .rho = 0.7, .white = 0.6};
    job.is_white_free = true;
    job.is_memory_signed = false;
    if (nw_guide_fit_noise(&job, &mixed) < plain - earns) {
        *ret = mixed;
    }
}

/* Drift and response together. */
struct joint {
    double drift, more_b, var; /* per dt0; on top of the b that was given; of the drift */
};

/* One place on the way along the responses: drift with its variance there, and the weight. */
struct along {
    double drift, var, score;
};

static struct along along_at(const struct guide_noise_job *job, double prior,
                             struct guide_noise *noise) {
    const double score = nw_guide_fit_noise(job, noise);
    const struct guide_two two = nw_guide_noise_two(job->s, noise, job->rest, job->s->x);
    return (struct along){
        .drift = two.v_e, .var = two.vv * two.ee / (double)two.n, .score = score + prior};
}

/* Mean and variance of the drift over all responses that fit, each with the spectra it likes best:
 * noise with a memory and a weak response look alike, along a ridge with walls that no parabola
 * describes (a proportional loop without dead band hardly tells them apart). Steps outward from the
 * best one; a step of one sigma of the response leaves no error, of two 1 % (trapezoids on a
 * Gaussian). rest is taken over. */
static void go_along(struct guide_noise_job job, double *rest, double b, double sigma,
                     const struct guide_noise *best, struct joint *ret) {
    enum { STEPS_MOST = 8 };
    const double step = fmin(STEP_B * b, 0.8 * sigma);
    struct along found[2 * STEPS_MOST + 1];
    size_t n = 0;
    job.rest = rest;
    job.free_x = NULL;
    job.is_drift_steady = true;
    job.is_white_free = best->white > 0.0;
    job.is_memory_signed = !job.is_white_free;
    for (int way = -1; way <= 1; way += 2) {
        struct guide_noise noise = *best;
        double at = 0.0; /* rest stands at this response, from the best one */
        for (int i = way < 0 ? 0 : 1; i <= STEPS_MOST; i++) {
            const double to = way * i * step;
            for (size_t k = 0; k < job.s->n; k++) {
                rest[k] -= (to - at) * job.s->x[k];
            }
            at = to;
            const double off = (ret->more_b + to) / sigma;
            found[n] = along_at(&job, off * off, &noise);
            if (found[n++].score > found[0].score + FAR_OFF) {
                break;
            }
        }
        for (size_t k = 0; k < job.s->n; k++) {
            rest[k] += at * job.s->x[k];
        }
    }
    double sum = 0.0;
    double mean = 0.0;
    double square = 0.0;
    for (size_t i = 0; i < n; i++) {
        const double weight = exp(-0.5 * (found[i].score - found[0].score));
        sum += weight;
        mean += weight * found[i].drift;
        square += weight * (found[i].var + found[i].drift * found[i].drift);
    }
    ret->drift = mean / sum;
    ret->var = square / sum - ret->drift * ret->drift;
}

/* The response as it was given, with the error it was given with. */
static struct joint hold_response(const struct guide_series *s, const double *rest, double var_b,
                                  const struct guide_noise *noise) {
    const struct guide_two two = nw_guide_noise_two(s, noise, rest, s->x);
    const double r = two.ee / (double)two.n;
    return (struct joint){.drift = two.v_e, .var = r * two.vv + two.v_x * two.v_x * var_b};
}

/* The steady drift and its sigma, per dt0. The response joins in unless these samples told it
 * already, or the motion is no walk: pulses that follow a worm which nobody took out look as if
 * they had no effect at all (0.03 came out for 1). Either the loop model needed a wander then, or
 * the response runs off from all that was known of it. A worm that was taken out was fitted with
 * the response as given, and would bear it out. */
static struct joint find_joint(const struct guide_series *s, double *rest,
                               const struct guide_fit *fit, const struct guide_known_b *known,
                               const struct guide_noise *start) {
    const double var_b = known->sigma > 0.0 ? known->sigma * known->sigma : 0.0;
    const struct joint held = hold_response(s, rest, var_b, start);
    if (known->is_from_these || !(var_b > 0.0) || fit->ln_qv > GUIDE_LN_NONE ||
        nw_guide_has_known(s)) {
        return held;
    }
    const struct guide_two given = nw_guide_noise_two(s, start, rest, s->x);
    struct guide_noise_job job = {.s = s,
                                  .rest = rest,
                                  .is_memory_signed = true,
                                  .free_x = s->x,
                                  .free_precision = given.ee / (double)given.n / var_b};
    struct guide_noise noise = {.ln_q = start->ln_q, .rho = start->rho, .ln_qv = GUIDE_LN_NONE};
    fit_noise(job, AKAIKE, &noise);
    const struct guide_two two = nw_guide_noise_two(s, &noise, rest, s->x);
    struct joint found = {.more_b = two.ex / (two.xx + job.free_precision)};
    if (fabs(found.more_b) > RUN_OFF * known->sigma) {
        return held;
    }
    for (size_t k = 0; k < s->n; k++) {
        rest[k] -= found.more_b * s->x[k];
    }
    go_along(job, rest, fit->b, known->sigma, &noise, &found);
    return found;
}

enum nw_status nw_guide_find_drift(const struct guide_series *s, const struct guide_fit *fit,
                                   struct guide_known_b known, struct guide_drift *ret,
                                   struct nw_err *err) {
    double *rest = nw_calloc(s->n + 1, sizeof *rest);
    if (!rest) {
        return nw_err_set(err, NW_NOMEM, "drift of %zu samples", s->n);
    }
    struct guide_noise noise = {.ln_q = fmax(fit->ln_q, -12.0), .ln_qv = GUIDE_LN_NONE};
    take_pulses_out(s, fit->b, rest);
    const struct guide_noise_job alone = {.s = s, .rest = rest};
    fit_noise(alone, WHITE_EARNS, &noise);
    const struct guide_two given = nw_guide_noise_two(s, &noise, rest, s->x);
    const double r_rad2 = given.ee / (double)given.n;
    const struct joint found = find_joint(s, rest, fit, &known, &noise);
    const double sigma = sqrt(found.var);
    const double blocks = block_sigma(s, fit->b + found.more_b) * s->dt0_s;
    const bool is_mixed = noise.white > 0.0;
    *ret = (struct guide_drift){.rate_rad_s = found.drift / s->dt0_s,
                                .sigma_rad_s =
                                    (blocks > BLOCKS_SPEAK * sigma ? blocks : sigma) / s->dt0_s,
                                .noise_rad2 = r_rad2,
                                .white_rad2 = is_mixed ? noise.white * r_rad2 : NAN,
                                .memory = noise.rho};
    free(rest);
    return NW_OK;
}
