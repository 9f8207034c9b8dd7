/* apart.c - the widths of many nights taken apart, put together: see apart.h. */
#include "budget/apart.h"

#include <gsl/gsl_linalg.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

enum { SUBS_LEAST = 12, PRIOR_DRAWS = 4000 };
/* How true the motion of guide logs is on the whole, once the noise of each sub is off: what the
 * widths tell is the product (bench/apart.c, logs with 10 % of noise in a sub's variance). */
#define LOG_TRUE 0.05
#define MORE_NIGHTS_MOST 64.0 /* times as many as there are */

static const struct {
    const char *name, *label;
    enum nw_star_line_id line;
} TERMS[NW_APART_N_TERMS] = {
#define X(name, id, label, line) {id, label, line},
    NW_APART_TERM_LIST(X)
#undef X
};

const char *nw_apart_term_name(enum nw_apart_term_id id) {
    return TERMS[id].name;
}

enum nw_star_line_id nw_apart_term_line(enum nw_apart_term_id id) {
    return TERMS[id].line;
}

/* ---- What a point means --------------------------------------------------------------------- */

/* Mean square over the subs of the width alone; EXTRA is a square of its own. */
static double square_of(const struct apart_model *model, const struct apart_x *x,
                        enum nw_apart_term_id term) {
    if (term == NW_APART_EXTRA || term == NW_APART_CHANGE) {
        return x->v[term] / (NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD);
    }
    double sum[2] = {0.0, 0.0};
    double n[2] = {0.0, 0.0};
    for (size_t i = 0; i < model->n; i++) {
        const size_t other = model->subs[i].filter > 0;
        sum[other] += pow(apart_width_rad(model, &model->subs[i], x, term), 2.0);
        n[other] += 1.0;
    }
    return n[0] > 0.0 ? sum[0] / n[0] : sum[1] / n[1];
}

bool apart_is_square(enum nw_apart_term_id term) {
    return term != NW_APART_SETTLING && term != NW_APART_NIGHTS && term != NW_APART_WANDER &&
           term != NW_APART_SCATTER;
}

/* In the units of nw_apart_term; `mean`: mean squares at scale 1, so that no sub is visited. */
static double told(const struct apart_model *model, const struct apart_x *x, const double *mean,
                   enum nw_apart_term_id term) {
    switch (term) {
    case NW_APART_EXTRA:
    case NW_APART_CHANGE:
        return square_of(model, x, term);
    case NW_APART_AIR:
        return apart_seeing_rad(model, x->v[term]);
    case NW_APART_SETTLING:
    case NW_APART_NIGHTS:
    case NW_APART_WANDER:
    case NW_APART_SCATTER:
        return exp(x->v[term]);
    case NW_APART_LOCAL_AIR:
        return x->v[term] / NW_ARCSEC_PER_RAD;
    default:
        return x->v[term] * sqrt(mean[term]);
    }
}

/* What a term adds to the square of the width, for its correlations; NaN for those that add none.
 */
static double added(const struct apart_model *model, const struct apart_x *x, const double *mean,
                    enum nw_apart_term_id term) {
    if (!apart_is_square(term)) {
        return NAN;
    }
    if (term == NW_APART_EXTRA || term == NW_APART_CHANGE || term == NW_APART_LOCAL_AIR) {
        return square_of(model, x, term);
    }
    return term == NW_APART_AIR ? mean[term] * exp(2.0 * x->v[term])
                                : mean[term] * x->v[term] * x->v[term];
}

static void mean_squares(const struct apart_model *model, double *mean) {
    struct apart_x one;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        one.v[k] = k == NW_APART_AIR ? 0.0 : 1.0;
        mean[k] = NAN;
    }
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        if (apart_is_square((enum nw_apart_term_id)k) && k != NW_APART_EXTRA &&
            k != NW_APART_CHANGE) {
            mean[k] = square_of(model, &one, (enum nw_apart_term_id)k);
        }
    }
}

/* ---- The terms ------------------------------------------------------------------------------ */

static struct apart_x draw_prior(const struct apart_model *model, gsl_rng *rng) {
    struct apart_x x;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const struct apart_prior *prior = &model->prior[k];
        x.v[k] = prior->mean;
        if (prior->is_active) {
            do {
                x.v[k] = prior->mean + gsl_ran_gaussian(rng, prior->sigma);
            } while (prior->is_positive && x.v[k] < 0.0);
        }
    }
    return x;
}

struct spread { /* of one term, over the priors and over the posterior */
    double mean, sd;
};

static struct spread spread_of(const double *values, size_t n) {
    const double mean = nw_stat_mean(values, n);
    return (struct spread){mean, nw_stat_sd(values, n, mean)};
}

