/* apart_sample.c - the posterior of all terms, by four chains of adaptive Metropolis (Haario,
 * Saksman & Tamminen 2001, Bernoulli 7, 223).
 * The probability of a night is that of a Kalman filter over the latent air of its fitted subs
 * (a level that wanders about the usual air and comes back to it, scatter on top; Harvey 1989,
 * ch. 3), with Huber's loss, so that one bad sub does not speak for a night; each sub brings the
 * derivative of its air by its width. A sweep moves all widths and the usual air, which costs a new
 * air for every sub, then three times the law of the air alone, which costs almost nothing. */
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

enum { N_CHAINS = 4, SWEEPS_DEFAULT = 6000, LAW_MOVES = 3, TRIES = 4000, THIN = 2 };
#define HUBER 2.5
#define ACCEPTANCE 0.25 /* Roberts, Gelman & Gilks 1997 */

struct apart_air_law apart_law(const struct apart_x *x) {
    return (struct apart_air_law){.mean = x->v[NW_APART_AIR],
                                  .night = exp(2.0 * x->v[NW_APART_NIGHTS]),
                                  .wander_h = exp(2.0 * x->v[NW_APART_WANDER]),
                                  .scatter = exp(2.0 * x->v[NW_APART_SCATTER])};
}

double apart_keep(const struct apart_air_law *law, double dt_h) {
    return exp(-0.5 * law->wander_h * fmax(0.0, dt_h) / law->night);
}

/* ---- Probability ---------------------------------------------------------------------------- */

/* The latent air of every fitted sub at a point. */
struct seen {
    double *air, *slope; /* one each of the model's subs; others are not touched */
};

static bool look(const struct apart_model *model, const struct apart_x *x, struct seen *seen) {
    for (size_t i = 0; i < model->n; i++) {
        if (model->subs[i].is_fitted &&
            !apart_air_of(model, &model->subs[i], x, &seen->air[i], &seen->slope[i])) {
            return false;
        }
    }
    return true;
}

struct filter {
    struct apart_air_law law;
    double level, variance, t_h, ln_p;
};

static void start(struct filter *filter, double t_h) {
    filter->level = filter->law.mean;
    filter->variance = filter->law.night;
    filter->t_h = t_h;
}

static void take_value(struct filter *filter, double t_h, double value, double variance) {
    const double keep = apart_keep(&filter->law, t_h - filter->t_h);
    filter->level = filter->law.mean + keep * (filter->level - filter->law.mean);
    filter->variance = keep * keep * filter->variance + (1.0 - keep * keep) * filter->law.night;
    filter->t_h = t_h;
    const double spread = filter->variance + filter->law.scatter + variance;
    const double z = (value - filter->level) / sqrt(spread);
    const double a = fabs(z);
    filter->ln_p -= 0.5 * log(spread) + (a < HUBER ? 0.5 * z * z : HUBER * (a - 0.5 * HUBER));
    const double gain = filter->variance / spread * (a > HUBER ? HUBER / a : 1.0);
    filter->level += gain * z * sqrt(spread);
    filter->variance *= 1.0 - gain;
}

/* Witnesses of this night up to a moment. */
static void take_witnesses(const struct apart_model *model, size_t night, double from_h,
                           double to_h, struct filter *filter) {
    for (size_t i = 0; i < model->n_witnesses; i++) {
        const struct nw_apart_witness *witness = &model->witnesses[i];
        const double t_h = witness->t_utc_s / 3600.0;
        if (witness->night == night && t_h >= from_h && t_h < to_h) {
            take_value(filter, fmax(t_h, filter->t_h), apart_air_value(model, witness->seeing_rad),
                       pow(witness->sigma_rad / witness->seeing_rad, 2.0));
        }
    }
}

static double ln_prior(const struct apart_model *model, const struct apart_x *x) {
    double sum = 0.0;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const struct apart_prior *prior = &model->prior[k];
        if (prior->is_active) {
            if (prior->is_positive && x->v[k] < 0.0) {
                return -INFINITY;
            }
            sum -= 0.5 * pow((x->v[k] - prior->mean) / prior->sigma, 2.0);
        }
    }
    for (size_t i = 0; i < model->n_told; i++) {
        sum -= 0.5 * pow(apart_told_off(&model->told[i], x), 2.0);
    }
    return sum;
}

