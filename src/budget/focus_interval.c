/* focus_interval.c - see focus_interval.h. Every interval is the star-width budget at another
 * point.
 */
#include "budget/focus_interval.h"

#include <math.h>

#include "budget/star_internal.h"

#define FLAT_PERCENT 0.5
#define MOST_S (8.0 * 3600.0)
enum { TRIED = 49 };

static double drift_per_K(const struct star_point *point) {
    return star_value(point, STAR_P_TUBE_LENGTH) * star_value(point, STAR_P_EXPANSION) *
           (1.0 - star_value(point, STAR_P_COMPENSATION)) *
           pow(star_value(point, STAR_P_MAGNIFICATION), 2.0);
}

static struct star_point point_for(const struct nw_rig *rig, const struct nw_setup *setup,
                                   double rate_K_s) {
    struct star_point point;
    star_point_of(rig, setup, &point);
    if (isfinite(rate_K_s)) {
        point.p[STAR_P_TEMPERATURE_RATE].v = rate_K_s;
    }
    return point;
}

struct scale { /* what the loss is measured against */
    struct star_point point;
    double run_s, area_still; /* equivalent-noise area without drift */
};

static enum nw_status psf_at(const struct star_point *point, double interval_s, struct nw_psf *ret,
                             struct nw_err *err) {
    struct star_point at = *point;
    at.p[STAR_P_FOCUS_INTERVAL].v = interval_s;
    return star_compose(&at, NULL, ret, err);
}

static enum nw_status scale_of(const struct star_point *point, const struct nw_setup *setup,
                               struct scale *ret, struct nw_err *err) {
    struct nw_psf still;
    const enum nw_status status = psf_at(point, 0.0, &still, err);
    *ret = (struct scale){*point, setup->focus_run_s.v, still.neq_area_rad2};
    return status;
}

/* Percent; *ret_blur: of it, by drift alone. */
static enum nw_status loss_at(const struct scale *scale, double interval_s, double *ret,
                              double *ret_blur, double *ret_fwhm, struct nw_err *err) {
    struct nw_psf psf;
    const enum nw_status status = psf_at(&scale->point, interval_s, &psf, err);
    if (status == NW_OK) {
        const double area = psf.neq_area_rad2 / scale->area_still;
        *ret = 100.0 * ((1.0 + scale->run_s / interval_s) * area - 1.0);
        *ret_blur = 100.0 * (area - 1.0);
        *ret_fwhm = psf.fwhm_rad;
    }
    return status;
}

enum nw_status nw_focus_loss_percent(const struct nw_rig *rig, const struct nw_setup *setup,
                                     double rate_K_s, double interval_s, double *ret_percent,
                                     struct nw_err *err) {
    const struct star_point point = point_for(rig, setup, rate_K_s);
    struct scale scale;
    double blur = NAN;
    double fwhm = NAN;
    if (!(interval_s > 0.0)) {
        return nw_err_set(err, NW_DOMAIN, "focus interval %g s is not > 0", interval_s);
    }
    const enum nw_status status = scale_of(&point, setup, &scale, err);
    return status == NW_OK ? loss_at(&scale, interval_s, ret_percent, &blur, &fwhm, err) : status;
}

struct tried {
    double interval_s[TRIED], loss[TRIED];
    size_t best;
};

static enum nw_status try_all(const struct scale *scale, struct tried *ret, struct nw_err *err) {
    enum nw_status status = NW_OK;
    const double least_s = fmax(300.0, 2.0 * scale->run_s);
    ret->best = 0;
    for (size_t i = 0; i < TRIED && status == NW_OK; i++) {
        double blur = NAN;
        double fwhm = NAN;
        ret->interval_s[i] = least_s * pow(fmax(2.0, MOST_S / least_s), (double)i / (TRIED - 1));
        status = loss_at(scale, ret->interval_s[i], &ret->loss[i], &blur, &fwhm, err);
        if (status == NW_OK && ret->loss[i] < ret->loss[ret->best]) {
            ret->best = i;
        }
    }
    return status;
}

/* Where the loss crosses `limit` between two intervals tried, straight in ln T. */
static double crossing(const struct tried *t, size_t inside, size_t outside, double limit) {
    const double share = (limit - t->loss[inside]) / (t->loss[outside] - t->loss[inside]);
    return t->interval_s[inside] *
           pow(t->interval_s[outside] / t->interval_s[inside], fmin(1.0, fmax(0.0, share)));
}