static void tell_term(const struct apart_prior *prior, double *after, size_t n, double *before,
                      size_t n_before, struct nw_apart_term *term) {
    const struct spread post = spread_of(after, n);
    const struct spread first = spread_of(before, n_before);
    term->is_present = prior->is_active;
    term->value = post.mean;
    term->sigma = prior->is_active ? post.sd : 0.0;
    term->low = nw_stat_quantile(after, n, 0.05);
    term->median = nw_stat_quantile(after, n, 0.5);
    term->high = nw_stat_quantile(after, n, 0.95);
    term->prior = first.mean;
    term->prior_sigma = first.sd;
    const double learned =
        sqrt(fmax(0.09 * first.sd * first.sd, first.sd * first.sd - post.sd * post.sd));
    term->surprise = first.sd > 0.0 ? (post.mean - first.mean) / learned : 0.0;
}

/* Columns of what each term adds to the square, one after the other; sd and correlations. */
static void correlate(const double *columns, size_t n, struct nw_apart *apart) {
    struct spread spread[NW_APART_N_TERMS];
    for (size_t a = 0; a < NW_APART_N_TERMS; a++) {
        spread[a] = spread_of(columns + a * n, n);
        apart->sensitivity_rad2[a] = spread[a].sd;
    }
    for (size_t a = 0; a < NW_APART_N_TERMS; a++) {
        for (size_t b = 0; b < NW_APART_N_TERMS; b++) {
            double sum = 0.0;
            for (size_t i = 0; i < n; i++) {
                sum +=
                    (columns[a * n + i] - spread[a].mean) * (columns[b * n + i] - spread[b].mean);
            }
            apart->correlation[a][b] = spread[a].sd > 0.0 && spread[b].sd > 0.0
                                           ? sum / ((double)(n - 1) * spread[a].sd * spread[b].sd)
                                           : NAN;
        }
    }
}

/* ---- How many nights more ------------------------------------------------------------------- */

struct knowledge {
    size_t n;
    int terms[NW_APART_N_TERMS];
    gsl_matrix *data; /* in units of the priors' sd: precision that these nights brought */
};

/* P^-1 - 1 in the priors' units; what noise makes negative is none. */
static enum nw_status learn_data(const struct nw_apart *apart, const struct spread *prior,
                                 struct knowledge *know, struct nw_err *err) {
    const size_t n = know->n;
    gsl_matrix *cov = gsl_matrix_alloc(n, n);
    gsl_matrix *vectors = gsl_matrix_alloc(n, n);
    gsl_vector *values = gsl_vector_alloc(n);
    enum nw_status status = NW_OK;
    if (!cov || !vectors || !values) {
        status = nw_err_set(err, NW_NOMEM, "correlations of %zu terms", n);
        goto done;
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            const int a = know->terms[i];
            const int b = know->terms[j];
            gsl_matrix_set(cov, i, j,
                           apart->correlation[a][b] * apart->sensitivity_rad2[a] *
                               apart->sensitivity_rad2[b] / (prior[a].sd * prior[b].sd));
        }
    }
    /* of a covariance the singular values are the eigenvalues */
    (void)gsl_linalg_SV_decomp_jacobi(cov, vectors, values);
    gsl_matrix_set_zero(know->data);
    for (size_t k = 0; k < n; k++) {
        const double more = fmax(0.0, 1.0 / fmax(1e-9, gsl_vector_get(values, k)) - 1.0);
        for (size_t i = 0; i < n; i++) {
            for (size_t j = 0; j < n; j++) {
                *gsl_matrix_ptr(know->data, i, j) +=
                    more * gsl_matrix_get(vectors, i, k) * gsl_matrix_get(vectors, j, k);
            }
        }
    }
done:
    gsl_matrix_free(cov);
    gsl_matrix_free(vectors);
    gsl_vector_free(values);
    return status;
}

/* Correlation of two terms when the nights are `times` as many. */
static double correlation_then(const struct knowledge *know, size_t a, size_t b, double times) {
    const size_t n = know->n;
    gsl_matrix *m = gsl_matrix_alloc(n, n);
    double r = NAN;
    if (!m) {
        return NAN;
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            gsl_matrix_set(m, i, j, times * gsl_matrix_get(know->data, i, j) + (i == j));
        }
    }
    if (gsl_linalg_cholesky_decomp1(m) == 0 && gsl_linalg_cholesky_invert(m) == 0) {
        r = gsl_matrix_get(m, a, b) / sqrt(gsl_matrix_get(m, a, a) * gsl_matrix_get(m, b, b));
    }
    gsl_matrix_free(m);
    return r;
}