static double ln_nights(const struct apart_model *model, const struct apart_x *x,
                        const struct seen *seen) {
    struct filter filter = {.law = apart_law(x)};
    size_t night = SIZE_MAX;
    for (size_t i = 0; i < model->n; i++) {
        const struct apart_sub *sub = &model->subs[i];
        if (!sub->is_fitted) {
            continue;
        }
        if (sub->night != night) {
            if (night != SIZE_MAX) {
                take_witnesses(model, night, filter.t_h, INFINITY, &filter);
            }
            night = sub->night;
            start(&filter, sub->t_h);
            take_witnesses(model, night, -INFINITY, sub->t_h, &filter);
        } else {
            take_witnesses(model, night, filter.t_h, sub->t_h, &filter);
        }
        take_value(&filter, sub->t_h, seen->air[i], pow(sub->relative_error / seen->slope[i], 2.0));
        filter.ln_p -= log(seen->slope[i]);
    }
    if (night != SIZE_MAX) {
        take_witnesses(model, night, filter.t_h, INFINITY, &filter);
    }
    return filter.ln_p;
}

/* ---- Moves ---------------------------------------------------------------------------------- */

/* Terms moved together, with what has been learned of how they go together. */
struct block {
    int terms[NW_APART_N_TERMS];
    size_t n, n_seen, n_tried, n_taken;
    double mean[NW_APART_N_TERMS];
    double cov[NW_APART_N_TERMS][NW_APART_N_TERMS];
    double chol[NW_APART_N_TERMS][NW_APART_N_TERMS];
    double ln_size;
};

static bool is_law(int term) {
    return term == NW_APART_NIGHTS || term == NW_APART_WANDER || term == NW_APART_SCATTER;
}

static void make_block(const struct apart_model *model, bool of_law, struct block *block) {
    *block = (struct block){.n = 0};
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        if (model->prior[k].is_active && (k == NW_APART_AIR || is_law(k) == of_law)) {
            block->chol[block->n][block->n] = 0.3 * model->prior[k].sigma;
            block->terms[block->n++] = k;
        }
    }
    block->ln_size = log(2.38 / sqrt((double)block->n)) - 1.0;
}

/* Cholesky factor of the covariance learned; the old one stays where it has none. */
static void learn_shape(const struct apart_model *model, struct block *block) {
    gsl_matrix *m = gsl_matrix_alloc(block->n, block->n);
    if (!m) {
        return;
    }
    for (size_t i = 0; i < block->n; i++) {
        for (size_t j = 0; j < block->n; j++) {
            const double floor_v = i == j ? pow(1e-3 * model->prior[block->terms[i]].sigma, 2) : 0;
            gsl_matrix_set(m, i, j, block->cov[i][j] / (double)(block->n_seen - 1) + floor_v);
        }
    }
    if (gsl_linalg_cholesky_decomp1(m) == 0) {
        for (size_t i = 0; i < block->n; i++) {
            for (size_t j = 0; j <= i; j++) {
                block->chol[i][j] = gsl_matrix_get(m, i, j);
            }
        }
    }
    gsl_matrix_free(m);
}

static void learn(const struct apart_model *model, const struct apart_x *x, struct block *block,
                  bool is_taken, bool is_old) {
    const double rate = 1.0 / sqrt(1.0 + (double)block->n_tried);
    block->n_tried++;
    block->ln_size += 3.0 * rate * ((is_taken ? 1.0 : 0.0) - ACCEPTANCE);
    if (!is_old) {
        return; /* the way in is not the place */
    }
    block->n_seen++;
    double before[NW_APART_N_TERMS];
    for (size_t i = 0; i < block->n; i++) {
        before[i] = x->v[block->terms[i]] - block->mean[i];
        block->mean[i] += before[i] / (double)block->n_seen;
    }
    for (size_t i = 0; i < block->n; i++) {
        for (size_t j = 0; j < block->n; j++) {
            block->cov[i][j] += before[i] * (x->v[block->terms[j]] - block->mean[j]);
        }
    }
    if (block->n_seen % 50 == 0 && block->n_seen >= 100) {
        learn_shape(model, block);
    }
}

