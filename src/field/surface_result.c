/* surface_result.c - what a fitted surface says: heights, tilt, best position, each cell's own best
 * focus.
 * Idea: heights and their covariance are scaled from the fit's unit to metres here, once; what is
 * common to all heights (the step's error) stays apart as one relative error. */
#include "field/field_internal.h"
#include "optics/optics.h"

#include <math.h>

static const double BLUR_MODEL = 0.03; /* of the size of a star of known defocus */
static const double BLUR_FREE = 0.05;  /* the same as a sweep over 2.5 depths of focus finds it */
/* Colour, coma and the like shift the place of the smallest star: a tenth of the depth of focus. */
static const double BEST_MODEL = 0.1;

/* sqrt(w' C w) over z0, a, b, c. */
static double height_sigma(const struct nw_surface *s, const double w[static NW_SURFACE_N]) {
    double sum = 0.0;
    for (size_t i = 0; i < NW_SURFACE_N; i++) {
        for (size_t j = 0; j < NW_SURFACE_N; j++) {
            sum += w[i] * w[j] * s->cov[i][j];
        }
    }
    return sqrt(fmax(0.0, sum));
}

static double par_sigma(const struct field_solution *s, size_t k) {
    return sqrt(fmax(0.0, s->cov[k * s->n_par + k]));
}

/* Metres per unit of the fit; NaN: not known. */
static double metres_per_unit(const struct surface_job *job, struct nw_surface *ret) {
    const double k = exp(job->ln_k_free);
    const double k_sigma = job->ln_k_sigma;
    ret->step_m = job->opts->step_m;
    ret->step_measured_m = NAN;
    ret->step_measured_sigma_m = NAN;
    ret->scale_sigma = 0.0;
    if (job->method == NW_SURFACE_SINGLE) {
        ret->scale_sigma = BLUR_MODEL;
        return isfinite(job->k_m) ? 1.0 : NAN;
    }
    if (job->method == NW_SURFACE_SWEEP && isfinite(job->k_m)) {
        const double steps = job->is_metric ? job->opts->step_m : 1.0; /* U per step */
        ret->step_measured_m = k / job->k_m * steps;
        ret->step_measured_sigma_m = ret->step_measured_m * hypot(k_sigma, BLUR_FREE);
    }
    if (job->is_metric) {
        ret->scale_sigma = job->opts->step_sigma > 0.0 ? job->opts->step_sigma : 0.0;
        return 1.0;
    }
    if (isfinite(ret->step_measured_m) && k_sigma < 0.15) {
        ret->scale_sigma = ret->step_measured_sigma_m / ret->step_measured_m;
        ret->step_m = ret->step_measured_m;
        return ret->step_measured_m;
    }
    ret->scale_sigma = 2.0 * hypot(k_sigma, BLUR_FREE);
    return NAN;
}

/* Of one frame the sign is free: the larger slope is shown as positive. */
static double shown_sign(const struct surface_job *job) {
    const double *const par = job->solution.par;
    const double a = par[FIELD_A];
    const double b = par[FIELD_B];
    return job->method == NW_SURFACE_SINGLE && !job->is_side_known &&
                   (fabs(a) > fabs(b) ? a : b) < 0.0
               ? -1.0
               : 1.0;
}

/* A tube that cools between the way out and the way back looks like play: how much it may be, from
 * the mean temperatures of both. Not taken off, because the tube is behind its sensor. */
static double thermal_play_m(const struct surface_job *job) {
    double sum[2] = {0.0, 0.0};
    double n[2] = {0.0, 0.0};
    for (size_t i = 0; i < job->n_used; i++) {
        const double t = job->frames[job->used[i]].temperature_K;
        if (isfinite(t)) {
            sum[job->is_inward[i] ? 1 : 0] += t;
            n[job->is_inward[i] ? 1 : 0] += 1.0;
        }
    }
    const double play_m = job->opts->thermal_m_K * (sum[1] / n[1] - sum[0] / n[0]);
    return isfinite(play_m) ? fabs(play_m) : 0.0;
}

