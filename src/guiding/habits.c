/* habits.c - sluggish or eager, and where the star stands by the direction of the pulses.
 * Idea: the best that a loop can do with a delay of one sample leaves errors that do not know of
 * each other (Astrom 1970, Introduction to Stochastic Control Theory, ch. 6: minimum variance;
 * Harris 1989, Can. J. Chem. Eng. 67, 856: memory in the errors measures the loop). Errors that
 * resemble the one before: too little is corrected; that contradict it: too much.
 * Holds: breaks are not bridged; sigmas allow for the memory of the errors. */
#include <math.h>

#include "guiding/selfcheck.h"

#define MEMORY_MATTERS 0.15
#define SIGMAS 3.0
#define BIAS_MATTERS 0.3 /* of the scatter */
#define ONE_SIDED 0.9

enum { LAGS = 61 };

/* Autocorrelation at lags 0 .. LAGS-1 inside runs. */
static void correlate(const struct guide_series *s, double *ret_r, double *ret_n) {
    const double mean = nw_stat_mean(s->e_rad, s->n);
    double sum[LAGS] = {0};
    double count[LAGS] = {0};
    size_t in_run = 0;
    for (size_t k = 0; k < s->n; k++) {
        in_run = s->starts[k] ? 0 : in_run + 1;
        for (size_t lag = 0; lag < LAGS && lag <= in_run && lag <= k; lag++) {
            sum[lag] += (s->e_rad[k] - mean) * (s->e_rad[k - lag] - mean);
            count[lag] += 1.0;
        }
    }
    for (size_t lag = 0; lag < LAGS; lag++) {
        ret_r[lag] =
            sum[0] > 0.0 && count[lag] > 0.0 ? sum[lag] / count[lag] / (sum[0] / count[0]) : NAN;
    }
    *ret_n = count[1];
}

/* Time from the first lag on in which the correlation falls by e: noise is only in lag 0. */
static double forget_s(const double *r, double dt_s) {
    for (size_t lag = 2; lag < LAGS; lag++) {
        const double level = r[1] * exp(-1.0);
        if (r[lag] <= level) {
            const double part = (r[lag - 1] - level) / (r[lag - 1] - r[lag]);
            return ((double)(lag - 2) + part) * dt_s;
        }
    }
    return NAN; /* longer than is looked for */
}

/* Mean error while the last pulse was + or -. */
static void find_sides(const struct guide_checked *in, double inflate, struct nw_guide_habits *h) {
    double sum[2] = {0.0, 0.0};
    double n[2] = {0.0, 0.0};
    double sent_s[2] = {0.0, 0.0};
    int side = -1;
    const struct guide_series *s = in->s;
    for (size_t k = 1; k < s->n; k++) {
        const double p = in->sent_s[k] - in->sent_s[k - 1];
        if (fabs(p) > 0.0) {
            side = p > 0.0;
            h->n_pulses[side]++;
            sent_s[side] += fabs(p);
        }
        if (side >= 0) {
            sum[side] += s->e_rad[k];
            n[side] += 1.0;
        }
    }
    const double all_s = sent_s[0] + sent_s[1];
    h->plus_share = all_s > 0.0 ? sent_s[1] / all_s : NAN;
    double *const mean[2] = {&h->minus_rad, &h->plus_rad};
    double *const sigma[2] = {&h->minus_sigma_rad, &h->plus_sigma_rad};
    const double rms = nw_stat_sd(s->e_rad, s->n, nw_stat_mean(s->e_rad, s->n));
    for (int i = 0; i < 2; i++) {
        if (n[i] >= 2.0) {
            *mean[i] = sum[i] / n[i];
            *sigma[i] = rms * sqrt(inflate / n[i]);
        }
    }
    const double mean_sigma_rad = rms * sqrt(inflate / (double)s->n);
    h->is_biased =
        fabs(nw_stat_mean(s->e_rad, s->n)) > fmax(BIAS_MATTERS * rms, SIGMAS * mean_sigma_rad);
    h->is_one_sided = h->plus_share > ONE_SIDED || h->plus_share < 1.0 - ONE_SIDED;
}

void nw_guide_find_habits(const struct guide_checked *in, struct nw_guide_habits *ret) {
    const struct guide_series *s = in->s;
    if (s->n < GUIDE_SAMPLES_MIN) {
        return;
    }
    double r[LAGS];
    double n = 0.0;
    correlate(s, r, &n);
    if (!(n >= GUIDE_SAMPLES_MIN / 2.0) || isnan(r[1])) {
        return;
    }
    ret->memory = r[1];
    ret->memory_sigma = 1.0 / sqrt(n);
    const bool is_seen = fabs(r[1]) > SIGMAS * ret->memory_sigma;
    ret->forget_s = is_seen && r[1] > 0.0 ? forget_s(r, s->dt0_s) : NAN;
    if (!in->sent_s) {
        return;
    }
    ret->is_sluggish = is_seen && r[1] > MEMORY_MATTERS;
    ret->is_eager = is_seen && r[1] < -MEMORY_MATTERS;
    double inflate = 1.0; /* variance of a mean of errors with a memory */
    for (size_t lag = 1; lag < LAGS && r[lag] > 2.0 * ret->memory_sigma; lag++) {
        inflate += 2.0 * r[lag];
    }
    find_sides(in, inflate, ret);
}