static struct apart_x propose(const struct apart_model *model, const struct apart_x *x,
                              const struct block *block, gsl_rng *rng) {
    double kick[NW_APART_N_TERMS];
    struct apart_x to = *x;
    for (size_t i = 0; i < block->n; i++) {
        kick[i] = gsl_ran_gaussian(rng, exp(block->ln_size));
    }
    for (size_t i = 0; i < block->n; i++) {
        const int term = block->terms[i];
        for (size_t j = 0; j <= i; j++) {
            to.v[term] += block->chol[i][j] * kick[j];
        }
        to.v[term] = model->prior[term].is_positive ? fabs(to.v[term]) : to.v[term];
    }
    return to;
}

/* ---- A chain -------------------------------------------------------------------------------- */

struct chain {
    const struct apart_model *model;
    unsigned long seed;
    size_t n_sweeps;
    struct apart_x *kept; /* THIN-th sweeps of the last two thirds */
    size_t n_kept;
    struct apart_x best; /* the most probable point that was met */
    double best_ln_p;
    bool is_started;
    bool is_broke; /* no memory */
};

/* A first point that can make all stars: drawn from the priors, and ever smaller. */
static bool find_start(const struct apart_model *model, gsl_rng *rng, struct seen *seen,
                       struct apart_x *x) {
    for (int i = 0; i < TRIES; i++) {
        const double shrink = i < 50 ? 1.0 : exp(-3.0 * (i - 50.0) / TRIES);
        for (int k = 0; k < NW_APART_N_TERMS; k++) {
            const struct apart_prior *prior = &model->prior[k];
            x->v[k] = prior->mean;
            if (prior->is_active) {
                x->v[k] += gsl_ran_gaussian(rng, 0.5 * prior->sigma);
                x->v[k] = prior->is_positive ? shrink * fabs(x->v[k]) : x->v[k];
            }
        }
        memset(seen->air, 0, model->n * sizeof *seen->air);
        if (look(model, x, seen)) {
            return true;
        }
    }
    return false;
}

static void run(struct chain *chain, gsl_rng *rng, struct seen *now, struct seen *then) {
    const struct apart_model *const model = chain->model;
    struct block widths;
    struct block law;
    struct apart_x x;
    chain->is_started = find_start(model, rng, now, &x);
    if (!chain->is_started) {
        return;
    }
    make_block(model, false, &widths);
    make_block(model, true, &law);
    double ln_p = ln_prior(model, &x) + ln_nights(model, &x, now);
    const size_t warm = chain->n_sweeps / 3;
    for (size_t s = 0; s < chain->n_sweeps; s++) {
        const bool is_old = s > warm / 4;
        struct apart_x to = propose(model, &x, &widths, rng);
        memcpy(then->air, now->air, model->n * sizeof *now->air);
        bool is_taken = false;
        const double prior = ln_prior(model, &to);
        const double bar = ln_p + log(gsl_rng_uniform_pos(rng));
        if (isfinite(prior) && look(model, &to, then)) {
            const double value = prior + ln_nights(model, &to, then);
            is_taken = value > bar;
            if (is_taken) {
                const struct seen swap = *now;
                *now = *then;
                *then = swap;
                x = to;
                ln_p = value;
            }
        }
        if (s < warm) {
            learn(model, &x, &widths, is_taken, is_old);
        }
        for (int i = 0; i < LAW_MOVES; i++) {
            to = propose(model, &x, &law, rng);
            const double value = ln_prior(model, &to) + ln_nights(model, &to, now);
            is_taken = value > ln_p + log(gsl_rng_uniform_pos(rng));
            if (is_taken) {
                x = to;
                ln_p = value;
            }
            if (s < warm) {
                learn(model, &x, &law, is_taken, is_old);
            }
        }
        if (ln_p > chain->best_ln_p) {
            chain->best = x;
            chain->best_ln_p = ln_p;
        }
        if (s >= warm && (s - warm) % THIN == 0) {
            chain->kept[chain->n_kept++] = x;
        }
    }
}

