/* star_blind.c - the blind half: set on the first half of the subs, foretell the second.
 * Idea: every sub of the first half has a latent seeing that makes the composed width, at its own
 * airmass, motion and time since focus, the width that was measured; its logarithm is a level that
 * wanders, and comes back to the site's usual value, plus scatter (Harvey 1989, ch. 2-3). The two
 * variances are averaged over a grid with the likelihood as weight, so that the band knows how
 * badly few subs fix them. A sub of the second half is foretold from rig, airmass, guide samples
 * and focus clock: its own width is not looked at before the comparison. Errors of the other lines
 * are common to both halves: what one of them adds is the *difference* that it makes after the
 * latent seeing has been set with it in place. */
#include <math.h>

#include "budget/star_internal.h"

enum { N_WANDER = 12, N_SCATTER = 12, N_NODES = N_WANDER * N_SCATTER, SUBS_LEAST = 8 };
#define BAND 0.05 /* in each tail */

struct sub {
    double t_h, ln_seeing, variance; /* of ln_seeing, by the measuring error of the width */
};

/* One setting of (wander, scatter): weight, and the level at the last sub. */
struct node {
    double q_h, r, weight, level, variance, t_h;
};

struct model {
    struct node nodes[N_NODES];
    double prior, prior_variance; /* ln seeing by the rig's word: what it comes back to */
};

/* The level after dt_h hours: a random walk of variance q an hour that comes back to the prior
 * (Ornstein-Uhlenbeck with the prior's variance as its own), so that a band never grows wider than
 * what is known of the site. */
static void pass_time(const struct model *model, double q_h, double dt_h, double *level,
                      double *variance) {
    const double keep = exp(-0.5 * q_h * fmax(0.0, dt_h) / model->prior_variance);
    *level = model->prior + keep * (*level - model->prior);
    *variance = keep * keep * *variance + (1.0 - keep * keep) * model->prior_variance;
}

static enum nw_status width_at(const struct star_point *point, double seeing_rad,
                               const double *scale, double *ret, struct nw_err *err) {
    struct star_point moved = *point;
    struct nw_psf psf;
    moved.p[STAR_P_SEEING].v = seeing_rad;
    const enum nw_status status = star_compose(&moved, scale, &psf, err);
    *ret = status == NW_OK ? psf.fwhm_rad : NAN;
    return status;
}

/* The seeing that makes this width, by the secant in logarithms; NaN when even air of 0.1 arcsec
 * makes more. *ret_slope: d ln width / d ln seeing. */
static enum nw_status seeing_of(const struct star_point *point, double width_rad,
                                const double *scale, double *ret_ln, double *ret_slope,
                                struct nw_err *err) {
    const double low = log(0.1 / NW_ARCSEC_PER_RAD);
    double x0 = log(star_value(point, STAR_P_SEEING));
    double x1 = x0 + 0.1;
    double y0;
    double y1;
    *ret_ln = NAN;
    *ret_slope = NAN;
    enum nw_status status = width_at(point, exp(x0), scale, &y0, err);
    for (int i = 0; i < 12 && status == NW_OK; i++) {
        status = width_at(point, exp(x1), scale, &y1, err);
        if (status != NW_OK || y1 == y0) {
            break;
        }
        const double slope = (log(y1) - log(y0)) / (x1 - x0);
        if (fabs(log(width_rad / y1)) < 1e-5) {
            *ret_ln = x1;
            *ret_slope = slope;
            break;
        }
        const double step = log(width_rad / y1) / fmax(0.02, slope);
        x0 = x1;
        y0 = y1;
        x1 += fmax(-0.7, fmin(0.7, step));
        if (x1 < low && x0 <= low) {
            break; /* narrower than everything else together */
        }
        x1 = fmax(x1, low);
    }
    return status;
}

/* Kalman filter of a local level; the prior is the rig's word on the seeing. */
static void filter(const struct sub *subs, size_t n, const struct model *model, struct node *node) {
    double level = model->prior;
    double variance = model->prior_variance;
    double ln_likelihood = 0.0;
    double t_h = n ? subs[0].t_h : 0.0;
    for (size_t i = 0; i < n; i++) {
        pass_time(model, node->q_h, subs[i].t_h - t_h, &level, &variance);
        t_h = subs[i].t_h;
        const double spread = variance + node->r + subs[i].variance;
        const double miss = subs[i].ln_seeing - level;
        ln_likelihood -= 0.5 * (log(spread) + miss * miss / spread);
        const double gain = variance / spread;
        level += gain * miss;
        variance *= 1.0 - gain;
    }
    node->weight = ln_likelihood;
    node->level = level;
    node->variance = variance;
    node->t_h = t_h;
}

