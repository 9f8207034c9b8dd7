/* apart_model.c - the subs of many nights made ready for sampling, and the priors.
 * The radial OTF stands for the line's mean over directions; the width of the composed profile
 * with its two axes (optics) differs from that of the radial one by parts of a percent, and that
 * ratio, at the rig's own point, is taken into the measured width of each sub. */
#include <gsl/gsl_integration.h>
#include <gsl/gsl_sf_bessel.h>
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"
#include "sky/sky.h"

enum { SUBS_DEFAULT = 1200 };
#define SAME_RUN_S 60.0
#define LOG_NOISE 0.1          /* of the variance of one sub */
#define NEIGHBOURS ((size_t)3) /* on either side of a sub */
/* Widths of lines that are looked for in the nights; all other lines are as the rig says. */
static const enum nw_star_line_id DISC_LINES[APART_DISCS] = {NW_STAR_LENS_COLOUR, NW_STAR_FOCUS,
                                                             NW_STAR_TILT_CURVATURE};

static bool is_sampled(int id) {
    return id == NW_STAR_AIR_ABOVE || id == NW_STAR_LOCAL_AIR || id == NW_STAR_LENS_COLOUR ||
           id == NW_STAR_DECENTRE || id == NW_STAR_FOCUS || id == NW_STAR_TILT_CURVATURE ||
           id == NW_STAR_MOTION || id == NW_STAR_FLEXURE;
}

/* What the subs are made of. */
struct maker {
    const struct nw_apart_evidence *evidence;
    size_t n_filters;
    struct star_point base[NW_APART_FILTERS];
    const struct apart_ladder *shared[NW_APART_FILTERS][APART_DISCS + 1]; /* last: one disc */
    double limit, keep;                 /* of spoiled subs; share of blocks to take */
    double taken;                       /* of the share, so far */
    const struct nw_apart_night *night; /* of the last focus run, with its time; NaN: not known */
    double t_run_s;
};

/* ---- The grid ------------------------------------------------------------------------------- */

/* To where the sharpest star has nothing left, or the aperture ends. */
static enum nw_status make_grid(const struct maker *maker, double sharpest_rad,
                                struct apart_model *model, struct nw_err *err) {
    double cutoff = 0.0; /* of the bluest filter */
    for (size_t i = 0; i < maker->n_filters; i++) {
        const struct star_point *const point = &maker->base[i];
        cutoff =
            fmax(cutoff, star_value(point, STAR_P_APERTURE) / star_value(point, STAR_P_CENTRE));
    }
    const double end = fmin(cutoff, 2.2 / sharpest_rad);
    gsl_integration_glfixed_table *table = gsl_integration_glfixed_table_alloc(APART_NODES);
    if (!table || !(end > 0.0) || !isfinite(end)) {
        gsl_integration_glfixed_table_free(table);
        return nw_err_set(err, table ? NW_DOMAIN : NW_NOMEM,
                          "aperture over wavelength is %g, expected more than 0", cutoff);
    }
    for (size_t k = 0; k < APART_NODES; k++) {
        double weight;
        gsl_integration_glfixed_point(0.0, end, k, &model->f[k], &weight, table);
        model->weight[k] = weight * model->f[k];
    }
    gsl_integration_glfixed_table_free(table);
    return NW_OK;
}

/* ---- One sub -------------------------------------------------------------------------------- */

/* Width of the radial profile, by bisection: to be set beside the composed one. */
static double radial_width(const struct apart_model *model, const double *otf) {
    double low = 0.0;
    double high = 60.0 / NW_ARCSEC_PER_RAD;
    for (int i = 0; i < 48; i++) {
        const double width = 0.5 * (low + high);
        double value = 0.0;
        for (size_t k = 0; k < APART_NODES; k++) {
            value +=
                model->weight[k] * otf[k] * (gsl_sf_bessel_J0(NW_PI * model->f[k] * width) - 0.5);
        }
        *(value > 0.0 ? &low : &high) = width;
    }
    return 0.5 * (low + high);
}

