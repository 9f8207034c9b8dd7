/* apart_zones.c - tilt and curvature from the zones of the nights' subs.
 * While focus drifts by z, a place that is d away from the frame's mean focus has the disc z + d;
 * squares of widths of opposite corners then differ by 4 z t and something constant (t: tilt
 * there), those of corners and middle by 2 z c r^2 and something constant. The seeing is in both
 * and falls out; astigmatism, coma and colour to the corners are in the constant. Slopes are taken
 * within each focus run, so that what the run was off is in the constant too. The drift is the rig
 * file's, by clock or thermometer: what comes out is tilt times the factor of the focus line. */
#include <math.h>
#include <stdlib.h>

#include "budget/apart_internal.h"

enum { N_CONTRASTS = 3, LEAST_OF_RUN = 3, LEAST = 12, PASSES = 3 };
#define MODEL_SHARE 0.1 /* of the drift's course between runs, of discs being no Gaussians */
#define CLIP 4.0
static const double PLACE = 0.8; /* of a corner zone's middle, in half sides of the frame */

/* Contrasts of the squares of four corners and the middle. */
static const double CONTRASTS[N_CONTRASTS][5] = {
    {1.0, 0.0, 0.0, -1.0, 0.0}, {0.0, 1.0, -1.0, 0.0, 0.0}, {0.25, 0.25, 0.25, 0.25, -1.0}};

struct row { /* of one sub, discs in rad */
    size_t run;
    double drift, value[N_CONTRASTS];
    bool is_out[N_CONTRASTS];
};

struct slope {
    double value, sigma;
    size_t n, n_runs;
};

static bool fill(const struct apart_model *model, const struct nw_star_frame *frame,
                 const struct apart_sub *sub, struct row *row) {
    struct apart_response response;
    const double width[5] = {frame->fwhm_corner_rad[0], frame->fwhm_corner_rad[1],
                             frame->fwhm_corner_rad[2], frame->fwhm_corner_rad[3],
                             frame->fwhm_centre_rad};
    *row = (struct row){.run = sub->run, .drift = sub->drift_rad};
    if (!sub->is_fitted || sub->run == APART_NO_RUN ||
        !apart_response_of(model, sub, &model->rig, &response)) {
        return false;
    }
    for (int c = 0; c < N_CONTRASTS; c++) {
        for (int k = 0; k < 5; k++) {
            row->value[c] += CONTRASTS[c][k] * width[k] * width[k];
        }
        row->value[c] /= response.disc;
    }
    return isfinite(row->value[0] + row->value[1] + row->value[2]);
}

/* Drift and contrast less their means over the run; NaN where the run has too few. Returns how many
 * runs tell. */
static size_t level_runs(const struct row *rows, size_t n, int c, double *x, double *y) {
    size_t n_runs = 0;
    for (size_t i = 0, end; i < n; i = end) {
        double sum[3] = {0.0, 0.0, 0.0}; /* of one, drift, contrast */
        for (end = i; end < n && rows[end].run == rows[i].run; end++) {
            const double use = rows[end].is_out[c] ? 0.0 : 1.0;
            sum[0] += use;
            sum[1] += use * rows[end].drift;
            sum[2] += use * rows[end].value[c];
        }
        const bool tells = sum[0] >= LEAST_OF_RUN;
        n_runs += tells;
        for (size_t k = i; k < end; k++) {
            x[k] = tells ? rows[k].drift - sum[1] / sum[0] : NAN;
            y[k] = tells ? rows[k].value[c] - sum[2] / sum[0] : NAN;
        }
    }
    return n_runs;
}

/* Slope of a contrast on the drift within the runs; what is far off is left out next time. work: 3
 * of n. */
static struct slope slope_of(struct row *rows, size_t n, int c, double *work) {
    double *const x = work;
    double *const y = work + n;
    double *const off = work + 2 * n;
    struct slope ret = {NAN, NAN, 0, 0};
    for (int pass = 0; pass < PASSES; pass++) {
        double xx = 0.0;
        double xy = 0.0;
        double square = 0.0;
        size_t n_off = 0;
        ret = (struct slope){NAN, NAN, 0, level_runs(rows, n, c, x, y)};
        for (size_t i = 0; i < n; i++) {
            if (isfinite(x[i]) && !rows[i].is_out[c]) {
                xx += x[i] * x[i];
                xy += x[i] * y[i];
                ret.n++;
            }
        }
        if (!(xx > 0.0) || ret.n < LEAST || ret.n <= ret.n_runs + 1) {
            return (struct slope){NAN, NAN, 0, 0};
        }
        ret.value = xy / xx;
        for (size_t i = 0; i < n; i++) {
            if (isfinite(x[i]) && !rows[i].is_out[c]) {
                off[n_off] = y[i] - ret.value * x[i];
                square += off[n_off] * off[n_off];
                n_off++;
            }
        }
        ret.sigma = sqrt(square / (double)(ret.n - ret.n_runs - 1) / xx);
        const double limit = CLIP * nw_stat_mad_sigma(off, n_off, NULL);
        for (size_t i = 0; i < n; i++) {
            rows[i].is_out[c] =
                rows[i].is_out[c] || (isfinite(x[i]) && fabs(y[i] - ret.value * x[i]) > limit);
        }
    }
    return ret;
}

/* ---- What it means -------------------------------------------------------------------------- */