/* Wander of 0.5 to 60 % an hour, scatter of 0.3 to 30 %, each equally likely per factor before the
 * subs speak. */
static void fit(const struct sub *subs, size_t n, const struct star_point *base,
                struct model *model) {
    const struct nw_val *prior = &base->p[STAR_P_SEEING];
    const double prior_sigma = prior->sigma > 0.0 ? prior->sigma / prior->v : 1.0;
    model->prior = log(prior->v);
    /* nights differ by more than an owner's usual value is known to: 40 % (common practice, no
     * source; a narrower spread drew a bad night back to the usual one) */
    model->prior_variance = prior_sigma * prior_sigma + 0.4 * 0.4;
    double most = -INFINITY;
    for (int i = 0; i < N_NODES; i++) {
        struct node *node = &model->nodes[i];
        const int wander = i / N_SCATTER;
        const int scatter = i % N_SCATTER;
        node->q_h = pow(0.005 * pow(120.0, (double)wander / (N_WANDER - 1.0)), 2.0);
        node->r = pow(0.003 * pow(100.0, (double)scatter / (N_SCATTER - 1.0)), 2.0);
        filter(subs, n, model, node);
        most = fmax(most, node->weight);
    }
    double sum = 0.0;
    for (int i = 0; i < N_NODES; i++) {
        model->nodes[i].weight = exp(model->nodes[i].weight - most);
        sum += model->nodes[i].weight;
    }
    for (int i = 0; i < N_NODES; i++) {
        model->nodes[i].weight /= sum;
    }
}

/* Value that ln seeing at t_h stays below with probability p; extra: variance of another sort. */
static double quantile(const struct model *model, double t_h, double p, bool with_scatter) {
    double low = -20.0;
    double high = 0.0; /* between 2e-9 and 1 rad */
    for (int i = 0; i < 50; i++) {
        const double x = 0.5 * (low + high);
        double sum = 0.0;
        for (int k = 0; k < N_NODES; k++) {
            const struct node *node = &model->nodes[k];
            double level = node->level;
            double variance = node->variance;
            pass_time(model, node->q_h, t_h - node->t_h, &level, &variance);
            variance += with_scatter ? node->r : 0.0;
            sum += node->weight * 0.5 * erfc((level - x) / sqrt(2.0 * variance));
        }
        *(sum < p ? &low : &high) = x;
    }
    return 0.5 * (low + high);
}

static double weighted(const struct model *model, bool of_wander) {
    double sum = 0.0;
    for (int k = 0; k < N_NODES; k++) {
        const struct node *node = &model->nodes[k];
        sum += node->weight * sqrt(of_wander ? node->q_h : node->r);
    }
    return sum;
}

/* Mean point of some frames. */
static void mean_point(const struct star_point *base, const struct nw_star_frame *frames, size_t n,
                       struct star_point *ret) {
    *ret = *base;
    for (int k = 0; k < STAR_N_PARAMS; k++) {
        double sum = 0.0;
        for (size_t i = 0; i < n; i++) {
            struct star_point point;
            star_point_at_frame(base, &frames[i], &point);
            sum += point.p[k].v;
        }
        ret->p[k].v = isfinite(sum) ? sum / (double)n : base->p[k].v;
    }
    double phase = 0.0;
    for (size_t i = 0; i < n; i++) {
        struct star_point point;
        star_point_at_frame(base, &frames[i], &point);
        phase += point.focus_phase / (double)n;
    }
    ret->focus_phase = phase; /* NaN when one is unknown: any time */
}

/* Standard errors by the other lines: of ln width in the second half, of ln seeing itself. */
struct common {
    double width, seeing;
};

/* Standard error of ln width in the second half by errors of the other lines, after the seeing has
 * been set again with each of them in place. */
static enum nw_status common_error(const struct star_point *first, const struct star_point *second,
                                   double ln_seeing, const double *relative_sigma,
                                   struct common *ret, struct nw_err *err) {
    double sum = 0.0;
    double sum_seeing = 0.0;
    double width1 = NAN;
    double width2 = NAN;
    enum nw_status status = width_at(first, exp(ln_seeing), NULL, &width1, err);
    if (status == NW_OK) {
        status = width_at(second, exp(ln_seeing), NULL, &width2, err);
    }
    for (int id = 0; id < NW_STAR_N_LINES && status == NW_OK; id++) {
        if (id == NW_STAR_AIR_ABOVE || !(relative_sigma[id] > 0.0)) {
            continue;
        }
        double scale[NW_STAR_N_LINES];
        for (int k = 0; k < NW_STAR_N_LINES; k++) {
            scale[k] = k == id ? 1.0 + fmin(1.0, relative_sigma[id]) : 1.0;
        }
        double ln_moved;
        double slope;
        double width;
        status = seeing_of(first, width1, scale, &ln_moved, &slope, err);
        if (status == NW_OK && isfinite(ln_moved)) {
            status = width_at(second, exp(ln_moved), scale, &width, err);
            const double miss = status == NW_OK ? log(width / width2) : 0.0;
            sum += miss * miss;
            sum_seeing += pow(ln_moved - ln_seeing, 2.0);
        }
    }
    *ret = (struct common){.width = sqrt(sum), .seeing = sqrt(sum_seeing)};
    return status;
}