static enum nw_status composed_over_radial(const struct apart_model *model,
                                           const struct apart_sub *sub,
                                           const struct star_point *point, double *ret,
                                           struct nw_err *err) {
    double otf[APART_NODES];
    double mix[APART_NODES]; /* of focus, over the errors of its run */
    struct star_line focus;
    struct nw_psf psf;
    star_line_build(NW_STAR_FOCUS, point, &focus);
    apart_radial(&focus, model, mix);
    const double variance = sub->motion_rad2 + sub->flexure_rad2 + sub->decentre_rad2;
    for (size_t k = 0; k < APART_NODES; k++) {
        otf[k] = sub->fixed[k] *
                 exp(-variance * model->f2[k] - sub->airmass * model->air[sub->filter][k]);
        for (size_t i = 0; i < APART_DISCS; i++) {
            const bool is_mix = DISC_LINES[i] == NW_STAR_FOCUS && sub->run != APART_NO_RUN;
            otf[k] *= is_mix            ? mix[k]
                      : sub->ladders[i] ? sub->ladders[i]->otf[APART_SCALE_ONE][k]
                                        : 1.0;
        }
    }
    struct star_point still = *point;
    still.p[STAR_P_LOCAL_AIR].v = 0.0;
    const enum nw_status status = star_compose(&still, NULL, &psf, err);
    *ret = status == NW_OK ? psf.fwhm_rad / radial_width(model, otf) : NAN;
    return status;
}

void apart_weigh(const struct apart_model *model, double width_rad, struct apart_sub *sub) {
    for (size_t k = 0; k < APART_NODES; k++) {
        const double phase = NW_PI * model->f[k] * width_rad / sub->ratio; /* 2 pi f w/2 */
        sub->half[k] = model->weight[k] * (gsl_sf_bessel_J0(phase) - 0.5);
        sub->slope[k] = -model->weight[k] * phase * gsl_sf_bessel_J1(phase);
    }
}

/* How a line differs between the axes of the frame. */
static struct apart_axes axes_of(const struct star_line *line) {
    struct apart_axes ret = {0.0, 0.0};
    for (size_t i = 0; i < line->n; i++) {
        const double *const p = line->parts[i].p;
        if (line->parts[i].kind == NW_OTF_GAUSS) {
            ret.plus += p[0] - p[2];
            ret.cross += 2.0 * p[1];
        } else if (line->parts[i].kind == NW_OTF_LINE) { /* variance: a twelfth of the square */
            ret.plus += (p[0] * p[0] - p[1] * p[1]) / 12.0;
            ret.cross += 2.0 * p[0] * p[1] / 12.0;
        }
    }
    return ret;
}

/* The lines of a sub; `shared`: ladders that are the same for all subs. */
static enum nw_status make_lines(struct apart_model *model, const struct star_point *point,
                                 const struct apart_ladder *shared[APART_DISCS + 1],
                                 struct apart_sub *sub, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t k = 0; k < APART_NODES; k++) {
        sub->fixed[k] = 1.0;
    }
    for (int id = 0; id < NW_STAR_N_LINES; id++) {
        struct star_line line;
        double otf[APART_NODES];
        star_line_build((enum nw_star_line_id)id, point, &line);
        sub->nominal_rad[id] = line.width_rad;
        struct apart_axes *const axes = id == NW_STAR_MOTION       ? &sub->motion_axes
                                        : id == NW_STAR_FLEXURE    ? &sub->flexure_axes
                                        : id == NW_STAR_DISPERSION ? &sub->dispersion_axes
                                                                   : NULL;
        if (axes) {
            *axes = axes_of(&line);
        }
        if (line.n == 0 || is_sampled(id)) {
            continue;
        }
        apart_radial(&line, model, otf);
        for (size_t k = 0; k < APART_NODES; k++) {
            sub->fixed[k] *= otf[k];
        }
    }
    const double per_axis = 1.0 / (NW_FWHM_PER_SIGMA * NW_FWHM_PER_SIGMA);
    sub->motion_rad2 = pow(sub->nominal_rad[NW_STAR_MOTION], 2.0) * per_axis;
    sub->decentre_rad2 = pow(sub->nominal_rad[NW_STAR_DECENTRE], 2.0) * per_axis;
    /* a line's alone is length / sqrt 2; its variance length^2 / 12, half of that an axis */
    sub->flexure_rad2 = pow(sub->nominal_rad[NW_STAR_FLEXURE], 2.0) / 12.0;
    for (size_t i = 0; i < APART_DISCS && status == NW_OK; i++) {
        const bool is_disc = DISC_LINES[i] == NW_STAR_FOCUS && sub->run != APART_NO_RUN;
        const size_t at = is_disc ? APART_DISCS : i;
        if (!(sub->nominal_rad[DISC_LINES[i]] > 0.0)) {
            continue;
        }
        if (!shared[at]) {
            status = is_disc ? apart_disc_ladder(model, point, &shared[at], err)
                             : apart_ladder_new(model, DISC_LINES[i], point, &shared[at], err);
        }
        sub->ladders[i] = shared[at];
    }
    return status;
}