/* The frame's blur with these slopes of the contrasts, and what it is made of. */
static double blur_of(const struct star_point *point, const double slope[N_CONTRASTS],
                      struct nw_apart_zones *zones) {
    struct star_point other = *point;
    const double diagonal = hypot(point->width_px, point->height_px);
    const double u = point->width_px / diagonal;
    const double v = point->height_px / diagonal;
    const double disc = star_disc_per_defocus(point);
    /* corners at (-u, -v) and (u, -v), PLACE of them; per half diagonal */
    const double first = slope[0] / (4.0 * disc);
    const double second = slope[1] / (4.0 * disc);
    const double a = (second - first) / (2.0 * PLACE * u);
    const double b = -(second + first) / (2.0 * PLACE * v);
    zones->tilt_m = 2.0 * (fabs(a) * u + fabs(b) * v);
    zones->curvature_m = fabs(slope[2]) / (2.0 * PLACE * PLACE * disc);
    other.p[STAR_P_TILT].v = zones->tilt_m;
    other.p[STAR_P_TILT_DIRECTION].v = atan2(b, a);
    other.p[STAR_P_CURVATURE].v = zones->curvature_m;
    return star_field_blur(&other).median_rad;
}

/* Errors by one of each slope, and by that of the astigmatism, which the slopes do not hold. The
 * square of the blur is that of the slopes and of their noise, which is taken off: half of what a
 * step to either side adds. */
static double blur_and_errors(const struct star_point *point, const struct slope *slopes,
                              struct nw_apart_zones *zones, double *ret_sigma) {
    double value[N_CONTRASTS];
    double sum[3] = {0.0, 0.0, 0.0};
    double noise = 0.0;
    for (int c = 0; c < N_CONTRASTS; c++) {
        value[c] = slopes[c].value;
    }
    const double square = pow(blur_of(point, value, zones), 2.0);
    for (int c = 0; c < N_CONTRASTS; c++) {
        struct nw_apart_zones moved;
        double then[2];
        for (int side = 0; side < 2; side++) {
            value[c] = slopes[c].value + (side ? 1.0 : -1.0) * slopes[c].sigma;
            then[side] = pow(blur_of(point, value, &moved), 2.0);
        }
        value[c] = slopes[c].value;
        noise += 0.5 * (then[0] + then[1] - 2.0 * square);
        sum[0] +=
            pow(0.5 * (then[1] - then[0]), 2.0) + 0.5 * pow(then[0] + then[1] - 2.0 * square, 2.0);
        sum[1] += pow(moved.tilt_m - zones->tilt_m, 2.0);
        sum[2] += pow(moved.curvature_m - zones->curvature_m, 2.0);
    }
    const struct nw_val *const lines = &point->p[STAR_P_ASTIGMATISM];
    struct star_point other = *point;
    struct nw_apart_zones same;
    other.p[STAR_P_ASTIGMATISM].v += isfinite(lines->sigma) ? lines->sigma : 0.5 * lines->v;
    sum[0] += pow(pow(blur_of(&other, value, &same), 2.0) - square, 2.0);
    zones->tilt_sigma_m = hypot(sqrt(sum[1]), MODEL_SHARE * zones->tilt_m);
    zones->curvature_sigma_m = hypot(sqrt(sum[2]), MODEL_SHARE * zones->curvature_m);
    /* as a width: where little is left of the square, its error is that of its root */
    const double blur = sqrt(fmax(square - noise, 0.0));
    const double high = sqrt(fmax(square - noise, 0.0) + sqrt(sum[0]));
    *ret_sigma = hypot(high - blur, MODEL_SHARE * high);
    return blur;
}

/* The product of the two factors, as one more thing that is known. */
static void tell(const struct star_point *point, const struct slope *slopes,
                 struct apart_model *model) {
    struct nw_apart_zones *const zones = &model->zones;
    const double nominal = star_field_blur(point).median_rad;
    double sigma;
    const double blur = blur_and_errors(point, slopes, zones, &sigma);
    if (!model->prior[NW_APART_TILT_CURVATURE].is_active || !(nominal > 0.0)) {
        return; /* the rig file has no such line: the numbers stand for themselves */
    }
    struct apart_told *const told = &model->told[model->n_told++];
    *told =
        (struct apart_told){.is_product = true, .ratio = blur / nominal, .sigma = sigma / nominal};
    told->weight[NW_APART_TILT_CURVATURE] = told->weight[NW_APART_FOCUS] = 1.0;
}

enum nw_status apart_zones(const struct star_point *point, const struct nw_apart_evidence *evidence,
                           struct apart_model *model, struct nw_err *err) {
    struct nw_apart_zones *const zones = &model->zones;
    struct row *rows = nw_calloc(model->n + 1, sizeof *rows);
    double *work = nw_calloc(3 * model->n + 1, sizeof *work);
    struct slope slopes[N_CONTRASTS];
    bool is_told = true;
    size_t n = 0;
    if (!rows || !work) {
        free(rows);
        free(work);
        return nw_err_set(err, NW_NOMEM, "zones of %zu subs", model->n);
    }
    *zones = (struct nw_apart_zones){
        .tilt_m = NAN, .tilt_sigma_m = NAN, .curvature_m = NAN, .curvature_sigma_m = NAN};
    for (size_t i = 0; i < model->n; i++) {
        const struct apart_sub *const sub = &model->subs[i];
        n += fill(model, &evidence->nights[sub->night].frames[sub->frame], sub, &rows[n]) ? 1 : 0;
    }
    for (int c = 0; c < N_CONTRASTS; c++) {
        slopes[c] = slope_of(rows, n, c, work);
        is_told = is_told && isfinite(slopes[c].value) && slopes[c].sigma > 0.0;
    }
    zones->n_subs = is_told ? slopes[0].n : n;
    zones->n_runs = is_told ? slopes[0].n_runs : 0;
    if (is_told) {
        tell(point, slopes, model);
    } else {
        (void)snprintf(zones->why_null, sizeof zones->why_null,
                       "%zu subs with widths of middle and corners and a known focus run; it takes "
                       "%d, over a drift",
                       n, LEAST);
    }
    free(rows);
    free(work);
    return NW_OK;
}