static void set_heights(const struct surface_job *job, double unit, double sign,
                        struct nw_surface *ret) {
    const struct field_solution *const s = &job->solution;
    for (size_t i = 0; i < NW_SURFACE_N; i++) {
        ret->z[i] = sign * unit * s->par[i];
        for (size_t j = 0; j < NW_SURFACE_N; j++) {
            ret->cov[i][j] = unit * unit * s->cov[i * s->n_par + j];
        }
    }
    ret->growth = s->par[FIELD_GROWTH];
    ret->growth_sigma = par_sigma(s, FIELD_GROWTH);
    ret->backlash = job->has_backlash ? unit * s->par[FIELD_BACK] : NAN;
    const double thermal_m = job->is_metric ? thermal_play_m(job) : 0.0;
    ret->backlash_sigma =
        job->has_backlash ? hypot(unit * par_sigma(s, FIELD_BACK), thermal_m) : NAN;
}

static void set_tilt(struct nw_surface *ret) {
    const double w = ret->width_px / hypot(ret->width_px, ret->height_px);
    const double h = ret->height_px / hypot(ret->width_px, ret->height_px);
    const double a = ret->z[NW_SURFACE_A];
    const double b = ret->z[NW_SURFACE_B];
    ret->tilt = 2.0 * (fabs(a) * w + fabs(b) * h);
    ret->tilt_sigma =
        2.0 * height_sigma(ret, (const double[]){0.0, a < 0.0 ? -w : w, b < 0.0 ? -h : h, 0.0});
    const double g2 = a * a + b * b;
    const double along = height_sigma(ret, (const double[]){0.0, a / sqrt(g2), b / sqrt(g2), 0.0});
    const double across =
        height_sigma(ret, (const double[]){0.0, -b / sqrt(g2), a / sqrt(g2), 0.0});
    /* one frame reads any uneven growth of its stars as tilt: more is asked of it */
    const double sure = ret->method == NW_SURFACE_SINGLE ? 5.0 : 2.5;
    const bool is_seen = sqrt(g2) > sure * along;
    ret->tilt_direction_rad = is_seen ? atan2(b, a) : NAN;
    ret->tilt_direction_sigma_rad = is_seen ? across / sqrt(g2) : NAN;
}

/* Best focus of the whole frame: mean of u^2 + v^2 over a rectangle whose corner is at 1 is 1/3. */
static void set_best_position(const struct surface_job *job, double unit, struct nw_surface *ret) {
    static const double MEAN[NW_SURFACE_N] = {1.0, 0.0, 0.0, 1.0 / 3.0};
    ret->position_ref = job->ref_steps;
    ret->best_position = NAN;
    ret->best_position_sigma = NAN;
    const double u_per_step = job->is_metric ? job->opts->step_m : 1.0;
    if (job->method == NW_SURFACE_SINGLE || !isfinite(job->ref_steps) || !(u_per_step > 0.0)) {
        return;
    }
    const double in_unit = isfinite(unit) ? unit * u_per_step : u_per_step;
    ret->best_position =
        job->ref_steps + (ret->z[NW_SURFACE_Z0] + ret->z[NW_SURFACE_C] / 3.0) / in_unit;
    const double model_m = BEST_MODEL * ret->depth_of_focus_m;
    const double model = ret->is_metric && isfinite(model_m) ? model_m : 0.0;
    ret->best_position_sigma = hypot(height_sigma(ret, MEAN), model) / in_unit;
}