/* ---- Which subs ----------------------------------------------------------------------------- */

static size_t filter_at(const struct nw_apart_night *night, size_t i) {
    return night->filters ? night->filters[i] : 0;
}

/* Logarithms of the widths of a sub's nearest on one side, of its own filter; where filters take
 * turns they lie that much farther off. Returns how many. */
static size_t nearest(const struct nw_apart_night *night, size_t at, size_t n_filters,
                      bool is_before, double *ret) {
    const size_t room = is_before ? at : night->n - 1 - at;
    const size_t reach = NEIGHBOURS * n_filters;
    size_t n = 0;
    for (size_t k = 1; k <= room && k <= reach && n < NEIGHBOURS; k++) {
        const size_t i = is_before ? at - k : at + k;
        if (night->frames[i].fwhm_rad > 0.0 && filter_at(night, i) == filter_at(night, at)) {
            ret[n++] = log(night->frames[i].fwhm_rad);
        }
    }
    return n;
}

/* Far wider than its neighbours: wind, cloud, a knock. Five robust sigmas of all departures and
 * 10 %; NaN where too few neighbours say. */
static double departure(const struct nw_apart_night *night, size_t at, size_t n_filters) {
    double near[2 * NEIGHBOURS];
    size_t n = nearest(night, at, n_filters, true, near);
    n += nearest(night, at, n_filters, false, near + n);
    return n >= NEIGHBOURS ? log(night->frames[at].fwhm_rad) - nw_stat_median(near, n) : NAN;
}

static enum nw_status spoiled_limit(const struct nw_apart_evidence *evidence, size_t n_filters,
                                    double *ret, struct nw_err *err) {
    size_t n_all = 0;
    size_t n = 0;
    for (size_t k = 0; k < evidence->n_nights; k++) {
        n_all += evidence->nights[k].n;
    }
    double *all = nw_calloc(n_all + 1, sizeof *all);
    if (!all) {
        return nw_err_set(err, NW_NOMEM, "%zu subs", n_all);
    }
    for (size_t k = 0; k < evidence->n_nights; k++) {
        for (size_t i = 0; i < evidence->nights[k].n; i++) {
            const double value = departure(&evidence->nights[k], i, n_filters);
            if (isfinite(value)) {
                all[n++] = value;
            }
        }
    }
    *ret = n ? fmax(0.1, 5.0 * nw_stat_mad_sigma(all, n, NULL)) : INFINITY;
    free(all);
    return NW_OK;
}

static double at_or_nan(const double *values, size_t i) {
    return values ? values[i] : NAN;
}

/* What a sub's log says of its own motion has noise: a hundred or two of independent samples know a
 * variance to a tenth. With that noise in it the motion would come out too small, so that each sub
 * is taken towards the mean of its night by the share of noise in what they differ (regression
 * calibration; Fuller 1987, Measurement Error Models, ch. 1). */
static void steady_motion(const struct nw_apart_night *night, size_t i, struct star_point *point) {
    static const enum star_param PARAM[2] = {STAR_P_MOTION_RA, STAR_P_MOTION_DEC};
    for (int axis = 0; axis < 2; axis++) {
        double n = 0.0;
        double sum = 0.0;
        double square = 0.0;
        for (size_t k = 0; k < night->n; k++) {
            const struct nw_star_frame *const f = &night->frames[k];
            const double rms = axis ? f->motion_dec_rad : f->motion_ra_rad;
            if (isfinite(rms)) {
                n += 1.0;
                sum += rms * rms;
                square += pow(rms, 4.0);
            }
        }
        const struct nw_star_frame *const own = &night->frames[i];
        const double rms = axis ? own->motion_dec_rad : own->motion_ra_rad;
        if (!isfinite(rms) || n < 3.0) {
            continue;
        }
        const double mean = sum / n;
        const double spread = (square / n - mean * mean) * n / (n - 1.0);
        const double share = fmax(0.0, 1.0 - pow(LOG_NOISE * mean, 2.0) / fmax(spread, 1e-300));
        point->p[PARAM[axis]].v = sqrt(mean + share * (rms * rms - mean));
    }
}

