/* apart_sample.c - the posterior of all terms, by four chains of adaptive Metropolis (Haario,
 * Saksman & Tamminen 2001, Bernoulli 7, 223).
 * The probability of a night is that of its latent air (apart_filter.c); each sub brings the
 * derivative of its air by its width. A sweep moves all widths and the usual air, which costs a new
 * air for every sub, then three times the law of the air alone, which costs almost nothing. */
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

enum { N_CHAINS = 4, SWEEPS_DEFAULT = 6000, LAW_MOVES = 3, TRIES = 4000, THIN = 2 };
#define ACCEPTANCE 0.25 /* Roberts, Gelman & Gilks 1997 */

/* ---- Probability ---------------------------------------------------------------------------- */

/* The latent air of every fitted sub at a point; others are not touched. */
static bool look(const struct apart_model *model, const struct apart_x *x,
                 struct apart_seen *seen) {
    for (size_t i = 0; i < model->n; i++) {
        if (model->subs[i].is_fitted && !apart_see(model, &model->subs[i], x, &seen[i])) {
            return false;
        }
    }
    return true;
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
static bool find_start(const struct apart_model *model, gsl_rng *rng, struct apart_seen *seen,
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
        memset(seen, 0, model->n * sizeof *seen);
        if (look(model, x, seen)) {
            return true;
        }
    }
    return false;
}

static void run(struct chain *chain, gsl_rng *rng, struct apart_seen *now,
                struct apart_seen *then) {
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
    double ln_p = ln_prior(model, &x) + apart_ln_nights(model, &x, now);
    const size_t warm = chain->n_sweeps / 3;
    for (size_t s = 0; s < chain->n_sweeps; s++) {
        const bool is_old = s > warm / 4;
        struct apart_x to = propose(model, &x, &widths, rng);
        memcpy(then, now, model->n * sizeof *now);
        bool is_taken = false;
        const double prior = ln_prior(model, &to);
        const double bar = ln_p + log(gsl_rng_uniform_pos(rng));
        if (isfinite(prior) && look(model, &to, then)) {
            const double value = prior + apart_ln_nights(model, &to, then);
            is_taken = value > bar;
            if (is_taken) {
                struct apart_seen *const swap = now;
                now = then;
                then = swap;
                x = to;
                ln_p = value;
            }
        }
        if (s < warm) {
            learn(model, &x, &widths, is_taken, is_old);
        }
        for (int i = 0; i < LAW_MOVES; i++) {
            to = propose(model, &x, &law, rng);
            const double value = ln_prior(model, &to) + apart_ln_nights(model, &to, now);
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
    struct apart_seen *work = nw_calloc(2 * n + 1, sizeof *work);
    chain->is_broke = !rng || !work;
    if (!chain->is_broke) {
        gsl_rng_set(rng, chain->seed);
        run(chain, rng, work, work + n);
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
