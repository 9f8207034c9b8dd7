/* apart_axes.c - flexure from the common elongation of the nights' subs.
 * The elongation of a frame's mean star, made a difference of variance of the axes, is a sum of
 * constants (of variance: astigmatism; of elongation: the reading), the motion of right ascension
 * less that of declination, flexure and dispersion along the vertical, which turns with the hours;
 * dispersion is known. Least squares over the fitted subs give the square of the factor of flexure,
 * whatever the seeing was. Motion takes part so that it is not taken for flexure; its own
 * coefficient comes out too small by the noise that the log has in each sub, and is not used. A
 * picture that is mirrored has e2 with the other sign: the one that fits better is taken. */
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

/* Of either component a constant variance and a constant elongation; motion; flexure. */
enum { N_CONSTANTS = 4, MOTION = 4, FLEXURE = 5, N_PARTS = 6, LEAST = 12 };
#define USUAL_CONSTANT_E 0.05
/* Of the square: bending beside the vertical; profiles that read 0.85 of the response (frames of
 * simulated nights). */
#define MODEL_SHARE 0.35
#define FLOOR_E 0.003 /* of one frame's mean vector: focus and field change a little */

struct row { /* both components: e over its response, what is known of it taken off */
    double value[2], motion[2], flexure[2], per_e, sigma;
};

struct answer {
    double value[N_PARTS], cov[N_PARTS][N_PARTS], chi2;
};

static bool fill(const struct apart_model *model, const struct nw_star_frame *frame,
                 const struct apart_sub *sub, struct row *row) {
    struct apart_response response;
    const double e_sigma = isfinite(frame->e_sigma) ? frame->e_sigma : 0.0;
    if (!sub->is_fitted || !sub->is_motion_seen || !sub->is_vertical_known ||
        !isfinite(frame->e1 + frame->e2) ||
        !apart_response_of(model, sub, &model->rig, &response)) {
        return false;
    }
    *row = (struct row){.value = {frame->e1 / response.elongation, frame->e2 / response.elongation},
                        .motion = {sub->motion_axes.plus, sub->motion_axes.cross},
                        .flexure = {sub->flexure_axes.plus, sub->flexure_axes.cross},
                        .per_e = 1.0 / response.elongation,
                        .sigma = hypot(e_sigma, FLOOR_E) / response.elongation};
    return true;
}

/* Known dispersion is taken off with the sign of the picture. */
static bool solve(const struct apart_model *model, const struct row *rows, const size_t *subs,
                  size_t n, double sign, struct answer *ret) {
    gsl_matrix *m = gsl_matrix_calloc(N_PARTS, N_PARTS);
    gsl_vector *b = gsl_vector_calloc(N_PARTS);
    bool is_good = m && b;
    double square = 0.0;
    for (size_t i = 0; is_good && i < n; i++) {
        const struct apart_axes *const known = &model->subs[subs[i]].dispersion_axes;
        for (int k = 0; k < 2; k++) {
            const double value =
                (k ? sign * rows[i].value[1] - known->cross : rows[i].value[0] - known->plus) /
                rows[i].sigma;
            const double per_sigma = 1.0 / rows[i].sigma;
            const double part[N_PARTS] = {(k == 0) * per_sigma,
                                          (k == 1) * per_sigma,
                                          (k == 0) * rows[i].per_e * per_sigma,
                                          (k == 1) * rows[i].per_e * per_sigma,
                                          rows[i].motion[k] * per_sigma,
                                          rows[i].flexure[k] * per_sigma};
            square += value * value;
            for (size_t p = 0; p < N_PARTS; p++) {
                *gsl_vector_ptr(b, p) += part[p] * value;
                for (size_t q = 0; q < N_PARTS; q++) {
                    *gsl_matrix_ptr(m, p, q) += part[p] * part[q];
                }
            }
        }
    }
    /* constants are small; a term that the subs do not have at all: nothing is said of it */
    for (size_t p = 0; is_good && p < N_PARTS; p++) {
        const double most = gsl_matrix_get(m, p, p);
        const double usual = USUAL_CONSTANT_E * (p < 2 ? rows[0].per_e : 1.0);
        const double known = p < N_CONSTANTS ? 1.0 / (usual * usual)
                             : most > 0.0    ? 1e-9 * most
                                             : 1.0;
        gsl_matrix_set(m, p, p, most + known);
    }
    gsl_vector *right = is_good ? gsl_vector_alloc(N_PARTS) : NULL;
    is_good = right && gsl_vector_memcpy(right, b) == 0 && gsl_linalg_cholesky_decomp1(m) == 0 &&
              gsl_linalg_cholesky_svx(m, b) == 0 && gsl_linalg_cholesky_invert(m) == 0;
    ret->chi2 = square;
    for (size_t p = 0; is_good && p < N_PARTS; p++) {
        ret->value[p] = gsl_vector_get(b, p);
        ret->chi2 -= gsl_vector_get(b, p) * gsl_vector_get(right, p);
        for (size_t q = 0; q < N_PARTS; q++) {
            ret->cov[p][q] = gsl_matrix_get(m, p, q);
        }
    }
    gsl_matrix_free(m);
    gsl_vector_free(b);
    gsl_vector_free(right);
    return is_good;
}