/* What the frame says, beside its lines. */
static void describe(const struct nw_apart_night *night, size_t i, const struct star_point *base,
                     struct star_point *point, struct apart_sub *sub) {
    const struct nw_star_frame *frame = &night->frames[i];
    star_point_at_frame(base, frame, point);
    steady_motion(night, i, point);
    sub->frame = i;
    sub->width_rad = frame->fwhm_rad;
    sub->relative_error =
        isfinite(frame->fwhm_sigma_rad) ? frame->fwhm_sigma_rad / frame->fwhm_rad : 0.005;
    const double length_s = isfinite(frame->exposure_s) ? frame->exposure_s : 0.0;
    sub->t_h = (frame->t_start_utc_s + 0.5 * length_s) / 3600.0;
    sub->t_open_s = sub->t_h * 3600.0 - night->frames[0].t_start_utc_s;
    sub->excess_K = at_or_nan(night->excess_K, i);
    sub->airmass = fmax(1.0, star_value(point, STAR_P_AIRMASS));
    sub->exposure_s = frame->exposure_s;
    sub->is_motion_seen = isfinite(frame->motion_ra_rad) && isfinite(frame->motion_dec_rad);
    sub->is_vertical_known = isfinite(frame->parallactic_rad);
    sub->since_focus_s = frame->since_focus_s;
    sub->focus_change_K = at_or_nan(night->focus_change_K, i);
    const double full_K =
        fabs(star_value(base, STAR_P_TEMPERATURE_RATE)) * star_value(base, STAR_P_FOCUS_INTERVAL);
    if (isfinite(sub->focus_change_K) && full_K > 0.0) {
        point->focus_phase = fabs(sub->focus_change_K) / full_K; /* measured, not the clock's */
    }
}

/* The focus run that a sub belongs to: from the time since then, or, where that begins later in the
 * night, the run of before. A sub whose phase is not known belongs to none. */
static void find_run(const struct nw_apart_night *night, size_t i, const struct star_point *point,
                     struct maker *maker, struct apart_model *model, struct apart_sub *sub) {
    const struct nw_star_frame *const frame = &night->frames[i];
    const struct star_focus_discs discs = star_focus_discs(point);
    sub->run = APART_NO_RUN;
    if (!isfinite(point->focus_phase) || !(discs.drift_rad + discs.run_rad > 0.0)) {
        return;
    }
    const double t_run_s = frame->t_start_utc_s - frame->since_focus_s;
    const bool is_same =
        maker->night == night &&
        (isfinite(t_run_s) ? fabs(t_run_s - maker->t_run_s) < SAME_RUN_S : isnan(maker->t_run_s));
    model->n_runs += is_same ? 0 : 1;
    maker->night = night;
    maker->t_run_s = t_run_s;
    sub->run = model->n_runs - 1;
    sub->drift_rad = discs.drift_rad;
    sub->error_rad = discs.run_rad;
}

/* Pairs of blocks (one fitted, one judged) evenly over all, so that they are not more than asked
 * for. */
static bool is_wanted(struct maker *maker, size_t nth) {
    if (nth % (2 * (size_t)APART_BLOCK) == 0) {
        maker->taken = maker->taken >= 1.0 ? maker->taken - 1.0 : maker->taken;
        maker->taken += maker->keep;
    }
    return maker->taken >= 1.0;
}

static enum nw_status make_night(struct maker *maker, size_t k, struct apart_model *model,
                                 struct nw_err *err) {
    const struct nw_apart_night *night = &maker->evidence->nights[k];
    enum nw_status status = NW_OK;
    size_t nth = 0;
    for (size_t i = 0; i < night->n && status == NW_OK; i++) {
        const struct nw_star_frame *frame = &night->frames[i];
        if (!(frame->fwhm_rad > 0.0) || !isfinite(frame->t_start_utc_s)) {
            model->n_without++;
            continue;
        }
        if (departure(night, i, maker->n_filters) > maker->limit) {
            model->n_spoiled++;
            continue;
        }
        struct apart_sub *sub = &model->subs[model->n];
        struct star_point point;
        sub->night = k;
        sub->is_changed = maker->evidence->changed_at > 0 && k >= maker->evidence->changed_at;
        sub->is_fitted = nth / APART_BLOCK % 2 == 0;
        if (!is_wanted(maker, nth++)) {
            continue;
        }
        sub->filter = filter_at(night, i);
        describe(night, i, &maker->base[sub->filter], &point, sub);
        find_run(night, i, &point, maker, model, sub);
        status = make_lines(model, &point, maker->shared[sub->filter], sub, err);
        if (status == NW_OK) {
            status = composed_over_radial(model, sub, &point, &sub->ratio, err);
        }
        apart_weigh(model, sub->width_rad, sub);
        model->n++;
    }
    return status;
}