static void run_chain(void *user, size_t i) {
    struct chain *const chain = &((struct chain *)user)[i];
    const size_t n = chain->model->n;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    double *work = nw_calloc(4 * n + 1, sizeof *work);
    chain->is_broke = !rng || !work;
    if (!chain->is_broke) {
        struct seen now = {work, work + n};
        struct seen then = {work + 2 * n, work + 3 * n};
        gsl_rng_set(rng, chain->seed);
        run(chain, rng, &now, &then);
    }
    free(work);
    gsl_rng_free(rng);
}

/* Gelman & Rubin 1992, Stat. Sci. 7, 457: largest over the terms. */
static double convergence(const struct apart_model *model, const struct chain *chains) {
    double worst = 1.0;
    const double n = (double)chains[0].n_kept;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        double mean[N_CHAINS] = {0};
        double within = 0.0;
        double all = 0.0;
        double between = 0.0;
        if (!model->prior[k].is_active) {
            continue;
        }
        for (int c = 0; c < N_CHAINS; c++) {
            for (size_t i = 0; i < chains[c].n_kept; i++) {
                mean[c] += chains[c].kept[i].v[k] / n;
            }
            for (size_t i = 0; i < chains[c].n_kept; i++) {
                within += pow(chains[c].kept[i].v[k] - mean[c], 2.0) / (n - 1.0) / N_CHAINS;
            }
            all += mean[c] / N_CHAINS;
        }
        for (int c = 0; c < N_CHAINS; c++) {
            between += pow(mean[c] - all, 2.0) / (N_CHAINS - 1.0);
        }
        worst = fmax(worst, sqrt((n - 1.0) / n + between / within));
    }
    return worst;
}

enum nw_status apart_sample(const struct apart_model *model, const struct nw_apart_opts *opts,
                            struct apart_samples *ret, struct nw_err *err) {
    struct chain chains[N_CHAINS];
    const size_t n_sweeps = opts->n_sweeps ? opts->n_sweeps : SWEEPS_DEFAULT;
    const size_t room = n_sweeps; /* more than is kept */
    struct apart_x *x = nw_calloc(N_CHAINS * room, sizeof *x);
    if (!x) {
        return nw_err_set(err, NW_NOMEM, "%zu sweeps of the season", n_sweeps);
    }
    for (size_t c = 0; c < N_CHAINS; c++) {
        chains[c] = (struct chain){.model = model,
                                   .seed = (opts->seed ? opts->seed : 1) * 1000 + c,
                                   .n_sweeps = n_sweeps,
                                   .best_ln_p = -INFINITY,
                                   .kept = x + c * room};
    }
    (void)nw_parallel_for(N_CHAINS, opts->n_threads, run_chain, chains, NULL);
    size_t n = 0;
    for (size_t c = 0; c < N_CHAINS; c++) {
        if (chains[c].is_broke || !chains[c].is_started) {
            const enum nw_status status =
                chains[c].is_broke
                    ? nw_err_set(err, NW_NOMEM, "a chain of %zu subs", model->n)
                    : nw_err_set(err, NW_DATA,
                                 "some stars are narrower than everything but the air foretells: "
                                 "a line of the rig file is too wide, or the scale is wrong");
            free(x);
            return status;
        }
    }
    *ret = (struct apart_samples){.x = x, .convergence = convergence(model, chains)};
    size_t best = 0;
    for (size_t c = 0; c < N_CHAINS; c++) {
        best = chains[c].best_ln_p > chains[best].best_ln_p ? c : best;
        memmove(x + n, chains[c].kept, chains[c].n_kept * sizeof *x);
        n += chains[c].n_kept;
    }
    ret->n = n;
    ret->best = chains[best].best;
    return NW_OK;
}
