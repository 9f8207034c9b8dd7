/* apart_filter.c - the probability of the nights: a Kalman filter over the latent air of the fitted
 * subs (a level that wanders about the usual air and comes back to it, scatter on top; Harvey 1989,
 * ch. 3), with Huber's loss, so that one bad sub does not speak for a night.
 * What a focus run was off stays until the next one, and adds to the drift before both are a disc:
 * neither small nor linear. The filter is therefore run for some errors of the run at once, each
 * with its own level; at the end of a run they become one again, with the mean and variance of
 * their mixture (Gaussian sum filter, Alspach & Sorenson 1972, IEEE Trans. Autom. Control 17, 439).
 * Variances and gains are the same for all, so that the price is a few multiplications. */
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

#define HUBER 2.5
#define ERROR_STEP 0.5
enum { MIDDLE = APART_ERRORS / 2 };

struct apart_air_law apart_law(const struct apart_x *x) {
    return (struct apart_air_law){.mean = x->v[NW_APART_AIR],
                                  .night = exp(2.0 * x->v[NW_APART_NIGHTS]),
                                  .wander_h = exp(2.0 * x->v[NW_APART_WANDER]),
                                  .scatter = exp(2.0 * x->v[NW_APART_SCATTER])};
}

double apart_keep(const struct apart_air_law *law, double dt_h) {
    return exp(-0.5 * law->wander_h * fmax(0.0, dt_h) / law->night);
}

struct filter {
    struct apart_air_law law;
    size_t run;
    double error[APART_ERRORS], ln_prior[APART_ERRORS];
    double level[APART_ERRORS], ln_weight[APART_ERRORS]; /* of each error */
    double variance, t_h, ln_p;
    double *told; /* the likeliest error of each run, or NULL */
};

static void new_run(struct filter *filter, size_t run) {
    filter->run = run;
    memcpy(filter->ln_weight, filter->ln_prior, sizeof filter->ln_prior);
}

static void new_filter(const struct apart_x *x, struct filter *filter) {
    double sum = 0.0;
    *filter = (struct filter){.law = apart_law(x)};
    for (int j = 0; j < APART_ERRORS; j++) {
        filter->error[j] = ERROR_STEP * (j - MIDDLE);
        sum += exp(-0.5 * filter->error[j] * filter->error[j]);
    }
    for (int j = 0; j < APART_ERRORS; j++) {
        filter->ln_prior[j] = -0.5 * filter->error[j] * filter->error[j] - log(sum);
    }
    new_run(filter, APART_NO_RUN);
}

/* The top of the parabola through the largest weight and its neighbours. */
static double likeliest(const struct filter *filter) {
    int best = 0;
    for (int j = 1; j < APART_ERRORS; j++) {
        best = filter->ln_weight[j] > filter->ln_weight[best] ? j : best;
    }
    if (best == 0 || best == APART_ERRORS - 1) {
        return filter->error[best];
    }
    const double *w = &filter->ln_weight[best];
    const double bend = w[1] - 2.0 * w[0] + w[-1];
    return filter->error[best] - (bend < 0.0 ? ERROR_STEP * 0.5 * (w[1] - w[-1]) / bend : 0.0);
}

/* All errors of the run that ends become one level. */
static void merge(struct filter *filter, size_t next) {
    double most = -INFINITY;
    double weight[APART_ERRORS];
    double sum = 0.0;
    double mean = 0.0;
    double square = 0.0;
    if (filter->told && filter->run != APART_NO_RUN) {
        filter->told[filter->run] = likeliest(filter);
    }
    for (int j = 0; j < APART_ERRORS; j++) {
        most = fmax(most, filter->ln_weight[j]);
    }
    for (int j = 0; j < APART_ERRORS; j++) {
        weight[j] = exp(filter->ln_weight[j] - most);
        sum += weight[j];
        mean += weight[j] * filter->level[j];
    }
    mean /= sum;
    for (int j = 0; j < APART_ERRORS; j++) {
        const double off = filter->level[j] - mean;
        square += weight[j] * off * off;
        filter->level[j] = mean;
    }
    filter->variance += square / sum;
    filter->ln_p += most + log(sum);
    new_run(filter, next);
}