/* Best focus of one cell by itself, everything else as fitted (Gauss-Newton). */
static void cell_best(const struct surface_job *job, size_t cell, double unit, double sign,
                      struct nw_surface_cell *ret) {
    const double *const par = job->solution.par;
    double z = NAN;
    double shift = 0.0;
    double weight = 0.0;
    for (int round = 0; round < 12; round++) {
        double sum = 0.0;
        weight = 0.0;
        for (size_t k = 0; k < job->fit.n_obs; k++) {
            struct field_obs obs = job->obs[k];
            if (obs.cell != cell) {
                continue;
            }
            double by[FIELD_W];
            double by_width = 0.0;
            double local[FIELD_W + FIELD_FRAMES_MAX];
            memcpy(local, par, job->solution.n_par * sizeof *local);
            local[FIELD_Z0] += shift;
            const double miss = obs.ln_r - field_predict(&job->fit, local, &obs, by, &by_width);
            const double w = 1.0 / (obs.sigma * obs.sigma);
            sum += w * by[FIELD_Z0] * miss;
            weight += w * by[FIELD_Z0] * by[FIELD_Z0];
            z = par[FIELD_Z0] + par[FIELD_A] * obs.u + par[FIELD_B] * obs.v +
                par[FIELD_C] * obs.rho2;
            ret->u = obs.u;
            ret->v = obs.v;
            ret->r_min_px = exp(field_blur_at(job->blur[obs.frame],
                                              par[FIELD_MU] + par[FIELD_GROWTH] * obs.rho2, 0.0)
                                    .ln_r);
        }
        if (!(weight > 0.0)) {
            break;
        }
        shift += sum / weight;
        if (fabs(sum / weight) < 1e-4 / sqrt(weight)) {
            break;
        }
    }
    const double sigma = fmax(1.0, job->solution.misfit) / sqrt(weight);
    const double k = exp(par[FIELD_LNK]);
    if (isfinite(z) && isfinite(sigma) && sigma * k < 5.0 && fabs(shift) * k < 20.0) {
        ret->best = sign * unit * (z + shift);
        ret->sigma = unit * sigma;
    }
}

/* Mean shapes on either side of the cell's best focus. */
static void cell_shapes(const struct surface_job *job, size_t cell, double best_u,
                        struct nw_surface_cell *ret) {
    double sums[2][3] = {{0.0}};
    const size_t n_cells = job->grid.nx * job->grid.ny;
    for (size_t i = 0; i < job->n_used && cell < n_cells; i++) {
        const struct field_cell *const c = &job->cells[i * FIELD_CELLS_MAX + cell];
        if (c->n && isfinite(c->e1) && isfinite(c->e2)) {
            double *const sum =
                sums[job->method == NW_SURFACE_SINGLE || job->place[i] > best_u ? 1 : 0];
            sum[0] += c->e1;
            sum[1] += c->e2;
            sum[2] += 1.0;
        }
    }
    for (size_t k = 0; k < 2; k++) {
        ret->e_inside[k] = sums[0][k] / sums[0][2]; /* none: NaN */
        ret->e_outside[k] = sums[1][k] / sums[1][2];
    }
}

static enum nw_status set_cells(const struct surface_job *job, double unit, double sign,
                                struct nw_surface *ret, struct nw_err *err) {
    const size_t n = job->grid.nx * job->grid.ny;
    ret->cells = nw_calloc(n, sizeof *ret->cells);
    if (!ret->cells) {
        return nw_err_set(err, NW_NOMEM, "%zu cells", n);
    }
    for (size_t k = 0; k < n; k++) {
        bool is_there = false;
        for (size_t i = 0; i < job->fit.n_obs && !is_there; i++) {
            is_there = job->obs[i].cell == k;
        }
        if (is_there) {
            struct nw_surface_cell *const cell = &ret->cells[ret->n_cells++];
            *cell = (struct nw_surface_cell){.best = NAN, .sigma = NAN, .r_min_px = NAN};
            cell_best(job, k, unit, sign, cell);
            const double *const par = job->solution.par;
            cell_shapes(job, k,
                        par[FIELD_Z0] + par[FIELD_A] * cell->u + par[FIELD_B] * cell->v +
                            par[FIELD_C] * (cell->u * cell->u + cell->v * cell->v),
                        cell);
        }
    }
    return NW_OK;
}

static void set_frames(const struct surface_job *job, double unit, struct nw_surface *ret) {
    for (size_t i = 0; i < job->n_used; i++) {
        struct nw_surface_frame *const frame = &ret->frames[job->used[i]];
        double sum = 0.0;
        size_t n = 0;
        for (size_t k = 0; k < job->fit.n_obs; k++) {
            if (job->obs[k].frame == i) {
                sum += pow(job->solution.pull[k], 2.0);
                n++;
            }
        }
        frame->place = unit * job->place[i];
        frame->width_px = exp(job->solution.par[FIELD_W + i]);
        frame->width_sigma = par_sigma(&job->solution, FIELD_W + i);
        frame->misfit = n ? sqrt(sum / (double)n) : NAN;
    }
}

/* Positions of a sweep are a regular row in whole steps; a focuser that also follows the
 * temperature leaves it. */
