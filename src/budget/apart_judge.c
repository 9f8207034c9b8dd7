/* apart_judge.c - the verdict: subs that were not fitted are foretold.
 * The air of the fitted subs of a night is a Gaussian process (the same law as in apart_filter.c,
 * and the error that the subs of a focus run share), interpolated to the moment of the sub. */
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

enum { MAX_NIGHT = 200 };

struct gaussian {
    double mean, variance;
};

/* Of the airs at no error of the focus run: the level's, and the error's that they share. */
static double covariance(const struct apart_model *model, const struct apart_air_law *law,
                         const struct apart_airs *airs, size_t i, size_t j) {
    const struct apart_sub *const a = &model->subs[i];
    const struct apart_sub *const b = &model->subs[j];
    const bool is_same = a->run != APART_NO_RUN && a->run == b->run;
    return law->night * apart_keep(law, fabs(a->t_h - b->t_h)) +
           (is_same ? airs->bend[i] * airs->bend[j] : 0.0);
}

/* The Cholesky factor of the fitted subs of a night (indices in at[]). */
static bool factor(const struct apart_model *model, const struct apart_air_law *law,
                   const struct apart_airs *airs, const size_t *at, size_t n, gsl_matrix *m) {
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            gsl_matrix_set(m, i, j,
                           covariance(model, law, airs, at[i], at[j]) +
                               (i == j ? apart_noise(model, law, airs, at[i]) : 0.0));
        }
    }
    return gsl_linalg_cholesky_decomp1(m) == 0;
}

static void foretell(const struct apart_model *model, const struct apart_air_law *law,
                     const struct apart_airs *airs, size_t i, struct nw_apart *apart,
                     const struct gaussian *air) {
    const struct apart_sub *sub = &model->subs[i];
    const double sd = sqrt(air->variance + apart_noise(model, law, airs, i));
    const double ln =
        log(sub->width_rad) + airs->slope[i] * (air->mean - apart_air_at_none(model, airs, i));
    struct nw_apart_judged *judged = &apart->judged[apart->n_judged++];
    *judged = (struct nw_apart_judged){
        .night = sub->night,
        .t_start_utc_s = sub->t_h * 3600.0,
        .low_rad = exp(ln - 1.6449 * airs->slope[i] * sd),
        .mid_rad = exp(ln),
        .high_rad = exp(ln + 1.6449 * airs->slope[i] * sd),
        .came_rad = sub->width_rad,
    };
    apart->n_inside += judged->came_rad >= judged->low_rad && judged->came_rad <= judged->high_rad;
}

static enum nw_status judge_night(const struct apart_model *model, const struct apart_airs *airs,
                                  const struct apart_air_law *law, size_t first, size_t end,
                                  struct nw_apart *apart, struct nw_err *err) {
    size_t at[MAX_NIGHT];
    size_t n = 0;
    for (size_t i = first; i < end && n < MAX_NIGHT; i++) {
        if (model->subs[i].is_fitted && isfinite(airs->air[i])) {
            at[n++] = i;
        }
    }
    if (n == 0) {
        return NW_OK;
    }
    gsl_matrix *m = gsl_matrix_alloc(n, n);
    gsl_vector *weights = gsl_vector_alloc(n);
    gsl_vector *column = gsl_vector_alloc(n);
    enum nw_status status = NW_OK;
    if (!m || !weights || !column) {
        status = nw_err_set(err, NW_NOMEM, "a night of %zu subs", n);
        goto done;
    }
    if (!factor(model, law, airs, at, n, m)) {
        goto done; /* subs of one moment without any scatter: nothing is foretold */
    }
    for (size_t k = 0; k < n; k++) {
        gsl_vector_set(weights, k, apart_air_at_none(model, airs, at[k]) - law->mean);
    }
    (void)gsl_linalg_cholesky_svx(m, weights);
    for (size_t i = first; i < end; i++) {
        struct gaussian air = {law->mean, covariance(model, law, airs, i, i)};
        if (model->subs[i].is_fitted || !isfinite(airs->air[i])) {
            continue;
        }
        for (size_t k = 0; k < n; k++) {
            const double c = covariance(model, law, airs, i, at[k]);
            gsl_vector_set(column, k, c);
            air.mean += c * gsl_vector_get(weights, k);
        }
        (void)gsl_linalg_cholesky_svx(m, column);
        for (size_t k = 0; k < n; k++) {
            air.variance -= covariance(model, law, airs, i, at[k]) * gsl_vector_get(column, k);
        }
        air.variance = fmax(0.0, air.variance);
        foretell(model, law, airs, i, apart, &air);
    }
done:
    gsl_matrix_free(m);
    gsl_vector_free(weights);
    gsl_vector_free(column);
    return status;
}

enum nw_status apart_judge(const struct apart_model *model, const struct apart_x *best,
                           struct nw_apart *apart, struct nw_err *err) {
    const struct apart_air_law law = apart_law(best);
    struct apart_airs airs;
    apart->judged = nw_calloc(model->n + 1, sizeof *apart->judged);
    enum nw_status status = apart->judged
                                ? apart_airs_new(model, best, &airs, err)
                                : nw_err_set(err, NW_NOMEM, "%zu subs of a season", model->n);
    if (status != NW_OK) {
        return status;
    }
    for (size_t i = 0; i < model->n && status == NW_OK;) {
        size_t end = i;
        while (end < model->n && model->subs[end].night == model->subs[i].night) {
            end++;
        }
        status = judge_night(model, &airs, &law, i, end, apart, err);
        i = end;
    }
    apart_airs_done(&airs);
    return status;
}