static void start(struct filter *filter, double t_h) {
    for (int j = 0; j < APART_ERRORS; j++) {
        filter->level[j] = filter->law.mean;
    }
    filter->variance = filter->law.night;
    filter->t_h = t_h;
}

/* An air that was seen, with its own variance and that of the scatter. */
static void take_value(struct filter *filter, double t_h, const struct apart_seen *seen,
                       double variance) {
    const double mean = filter->law.mean;
    const double keep = apart_keep(&filter->law, t_h - filter->t_h);
    filter->variance = keep * keep * filter->variance + (1.0 - keep * keep) * filter->law.night;
    filter->t_h = t_h;
    const double spread = filter->variance + filter->law.scatter + variance;
    const double gain = filter->variance / spread;
    const double per_sd = 1.0 / sqrt(spread);
    double trust = 0.0; /* of the error that it fits best */
    for (int j = 0; j < APART_ERRORS; j++) {
        const double e = filter->error[j];
        const double level = mean + keep * (filter->level[j] - mean);
        const double off = seen->air + e * (seen->bend[0] + e * seen->bend[1]) - level;
        const double a = fabs(off) * per_sd;
        const double share = a > HUBER ? HUBER / a : 1.0;
        filter->ln_weight[j] -= 0.5 * share * a * (2.0 * a - share * a) +
                                e * (seen->ln_slope[0] + e * seen->ln_slope[1]);
        filter->level[j] = level + gain * share * off;
        trust = share > trust ? share : trust;
    }
    filter->ln_p -= 0.5 * log(spread);
    filter->variance *= 1.0 - gain * trust;
}

/* Witnesses of this night up to a moment. */
static void take_witnesses(const struct apart_model *model, size_t night, double from_h,
                           double to_h, struct filter *filter) {
    for (size_t i = 0; i < model->n_witnesses; i++) {
        const struct nw_apart_witness *witness = &model->witnesses[i];
        const double t_h = witness->t_utc_s / 3600.0;
        if (witness->night == night && t_h >= from_h && t_h < to_h) {
            const struct apart_seen seen = {.air = apart_air_value(model, witness->seeing_rad)};
            take_value(filter, fmax(t_h, filter->t_h), &seen,
                       pow(witness->sigma_rad / witness->seeing_rad, 2.0));
        }
    }
}

static void take_nights(const struct apart_model *model, const struct apart_seen *seen,
                        struct filter *filter) {
    size_t night = SIZE_MAX;
    for (size_t i = 0; i < model->n; i++) {
        const struct apart_sub *sub = &model->subs[i];
        if (!sub->is_fitted) {
            continue;
        }
        if (sub->night != night) {
            if (night != SIZE_MAX) {
                take_witnesses(model, night, filter->t_h, INFINITY, filter);
                merge(filter, APART_NO_RUN);
            }
            night = sub->night;
            start(filter, sub->t_h);
            take_witnesses(model, night, -INFINITY, sub->t_h, filter);
        } else {
            take_witnesses(model, night, filter->t_h, sub->t_h, filter);
        }
        if (sub->run != filter->run) {
            merge(filter, sub->run);
        }
        take_value(filter, sub->t_h, &seen[i], pow(sub->relative_error / seen[i].slope, 2.0));
        filter->ln_p -= log(seen[i].slope);
    }
    if (night != SIZE_MAX) {
        take_witnesses(model, night, filter->t_h, INFINITY, filter);
        merge(filter, APART_NO_RUN);
    }
}

double apart_ln_nights(const struct apart_model *model, const struct apart_x *x,
                       const struct apart_seen *seen) {
    struct filter filter;
    new_filter(x, &filter);
    take_nights(model, seen, &filter);
    return filter.ln_p;
}

void apart_run_errors(const struct apart_model *model, const struct apart_x *x,
                      const struct apart_seen *seen, double *error) {
    struct filter filter;
    new_filter(x, &filter);
    filter.told = error;
    memset(error, 0, model->n_runs * sizeof *error);
    take_nights(model, seen, &filter);
}
