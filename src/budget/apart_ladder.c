/* apart_ladder.c - discs of the lines that are sampled, worked out once at every rung of a ladder.
 */
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

enum { N_ANGLES = 8, MAX_LADDERS = 100, SCALES = 41, DIAMETERS = 160 };

void apart_radial(const struct star_line *line, const struct apart_model *model, double *out) {
    for (size_t k = 0; k < APART_NODES; k++) {
        double sum = 0.0;
        for (int a = 0; a < N_ANGLES; a++) {
            const double angle = NW_PI * (a + 0.5) / N_ANGLES;
            double product = 1.0;
            for (size_t i = 0; i < line->n; i++) {
                product *= nw_otf_value(&line->parts[i], model->f[k] * cos(angle),
                                        model->f[k] * sin(angle));
            }
            sum += product / N_ANGLES;
        }
        out[k] = sum;
    }
}

static enum nw_status own_ladder(size_t n, double rung, struct apart_model *model,
                                 struct apart_ladder **ret, struct nw_err *err) {
    struct apart_ladder *ladder = nw_calloc(1, sizeof *ladder + n * sizeof *ladder->otf);
    if (!ladder) {
        return nw_err_set(err, NW_NOMEM, "disc of a line");
    }
    const enum nw_status status = nw_grow((void **)&model->own, &model->own_cap, model->n_own + 1,
                                          sizeof(struct apart_ladder *), MAX_LADDERS, err);
    if (status != NW_OK) {
        free(ladder);
        return status;
    }
    ladder->n = n;
    ladder->rung = rung;
    model->own[model->n_own++] = ladder;
    *ret = ladder;
    return NW_OK;
}

enum nw_status apart_ladder_new(struct apart_model *model, enum nw_star_line_id id,
                                const struct star_point *point, const struct apart_ladder **ret,
                                struct nw_err *err) {
    const double rung = 1.0 / APART_SCALE_ONE;
    struct apart_ladder *ladder = NULL;
    const enum nw_status status = own_ladder(SCALES, rung, model, &ladder, err);
    for (int step = 0; step < SCALES && status == NW_OK; step++) {
        struct star_line line;
        star_line_build(id, point, &line);
        star_line_scale(&line, step * rung);
        apart_radial(&line, model, ladder->otf[step]);
    }
    if (status == NW_OK) {
        *ret = ladder;
    }
    return status;
}

/* One disc, of any diameter: at the highest frequency a rung is a third of a radian. */
enum nw_status apart_disc_ladder(struct apart_model *model, const struct star_point *point,
                                 const struct apart_ladder **ret, struct nw_err *err) {
    const double rung = 0.1 / model->f[APART_NODES - 1];
    const double per_d = star_value(point, STAR_P_CENTRE) / star_value(point, STAR_P_APERTURE);
    struct apart_ladder *ladder = NULL;
    const enum nw_status status = own_ladder(DIAMETERS, rung, model, &ladder, err);
    for (int step = 0; step < DIAMETERS && status == NW_OK; step++) {
        const struct nw_otf disc = {.kind = NW_OTF_DISC, .p = {step * rung, per_d}};
        for (size_t k = 0; k < APART_NODES; k++) {
            ladder->otf[step][k] = nw_otf_value(&disc, model->f[k], 0.0);
        }
    }
    if (status == NW_OK) {
        *ret = ladder;
    }
    return status;
}