static int by_time(const void *a, const void *b) {
    const struct nw_star_frame *x = a;
    const struct nw_star_frame *y = b;
    return (x->t_start_utc_s > y->t_start_utc_s) - (x->t_start_utc_s < y->t_start_utc_s);
}

struct halves {
    struct nw_star_frame *frames; /* usable ones, in order of time */
    size_t n, n_first;
    struct star_point *base;
};

static size_t usable(const struct nw_star_evidence *evidence, struct nw_star_frame *frames) {
    size_t n = 0;
    for (size_t i = 0; i < evidence->n_frames; i++) {
        const struct nw_star_frame *frame = &evidence->frames[i];
        if (frame->fwhm_rad > 0.0 && isfinite(frame->t_start_utc_s)) {
            frames[n++] = *frame;
        }
    }
    qsort(frames, n, sizeof *frames, by_time);
    return n;
}

static double relative_error(const struct nw_star_frame *frame) {
    return isfinite(frame->fwhm_sigma_rad) ? frame->fwhm_sigma_rad / frame->fwhm_rad : 0.005;
}

/* Latent seeing of the first half; subs that are narrower than the rest of the budget are left
 * out. */
static enum nw_status look_at_first(const struct halves *halves, struct sub *subs, size_t *ret_n,
                                    struct nw_err *err) {
    enum nw_status status = NW_OK;
    size_t n = 0;
    for (size_t i = 0; i < halves->n_first && status == NW_OK; i++) {
        const struct nw_star_frame *frame = &halves->frames[i];
        struct star_point point;
        double slope;
        star_point_at_frame(halves->base, frame, &point);
        status = seeing_of(&point, frame->fwhm_rad, NULL, &subs[n].ln_seeing, &slope, err);
        if (status == NW_OK && isfinite(subs[n].ln_seeing)) {
            subs[n].t_h = frame->t_start_utc_s / 3600.0;
            subs[n].variance = pow(relative_error(frame) / fmax(0.05, slope), 2.0);
            n++;
        }
    }
    *ret_n = n;
    return status;
}

static enum nw_status foretell(const struct halves *halves, const struct model *model,
                               double common, struct nw_star_blind *blind, struct nw_err *err) {
    enum nw_status status = NW_OK;
    double foretold = 0.0;
    double came = 0.0;
    double worst = 0.0;
    for (size_t i = 0; i < blind->n_judged && status == NW_OK; i++) {
        const struct nw_star_frame *frame = &halves->frames[halves->n_first + i];
        struct nw_star_foretold *sub = &blind->subs[i];
        struct star_point point;
        double at[3];
        const double p[3] = {BAND, 0.5, 1.0 - BAND};
        const double t_h = frame->t_start_utc_s / 3600.0;
        star_point_at_frame(halves->base, frame, &point);
        for (int k = 0; k < 3 && status == NW_OK; k++) {
            status = width_at(&point, exp(quantile(model, t_h, p[k], true)), NULL, &at[k], err);
        }
        if (status != NW_OK) {
            break;
        }
        const double other = 1.6449 * at[1] * hypot(common, relative_error(frame));
        *sub = (struct nw_star_foretold){.t_start_utc_s = frame->t_start_utc_s,
                                         .low_rad = at[1] - hypot(at[1] - at[0], other),
                                         .mid_rad = at[1],
                                         .high_rad = at[1] + hypot(at[2] - at[1], other),
                                         .came_rad = frame->fwhm_rad};
        blind->n_inside += sub->came_rad >= sub->low_rad && sub->came_rad <= sub->high_rad;
        foretold += sub->mid_rad / (double)blind->n_judged;
        came += sub->came_rad / (double)blind->n_judged;
        worst =
            fabs(sub->came_rad - sub->mid_rad) > fabs(worst) ? sub->came_rad - sub->mid_rad : worst;
    }
    blind->foretold_rad = foretold;
    blind->came_rad = came;
    blind->worst_rad = worst;
    return status;
}

/* Standard error of the foretold mean: the level at the middle of the second half, what is common,
 * and the scatter of n subs. */