static void flat_range(const struct tried *t, struct nw_focus_interval *ret) {
    const double limit = t->loss[t->best] + FLAT_PERCENT;
    size_t i = t->best;
    while (i > 0 && t->loss[i - 1] <= limit) {
        i--;
    }
    ret->low_s = i > 0 ? crossing(t, i, i - 1, limit) : t->interval_s[0];
    i = t->best;
    while (i + 1 < TRIED && t->loss[i + 1] <= limit) {
        i++;
    }
    ret->high_s = i + 1 < TRIED ? crossing(t, i, i + 1, limit) : t->interval_s[TRIED - 1];
}

/* Worth with one input off by its error. */
static enum nw_status worth_moved(const struct star_point *base, const struct nw_setup *setup,
                                  enum star_param param, double best_s, double *ret,
                                  struct nw_err *err) {
    struct star_point moved = *base;
    struct scale scale;
    double now = NAN;
    double best = NAN;
    double blur = NAN;
    double fwhm = NAN;
    moved.p[param].v += moved.p[param].sigma;
    enum nw_status status = scale_of(&moved, setup, &scale, err);
    if (status == NW_OK) {
        status = loss_at(&scale, setup->focus_interval_s.v, &now, &blur, &fwhm, err);
    }
    if (status == NW_OK) {
        status = loss_at(&scale, best_s, &best, &blur, &fwhm, err);
    }
    *ret = 100.0 * (now - best) / (100.0 + now);
    return status;
}

static enum nw_status worth_error(const struct star_point *point, const struct nw_setup *setup,
                                  struct nw_focus_interval *ret, struct nw_err *err) {
    static const enum star_param INPUTS[] = {STAR_P_TEMPERATURE_RATE, STAR_P_EXPANSION,
                                             STAR_P_TUBE_LENGTH, STAR_P_REPEATABILITY,
                                             STAR_P_SEEING};
    enum nw_status status = NW_OK;
    double sum = 0.0;
    for (size_t i = 0; i < sizeof INPUTS / sizeof INPUTS[0] && status == NW_OK; i++) {
        if (!(point->p[INPUTS[i]].sigma > 0.0)) {
            continue;
        }
        double worth = NAN;
        status = worth_moved(point, setup, INPUTS[i], ret->best_s, &worth, err);
        sum += pow(worth - ret->worth_percent, 2.0);
    }
    ret->worth_sigma_percent = sqrt(sum);
    return status;
}

enum nw_status nw_focus_interval_of(const struct nw_rig *rig, const struct nw_setup *setup,
                                    double rate_K_s, struct nw_focus_interval *ret,
                                    struct nw_err *err) {
    const struct star_point point = point_for(rig, setup, rate_K_s);
    struct scale scale;
    struct tried tried;
    double blur = NAN;
    struct nw_focus_interval r = {.run_s = setup->focus_run_s.v,
                                  .now_s = setup->focus_interval_s.v,
                                  .rate_K_s = fabs(star_value(&point, STAR_P_TEMPERATURE_RATE)),
                                  .drift_m_per_K = drift_per_K(&point),
                                  .depth_m = nw_optics_depth_of_focus_m(
                                      star_value(&point, STAR_P_CENTRE), nw_setup_f_ratio(setup))};
    if (!(r.run_s > 0.0 && r.now_s > 0.0)) {
        return nw_err_set(err, NW_DOMAIN, "focus run of %g s every %g s: both must be > 0", r.run_s,
                          r.now_s);
    }
    enum nw_status status = scale_of(&point, setup, &scale, err);
    if (status == NW_OK) {
        status = try_all(&scale, &tried, err);
    }
    if (status != NW_OK) {
        return status;
    }
    r.best_s = tried.interval_s[tried.best];
    r.is_at_most = tried.best == 0;
    r.is_at_least = tried.best == TRIED - 1;
    r.best_K = r.best_s * r.rate_K_s;
    flat_range(&tried, &r);
    status = loss_at(&scale, r.best_s, &r.best_percent, &blur, &r.fwhm_best_rad, err);
    if (status == NW_OK) {
        status =
            loss_at(&scale, r.now_s, &r.now_percent, &r.now_blur_percent, &r.fwhm_now_rad, err);
    }
    if (status == NW_OK) {
        r.now_runs_percent = 100.0 * r.run_s / r.now_s;
        r.worth_percent = 100.0 * (r.now_percent - r.best_percent) / (100.0 + r.now_percent);
        r.extended_percent =
            100.0 * (r.run_s / r.now_s - r.run_s / r.best_s) / (1.0 + r.run_s / r.now_s);
        status = worth_error(&point, setup, &r, err);
    }
    if (status == NW_OK) {
        *ret = r;
    }
    return status;
}