enum nw_status apart_axes(const struct nw_apart_evidence *evidence, struct apart_model *model,
                          struct nw_err *err) {
    struct nw_apart_axes *const axes = &model->axes;
    *axes = (struct nw_apart_axes){
        .motion2 = NAN, .motion_sigma2 = NAN, .flexure2 = NAN, .flexure_sigma2 = NAN};
    if (!model->prior[NW_APART_FLEXURE].is_active) {
        nw_text_copy(axes->why_null, sizeof axes->why_null,
                     "the rig file has no flexure that could be set beside it");
        return NW_OK;
    }
    struct row *rows = nw_calloc(model->n + 1, sizeof *rows);
    size_t *subs = nw_calloc(model->n + 1, sizeof *subs);
    struct answer answers[2];
    size_t n = 0;
    if (!rows || !subs) {
        free(rows);
        free(subs);
        return nw_err_set(err, NW_NOMEM, "axes of %zu subs", model->n);
    }
    for (size_t i = 0; i < model->n; i++) {
        const struct apart_sub *const sub = &model->subs[i];
        if (fill(model, &evidence->nights[sub->night].frames[sub->frame], sub, &rows[n])) {
            subs[n++] = i;
        }
    }
    axes->n_subs = n;
    if (n >= LEAST && solve(model, rows, subs, n, 1.0, &answers[0]) &&
        solve(model, rows, subs, n, -1.0, &answers[1])) {
        struct answer *const a = &answers[answers[1].chi2 < answers[0].chi2];
        const double excess = fmax(1.0, a->chi2 / (2.0 * (double)n - N_PARTS));
        for (int p = 0; p < N_PARTS; p++) {
            for (int q = 0; q < N_PARTS; q++) {
                a->cov[p][q] *= excess;
            }
        }
        a->cov[FLEXURE][FLEXURE] += pow(MODEL_SHARE * fmax(1.0, a->value[FLEXURE]), 2.0);
        axes->motion2 = a->value[MOTION];
        axes->motion_sigma2 = sqrt(a->cov[MOTION][MOTION]);
        axes->flexure2 = a->value[FLEXURE];
        axes->flexure_sigma2 = sqrt(a->cov[FLEXURE][FLEXURE]);
        struct apart_told *const told = &model->told[model->n_told++];
        *told = (struct apart_told){.ratio = axes->flexure2, .sigma = axes->flexure_sigma2};
        told->weight[NW_APART_FLEXURE] = 1.0;
    } else {
        (void)snprintf(axes->why_null, sizeof axes->why_null,
                       "%zu subs with an elongation, a guide log, a time and a place; it takes %d",
                       n, LEAST);
    }
    free(rows);
    free(subs);
    return NW_OK;
}
