/* apart_priors.c - what is known before the nights speak: the rig file's widths with their errors,
 * and what trials told. */
#include <math.h>

#include "budget/apart_internal.h"

static void prior(struct apart_model *model, enum nw_apart_term_id id, bool is_positive,
                  double mean, double sigma) {
    model->prior[id] = (struct apart_prior){sigma > 0.0, is_positive, mean, sigma};
}

/* A scale by which the width of a line is uncertain; without a stated error half of it. */
static void prior_scale(struct apart_model *model, enum nw_apart_term_id term,
                        enum nw_star_line_id line, const struct star_point *point,
                        const struct nw_apart_evidence *evidence, double nominal_rad) {
    const double sigma_rad = star_line_sigma(line, point);
    double mean = 1.0;
    double sigma = sigma_rad > 0.0 ? sigma_rad / nominal_rad : 0.5;
    double weight = 1.0 / (sigma * sigma);
    double sum = weight;
    if (!(nominal_rad > 0.0)) {
        prior(model, term, true, 1.0, 0.0);
        return;
    }
    for (size_t i = 0; i < evidence->n_known; i++) {
        const struct nw_star_known *known = &evidence->known[i];
        if (known->line == line && known->sigma_rad > 0.0) {
            weight = pow(nominal_rad / known->sigma_rad, 2.0);
            mean = (sum * mean + weight * known->width_rad / nominal_rad) / (sum + weight);
            sum += weight;
        }
    }
    prior(model, term, true, mean, fmin(1.5, 1.0 / sqrt(sum)));
}

static bool is_scale_term(enum nw_apart_term_id id) {
    return id == NW_APART_LENS_COLOUR || id == NW_APART_DECENTRE || id == NW_APART_FOCUS ||
           id == NW_APART_TILT_CURVATURE || id == NW_APART_MOTION || id == NW_APART_FLEXURE;
}

/* Mean of squares over the subs through the setup's own filter, which the rig file's errors belong
 * to, over all where there are none; as a width. */
static double mean_nominal(const struct apart_model *model, enum nw_star_line_id line) {
    double sum[2] = {0.0, 0.0};
    double n[2] = {0.0, 0.0};
    for (size_t i = 0; i < model->n; i++) {
        const size_t other = model->subs[i].filter > 0;
        sum[other] += pow(model->subs[i].nominal_rad[line], 2.0);
        n[other] += 1.0;
    }
    return n[0] > 0.0 ? sqrt(sum[0] / n[0]) : n[1] > 0.0 ? sqrt(sum[1] / n[1]) : 0.0;
}

/* The motion of subs with a guide log is known to the log's bounds, taken as two errors. */
static double motion_sigma(const struct nw_apart_evidence *evidence) {
    double sum = 0.0;
    size_t n = 0;
    for (size_t k = 0; k < evidence->n_nights; k++) {
        for (size_t i = 0; i < evidence->nights[k].n; i++) {
            const struct nw_star_frame *frame = &evidence->nights[k].frames[i];
            const double width = hypot(frame->motion_ra_rad, frame->motion_dec_rad);
            const double range = hypot(frame->motion_ra_high_rad, frame->motion_dec_high_rad) -
                                 hypot(frame->motion_ra_low_rad, frame->motion_dec_low_rad);
            if (width > 0.0 && isfinite(range)) {
                sum += 0.25 * range / width;
                n++;
            }
        }
    }
    return n ? sum / (double)n : NAN;
}