static double nights_needed(const struct knowledge *know, size_t a, size_t b, double n_nights) {
    double low = 1.0;
    double high = MORE_NIGHTS_MOST;
    if (!(fabs(correlation_then(know, a, b, high)) < NW_APART_CORRELATED)) {
        return INFINITY;
    }
    for (int i = 0; i < 20; i++) {
        const double middle = sqrt(low * high);
        *(fabs(correlation_then(know, a, b, middle)) < NW_APART_CORRELATED ? &high : &low) = middle;
    }
    return ceil(high * n_nights);
}

static int by_strength(const void *a, const void *b) {
    const double x = fabs(((const struct nw_apart_pair *)a)->correlation);
    const double y = fabs(((const struct nw_apart_pair *)b)->correlation);
    return (x < y) - (x > y);
}

static enum nw_status find_pairs(const struct spread *prior, struct nw_apart *apart,
                                 struct nw_err *err) {
    struct knowledge know = {.n = 0};
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        if (apart->terms[k].is_present && apart->sensitivity_rad2[k] > 0.0 && prior[k].sd > 0.0) {
            know.terms[know.n++] = k;
        }
    }
    apart->pairs = nw_calloc(know.n * know.n + 1, sizeof *apart->pairs);
    know.data = know.n ? gsl_matrix_alloc(know.n, know.n) : NULL;
    if (!apart->pairs || (know.n && !know.data)) {
        gsl_matrix_free(know.data);
        return nw_err_set(err, NW_NOMEM, "pairs of %zu terms", know.n);
    }
    enum nw_status status = know.n ? learn_data(apart, prior, &know, err) : NW_OK;
    for (size_t i = 0; i < know.n && status == NW_OK; i++) {
        for (size_t j = i + 1; j < know.n; j++) {
            const double r = apart->correlation[know.terms[i]][know.terms[j]];
            if (fabs(r) > NW_APART_CORRELATED) {
                apart->pairs[apart->n_pairs++] = (struct nw_apart_pair){
                    .a = (enum nw_apart_term_id)know.terms[i],
                    .b = (enum nw_apart_term_id)know.terms[j],
                    .correlation = r,
                    .nights_needed = nights_needed(&know, i, j, (double)apart->n_nights)};
            }
        }
    }
    qsort(apart->pairs, apart->n_pairs, sizeof *apart->pairs, by_strength);
    gsl_matrix_free(know.data);
    return status;
}

/* ---- Together ------------------------------------------------------------------------------- */

enum nw_status apart_tell(const struct apart_model *model, const struct apart_samples *samples,
                          struct nw_apart *apart, struct nw_err *err) {
    const size_t n = samples->n;
    enum nw_status status = NW_OK;
    double mean[NW_APART_N_TERMS];
    struct spread prior[NW_APART_N_TERMS];
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct apart_x *drawn = nw_calloc(PRIOR_DRAWS, sizeof *drawn);
    double *work = nw_calloc((NW_APART_N_TERMS + 1) * n + PRIOR_DRAWS, sizeof *work);
    if (!rng || !drawn || !work) {
        status = nw_err_set(err, NW_NOMEM, "%zu samples of a season", n);
        goto done;
    }
    double *const after = work + NW_APART_N_TERMS * n;
    double *const before = after + n;
    mean_squares(model, mean);
    for (size_t i = 0; i < PRIOR_DRAWS; i++) {
        drawn[i] = draw_prior(model, rng);
    }
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const enum nw_apart_term_id id = (enum nw_apart_term_id)k;
        for (size_t i = 0; i < n; i++) {
            struct apart_x x = samples->x[i];
            x.v[k] *= id == NW_APART_MOTION && model->prior[k].is_active
                          ? 1.0 + gsl_ran_gaussian(rng, LOG_TRUE)
                          : 1.0;
            after[i] = told(model, &x, mean, id);
            const double square = added(model, &x, mean, id);
            work[(size_t)k * n + i] = isfinite(square) ? square : 0.0;
        }
        for (size_t i = 0; i < PRIOR_DRAWS; i++) {
            const double square = added(model, &drawn[i], mean, id);
            before[i] = isfinite(square) ? square : 0.0;
        }
        prior[k] = spread_of(before, PRIOR_DRAWS);
        for (size_t i = 0; i < PRIOR_DRAWS; i++) {
            before[i] = told(model, &drawn[i], mean, id);
        }
        apart->terms[k].id = id;
        apart->terms[k].name = TERMS[k].name;
        apart->terms[k].label = TERMS[k].label;
        apart->terms[k].rig = told(model, &model->rig, mean, id);
        tell_term(&model->prior[k], after, n, before, PRIOR_DRAWS, &apart->terms[k]);
    }
    correlate(work, n, apart);
    status = find_pairs(prior, apart, err);
    apart->convergence = samples->convergence;
    const struct nw_apart_term *extra = &apart->terms[NW_APART_EXTRA];
    apart->unexplained_rad2 = extra->value;
    apart->unexplained_sigma_rad2 = extra->sigma;
    apart->could_hide_rad = sqrt(fmax(0.0, extra->value + 1.6449 * extra->sigma));