/* The usual excess of a night's first sub; under 0.3 K thermometers differ more than that. */
static double usual_excess(const struct apart_model *model) {
    double sum = 0.0;
    size_t n = 0;
    for (size_t i = 0; i < model->n; i++) {
        const bool is_first = i == 0 || model->subs[i].night != model->subs[i - 1].night;
        if (is_first && model->subs[i].excess_K > 0.0) {
            sum += model->subs[i].excess_K;
            n++;
        }
    }
    return n > 0 && sum / (double)n > 0.3 ? sum / (double)n : NAN;
}

static void air_tables(const struct maker *maker, struct apart_model *model) {
    const struct star_point *p = &maker->base[0];
    model->outer_scale_m = star_value(p, STAR_P_OUTER_SCALE);
    model->r0_m = nw_sky_r0_of_seeing_m(star_value(p, STAR_P_SEEING), 500e-9, model->outer_scale_m);
    for (size_t i = 0; i < maker->n_filters; i++) {
        const double wavelength_m = star_value(&maker->base[i], STAR_P_CENTRE);
        const double r0_m = model->r0_m * pow(wavelength_m / 500e-9, 1.2);
        const struct nw_otf air = {.kind = NW_OTF_SEEING,
                                   .p = {r0_m, wavelength_m, model->outer_scale_m}};
        for (size_t k = 0; k < APART_NODES; k++) {
            model->air[i][k] = -log(fmax(1e-300, nw_otf_value(&air, model->f[k], 0.0)));
        }
    }
    for (size_t k = 0; k < APART_NODES; k++) {
        const double f = model->f[k];
        model->f2[k] = 2.0 * NW_PI * NW_PI * f * f;
        /* Fried 1966: 3.442 (lambda f / r0)^(5/3), r0 = 0.976 lambda / FWHM */
        model->local[k] = 3.442 * pow(f / 0.97586343, 5.0 / 3.0);
    }
}

static double sharpest(const struct nw_apart_evidence *evidence, size_t *ret_n) {
    double least = INFINITY;
    *ret_n = 0;
    for (size_t k = 0; k < evidence->n_nights; k++) {
        for (size_t i = 0; i < evidence->nights[k].n; i++) {
            const double width = evidence->nights[k].frames[i].fwhm_rad;
            least = width > 0.0 ? fmin(least, width) : least;
            *ret_n += width > 0.0;
        }
    }
    return least;
}

enum nw_status apart_model_new(const struct nw_rig *rig, const struct nw_setup *setup,
                               const struct nw_apart_evidence *evidence, size_t max_subs,
                               struct apart_model *ret, struct nw_err *err) {
    struct apart_model model = {.n_nights = evidence->n_nights,
                                .witnesses = evidence->witnesses,
                                .n_witnesses = evidence->n_witnesses};
    struct maker maker = {.evidence = evidence};
    size_t n = 0;
    const double least_rad = sharpest(evidence, &n);
    maker.n_filters = evidence->n_filters > 1 ? evidence->n_filters : 1;
    for (size_t i = 0; i < maker.n_filters; i++) {
        star_point_of(rig, i == 0 ? setup : &evidence->filters[i], &maker.base[i]);
        maker.base[i].is_interpolated = evidence->colour == NW_STAR_COLOUR_INTERPOLATED;
    }
    maker.keep = fmin(1.0, (double)(max_subs ? max_subs : SUBS_DEFAULT) / fmax(1.0, (double)n));
    maker.taken = 1.0 - maker.keep; /* the first is taken */
    model.subs = nw_calloc(n + 1, sizeof *model.subs);
    enum nw_status status =
        model.subs ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu subs of a season", n);
    if (status == NW_OK && n > 0) {
        status = make_grid(&maker, least_rad, &model, err);
    }
    if (status == NW_OK) {
        status = spoiled_limit(evidence, maker.n_filters, &maker.limit, err);
    }
    if (status == NW_OK && n > 0) {
        air_tables(&maker, &model);
    }
    for (size_t k = 0; k < evidence->n_nights && status == NW_OK; k++) {
        status = make_night(&maker, k, &model, err);
    }
    model.excess_ref_K = usual_excess(&model);
    if (status == NW_OK) {
        status = apart_priors(&maker.base[0], evidence, &model, err);
    }
    if (status == NW_OK) {
        *ret = model;
    } else {
        apart_model_done(&model);
    }
    return status;
}

void apart_model_done(struct apart_model *model) {
    for (size_t i = 0; i < model->n_own; i++) {
        free(model->own[i]);
    }
    free(model->own);
    free(model->told);
    free(model->subs);
    *model = (struct apart_model){.n = 0};
}