enum nw_compensation surface_compensation(const struct surface_job *job, double *ret_steps) {
    double moves[FIELD_FRAMES_MAX];
    size_t n = 0;
    for (size_t i = 1; i < job->n_used; i++) {
        const double move = fabs(job->frames[job->used[i]].position_steps -
                                 job->frames[job->used[i - 1]].position_steps);
        if (move > 0.75) {
            moves[n++] = move;
        }
    }
    *ret_steps = NAN;
    if (n < 3) {
        return NW_COMPENSATION_UNKNOWN;
    }
    const double step = nw_stat_median(moves, n);
    const double first = job->frames[job->used[0]].position_steps;
    double sums[5] = {0.0};
    for (size_t i = 0; i < job->n_used; i++) {
        const double p = job->frames[job->used[i]].position_steps - first;
        const double k = round(p / step);
        sums[0] += 1.0;
        sums[1] += k;
        sums[2] += k * k;
        sums[3] += p;
        sums[4] += k * p;
    }
    const double slope =
        (sums[0] * sums[4] - sums[1] * sums[3]) / (sums[0] * sums[2] - sums[1] * sums[1]);
    const double offset = (sums[3] - slope * sums[1]) / sums[0];
    double worst = 0.0;
    for (size_t i = 0; i < job->n_used; i++) {
        const double p = job->frames[job->used[i]].position_steps - first;
        worst = fmax(worst, fabs(p - offset - slope * round(p / step)));
    }
    *ret_steps = worst;
    /* a row of uneven length may be rounded places, or a focuser that follows evenly */
    const bool is_whole = fabs(slope - round(slope)) * (double)(job->n_used - 1) < 0.5;
    return worst > 1.5 ? NW_COMPENSATION_ACTING
           : is_whole  ? NW_COMPENSATION_NOT_SEEN
                       : NW_COMPENSATION_UNKNOWN;
}

static void set_temperature(const struct surface_job *job, struct nw_surface *ret) {
    double low = INFINITY;
    double high = -INFINITY;
    for (size_t i = 0; i < job->n_used; i++) {
        const double t = job->frames[job->used[i]].temperature_K;
        low = fmin(low, t);
        high = fmax(high, t);
    }
    ret->temperature_range_K = high >= low ? high - low : NAN;
    ret->compensation = NW_COMPENSATION_UNKNOWN;
    ret->compensation_steps = NAN;
    if (job->method == NW_SURFACE_SWEEP) {
        ret->compensation = surface_compensation(job, &ret->compensation_steps);
    }
}

enum nw_status surface_result(struct surface_job *job, struct nw_surface *ret, struct nw_err *err) {
    const double sign = shown_sign(job);
    const double metres = metres_per_unit(job, ret);
    ret->method = job->method;
    ret->is_metric = isfinite(metres);
    ret->is_baseline_used =
        job->method == NW_SURFACE_SINGLE && job->opts->baseline && isfinite(job->k_m);
    ret->is_sign_known = job->method != NW_SURFACE_SINGLE || job->is_side_known;
    /* of a pair heights go as 1 / k^2: without the size of the blur ratios alone are known */
    ret->is_scale_known = job->method == NW_SURFACE_SWEEP || (ret->is_metric && isfinite(job->k_m));
    ret->is_metric = ret->is_metric && ret->is_scale_known;
    ret->n_used = job->n_used;
    ret->width_px = (double)job->frames[job->used[0]].width_px;
    ret->height_px = (double)job->frames[job->used[0]].height_px;
    ret->misfit = job->solution.misfit;
    const struct nw_field_optics *const o = &job->opts->optics;
    const double wave_m = o->wavelength_m > 0.0 ? o->wavelength_m : 550e-9;
    ret->depth_of_focus_m = o->f_ratio > 0.0 ? nw_optics_depth_of_focus_m(wave_m, o->f_ratio) : NAN;
    const double unit = ret->is_metric ? metres : 1.0;
    set_heights(job, unit, sign, ret);
    set_tilt(ret);
    set_best_position(job, unit, ret);
    set_temperature(job, ret);
    set_frames(job, unit, ret);
    const enum nw_status status = surface_wavefront(job, sign, ret, err);
    return status == NW_OK ? set_cells(job, unit, sign, ret, err) : status;
}