static void make_priors(const struct star_point *point, const struct nw_apart_evidence *evidence,
                        struct apart_model *model) {
    static const struct {
        enum nw_apart_term_id term;
        enum nw_star_line_id line;
    } SCALES[] = {{NW_APART_LENS_COLOUR, NW_STAR_LENS_COLOUR},
                  {NW_APART_DECENTRE, NW_STAR_DECENTRE},
                  {NW_APART_FOCUS, NW_STAR_FOCUS},
                  {NW_APART_TILT_CURVATURE, NW_STAR_TILT_CURVATURE},
                  {NW_APART_MOTION, NW_STAR_MOTION},
                  {NW_APART_FLEXURE, NW_STAR_FLEXURE}};
    for (size_t i = 0; i < sizeof SCALES / sizeof *SCALES; i++) {
        prior_scale(model, SCALES[i].term, SCALES[i].line, point, evidence,
                    mean_nominal(model, SCALES[i].line));
    }
    const double log_sigma = motion_sigma(evidence);
    if (isfinite(log_sigma) && model->prior[NW_APART_MOTION].is_active) {
        model->prior[NW_APART_MOTION].sigma = fmax(0.03, log_sigma);
    }
    const struct nw_val *local = &point->p[STAR_P_LOCAL_AIR];
    const double local_sigma = local->sigma > 0.0 ? local->sigma * NW_ARCSEC_PER_RAD : 1.0;
    /* an hour within a factor of two, one arcsecond, 20 % from night to night, 8 % in a root hour,
     * 3 % from sub to sub: common practice, no source; all wide */
    prior(model, NW_APART_LOCAL_AIR, true, local->v * NW_ARCSEC_PER_RAD, local_sigma);
    prior(model, NW_APART_SETTLING, false, log(3600.0), 0.7);
    prior(model, NW_APART_EXTRA, false, 0.0, 3.0);
    prior(model, NW_APART_CHANGE, false, 0.0, evidence->changed_at > 0 ? 3.0 : 0.0);
    const struct nw_val *seeing = &point->p[STAR_P_SEEING];
    const double relative = seeing->sigma > 0.0 ? fmin(0.8, seeing->sigma / seeing->v) : 0.3;
    const double up = apart_air_value(model, seeing->v * (1.0 + relative));
    const double down = apart_air_value(model, seeing->v * (1.0 - relative));
    prior(model, NW_APART_AIR, false, 0.0, model->n ? 0.5 * (up - down) : relative);
    prior(model, NW_APART_NIGHTS, false, log(0.2), 0.5);
    prior(model, NW_APART_WANDER, false, log(0.08), 0.7);
    prior(model, NW_APART_SCATTER, false, log(0.03), 0.7);
    for (int k = 0; k < NW_APART_N_TERMS; k++) { /* what a trial says is not the rig's word */
        const bool is_scale = is_scale_term((enum nw_apart_term_id)k);
        model->rig.v[k] = is_scale ? 1.0 : model->prior[k].mean;
    }
}

double apart_told_off(const struct apart_told *told, const struct apart_x *x) {
    double sum = told->is_product ? 1.0 : 0.0;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        if (told->is_product) {
            sum *= told->weight[k] != 0.0 ? x->v[k] : 1.0;
        } else {
            sum += told->weight[k] * x->v[k] * x->v[k];
        }
    }
    return (sum - told->ratio) / told->sigma;
}

double apart_told_slope(const struct apart_told *told, const struct apart_x *x, int term) {
    if (told->weight[term] == 0.0) {
        return 0.0;
    }
    if (!told->is_product) {
        return 2.0 * told->weight[term] * x->v[term] / told->sigma;
    }
    double slope = 1.0 / told->sigma;
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        slope *= k != term && told->weight[k] != 0.0 ? x->v[k] : 1.0;
    }
    return slope;
}

/* Shares of the lines in what the trial changes, by the squares of the widths that the rig file
 * foretells. */
static enum nw_status take_told(const struct nw_apart_evidence *evidence, struct apart_model *model,
                                struct nw_err *err) {
    model->told = nw_calloc(evidence->n_told + APART_MORE_TOLD, sizeof *model->told);
    if (!model->told) {
        return nw_err_set(err, NW_NOMEM, "%zu trials", evidence->n_told);
    }
    for (size_t i = 0; i < evidence->n_told; i++) {
        const struct nw_apart_told *const from = &evidence->told[i];
        struct apart_told *const to = &model->told[model->n_told];
        double sum = 0.0;
        *to = (struct apart_told){.is_trial = true, .ratio = from->ratio, .sigma = from->sigma};
        for (size_t k = 0; k < from->n; k++) {
            const enum nw_apart_term_id term = from->terms[k];
            if (is_scale_term(term) && model->prior[term].is_active) {
                to->weight[term] = pow(mean_nominal(model, nw_apart_term_line(term)), 2.0);
                sum += to->weight[term];
            }
        }
        for (int k = 0; k < NW_APART_N_TERMS && sum > 0.0; k++) {
            to->weight[k] /= sum;
        }
        model->n_told += sum > 0.0 && from->sigma > 0.0 && isfinite(from->ratio) ? 1 : 0;
    }
    return NW_OK;
}

void apart_mark_told(const struct apart_model *model, const struct nw_apart_evidence *evidence,
                     struct nw_apart *apart) {
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const enum nw_apart_term_id term = (enum nw_apart_term_id)k;
        if (!is_scale_term(term) || !model->prior[k].is_active) {
            continue; /* passed over */
        }
        for (size_t i = 0; i < evidence->n_known; i++) {
            apart->terms[k].is_told |= evidence->known[i].line == nw_apart_term_line(term) &&
                                       evidence->known[i].sigma_rad > 0.0;
        }
        for (size_t i = 0; i < model->n_told; i++) {
            apart->terms[k].is_told |= model->told[i].is_trial && model->told[i].weight[k] > 0.0;
        }
    }
}

enum nw_status apart_priors(const struct star_point *point,
                            const struct nw_apart_evidence *evidence, struct apart_model *model,
                            struct nw_err *err) {
    make_priors(point, evidence, model);
    enum nw_status status = take_told(evidence, model, err);
    if (status == NW_OK) {
        status = apart_zones(point, evidence, model, err);
    }
    return status == NW_OK ? apart_axes(evidence, model, err) : status;
}