static enum nw_status mean_error(const struct halves *halves, const struct model *model,
                                 double common, struct nw_star_blind *blind, struct nw_err *err) {
    const struct nw_star_frame *middle = &halves->frames[halves->n_first + blind->n_judged / 2];
    struct star_point point;
    double at[2] = {NAN, NAN};
    star_point_at_frame(halves->base, middle, &point);
    const double t_h = middle->t_start_utc_s / 3600.0;
    enum nw_status status =
        width_at(&point, exp(quantile(model, t_h, 0.1587, false)), NULL, &at[0], err);
    if (status == NW_OK) {
        status = width_at(&point, exp(quantile(model, t_h, 0.8413, false)), NULL, &at[1], err);
    }
    const double level = 0.5 * (at[1] - at[0]);
    const double scatter = blind->scatter * blind->foretold_rad / sqrt((double)blind->n_judged);
    blind->foretold_sigma_rad = hypot(hypot(level, common * blind->foretold_rad), scatter);
    return status;
}

static void report_level(const struct model *model, struct nw_star_blind *blind) {
    const double t_h = model->nodes[0].t_h;
    const double mid = exp(quantile(model, t_h, 0.5, false));
    blind->seeing_rad = mid;
    blind->seeing_sigma_rad =
        0.5 * (exp(quantile(model, t_h, 0.8413, false)) - exp(quantile(model, t_h, 0.1587, false)));
    blind->scatter = weighted(model, false);
    blind->wander_per_sqrt_h = weighted(model, true);
}

static enum nw_status run(struct halves *halves, const double *relative_sigma, struct sub *subs,
                          struct nw_star_blind *blind, struct nw_err *err) {
    struct model model;
    struct star_point first;
    struct star_point second;
    struct common common = {0};
    size_t n = 0;
    enum nw_status status = look_at_first(halves, subs, &n, err);
    if (status != NW_OK) {
        return status;
    }
    if (2 * n < halves->n_first) {
        (void)snprintf(blind->why_null, sizeof blind->why_null,
                       "%zu of %zu subs of the first half are narrower than the budget without "
                       "any air: the rig file says too much somewhere",
                       halves->n_first - n, halves->n_first);
        return NW_OK;
    }
    fit(subs, n, halves->base, &model);
    report_level(&model, blind);
    blind->n_fitted = n;
    blind->n_judged = halves->n - halves->n_first;
    mean_point(halves->base, halves->frames, halves->n_first, &first);
    mean_point(halves->base, halves->frames + halves->n_first, blind->n_judged, &second);
    status = common_error(&first, &second, log(blind->seeing_rad), relative_sigma, &common, err);
    if (status == NW_OK) {
        status = foretell(halves, &model, common.width, blind, err);
    }
    if (status == NW_OK) {
        blind->seeing_sigma_rad = hypot(blind->seeing_sigma_rad, common.seeing * blind->seeing_rad);
        status = mean_error(halves, &model, common.width, blind, err);
    }
    return status;
}

enum nw_status star_blind_run(const struct star_point *base,
                              const struct nw_star_evidence *evidence, const double *relative_sigma,
                              struct nw_star_blind *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    struct nw_star_blind blind = {.seeing_rad = NAN,
                                  .seeing_sigma_rad = NAN,
                                  .scatter = NAN,
                                  .wander_per_sqrt_h = NAN,
                                  .foretold_rad = NAN,
                                  .foretold_sigma_rad = NAN,
                                  .came_rad = NAN,
                                  .worst_rad = NAN};
    struct star_point point = *base;
    struct halves halves = {.base = &point};
    struct sub *subs = NULL;
    const size_t n_all = evidence ? evidence->n_frames : 0;
    halves.frames = nw_calloc(n_all + 1, sizeof *halves.frames);
    subs = nw_calloc(n_all + 1, sizeof *subs);
    blind.subs = nw_calloc(n_all + 1, sizeof *blind.subs);
    if (!halves.frames || !subs || !blind.subs) {
        status = nw_err_set(err, NW_NOMEM, "blind half of %zu subs", n_all);
        goto done;
    }
    halves.n = n_all ? usable(evidence, halves.frames) : 0;
    halves.n_first = halves.n / 2;
    if (halves.n < SUBS_LEAST) {
        (void)snprintf(blind.why_null, sizeof blind.why_null,
                       "%zu subs with a time and a width; it takes %d", halves.n, SUBS_LEAST);
    } else {
        status = run(&halves, relative_sigma, subs, &blind, err);
    }
    if (status == NW_OK) {
        *ret = blind;
        blind.subs = NULL;
    }
done:
    free(blind.subs);
    free(subs);
    free(halves.frames);
    return status;
}