done:
    free(work);
    free(drawn);
    gsl_rng_free(rng);
    return status;
}

/* The likeliest scatter and wander are less than the usual ones: bands take the mean. */
static void whole_law(struct apart_samples *samples) {
    static const int LAW[] = {NW_APART_NIGHTS, NW_APART_WANDER, NW_APART_SCATTER};
    for (size_t k = 0; k < sizeof LAW / sizeof *LAW; k++) {
        double sum = 0.0;
        for (size_t i = 0; i < samples->n; i++) {
            sum += samples->x[i].v[LAW[k]];
        }
        samples->best.v[LAW[k]] = sum / (double)samples->n;
    }
}

static enum nw_status fill(const struct apart_model *model, const struct nw_apart_opts *opts,
                           struct nw_apart *apart, struct nw_err *err) {
    struct apart_samples samples = {.n = 0};
    enum nw_status status = apart_sample(model, opts, &samples, err);
    if (status == NW_OK) {
        status = apart_tell(model, &samples, apart, err);
    }
    if (status == NW_OK) {
        whole_law(&samples);
        status = apart_settle(model, &samples.best, apart, err);
    }
    if (status == NW_OK) {
        status = apart_judge(model, &samples.best, apart, err);
        if (status == NW_OK) {
            status = apart_patterns(model, &samples.best, apart, err);
            apart_find_notices(apart);
        }
    }
    free(samples.x);
    return status;
}

static enum nw_status check_filters(const struct nw_apart_evidence *evidence, struct nw_err *err) {
    if (evidence->n_filters > NW_APART_FILTERS) {
        return nw_err_set(err, NW_DOMAIN, "%zu filters, expected at most %d", evidence->n_filters,
                          NW_APART_FILTERS);
    }
    const size_t n_filters = evidence->n_filters > 0 ? evidence->n_filters : 1;
    for (size_t k = 0; k < evidence->n_nights; k++) {
        const struct nw_apart_night *const night = &evidence->nights[k];
        for (size_t i = 0; night->filters && i < night->n; i++) {
            if (night->filters[i] >= n_filters) {
                return nw_err_set(err, NW_DOMAIN, "night %zu, sub %zu: filter %zu of %zu", k + 1,
                                  i + 1, night->filters[i] + 1, n_filters);
            }
        }
    }
    return NW_OK;
}

enum nw_status nw_apart_new(const struct nw_rig *rig, const struct nw_setup *setup,
                            const struct nw_apart_evidence *evidence,
                            const struct nw_apart_opts *opts, struct nw_apart **ret,
                            struct nw_err *err) {
    struct apart_model model = {.n = 0};
    struct nw_apart *apart = nw_calloc(1, sizeof *apart);
    if (!apart) {
        return nw_err_set(err, NW_NOMEM, "season");
    }
    enum nw_status status = check_filters(evidence, err);
    if (status == NW_OK) {
        status = apart_model_new(rig, setup, evidence, opts->max_subs, &model, err);
    }
    if (status == NW_OK) {
        size_t night = SIZE_MAX;
        for (size_t i = 0; i < model.n; i++) {
            apart->n_fitted += model.subs[i].is_fitted;
            apart->n_other_filters += model.subs[i].filter > 0;
            apart->n_nights += model.subs[i].night != night;
            night = model.subs[i].night;
        }
        apart->n_subs = model.n;
        apart->n_spoiled = model.n_spoiled;
        apart->zones = model.zones;
        apart->axes = model.axes;
        apart->n_left_out = model.n_without;
        apart->settled_s = apart->unexplained_rad2 = apart->unexplained_sigma_rad2 = NAN;
        apart->could_hide_rad = apart->convergence = NAN;
        if (apart->n_fitted < SUBS_LEAST) {
            (void)snprintf(apart->why_null, sizeof apart->why_null,
                           "%zu subs with a time and a width; it takes %d", model.n,
                           2 * SUBS_LEAST);
        } else {
            status = fill(&model, opts, apart, err);
            apart_mark_told(&model, evidence, apart);
        }
    }
    apart_model_done(&model);
    if (status == NW_OK) {
        *ret = apart;
    } else {
        nw_apart_free(apart);
    }
    return status;
}

void nw_apart_free(struct nw_apart *apart) {
    if (apart) {
        free(apart->pairs);
        free(apart->judged);
        free(apart);
    }
}
