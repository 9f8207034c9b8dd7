/* apart_airs.c - the air behind every sub of a season at one point of the terms, with the error of
 * each focus run as the fitted subs tell it, and what the air does when that error is another. */
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

#define BEND_STEP 0.05 /* of a standard error of a run */

double apart_run_error(const struct apart_airs *airs, const struct apart_sub *sub) {
    return sub->run != APART_NO_RUN ? airs->error[sub->run] : 0.0;
}

void apart_look_at(const struct apart_model *model, const struct apart_x *x,
                   struct apart_airs *airs) {
    for (size_t i = 0; i < model->n; i++) {
        const struct apart_sub *const sub = &model->subs[i];
        const double error = apart_run_error(airs, sub);
        double more = airs->air[i] = x->v[NW_APART_AIR];
        double slope;
        airs->bend[i] = 0.0;
        if (!apart_air_of(model, sub, x, error, &airs->air[i], &airs->slope[i])) {
            airs->air[i] = airs->slope[i] = NAN;
        } else if (sub->run != APART_NO_RUN) {
            more = airs->air[i];
            if (apart_air_of(model, sub, x, error + BEND_STEP, &more, &slope)) {
                airs->bend[i] = (more - airs->air[i]) / BEND_STEP;
            }
        }
    }
}

enum nw_status apart_airs_new(const struct apart_model *model, const struct apart_x *x,
                              struct apart_airs *ret, struct nw_err *err) {
    double *work = nw_calloc(3 * model->n + model->n_runs + 1, sizeof *work);
    struct apart_seen *seen = nw_calloc(model->n + 1, sizeof *seen);
    if (!work || !seen) {
        free(work);
        free(seen);
        return nw_err_set(err, NW_NOMEM, "%zu subs of a season", model->n);
    }
    *ret = (struct apart_airs){work, work + model->n, work + 2 * model->n, work + 3 * model->n};
    bool is_seen = true;
    for (size_t i = 0; i < model->n && is_seen; i++) {
        is_seen = !model->subs[i].is_fitted || apart_see(model, &model->subs[i], x, &seen[i]);
    }
    if (is_seen) { /* as it was when the point was kept */
        apart_run_errors(model, x, seen, ret->error);
    }
    free(seen);
    apart_look_at(model, x, ret);
    return NW_OK;
}

void apart_airs_done(struct apart_airs *airs) {
    free(airs->air);
}

double apart_air_at_none(const struct apart_model *model, const struct apart_airs *airs, size_t i) {
    return airs->air[i] - airs->bend[i] * apart_run_error(airs, &model->subs[i]);
}

double apart_noise(const struct apart_model *model, const struct apart_air_law *law,
                   const struct apart_airs *airs, size_t i) {
    return law->scatter + pow(model->subs[i].relative_error / airs->slope[i], 2.0);
}
