/* surface.c - the focal surface from one frame, a pair about focus, or a sweep.
 * Idea: one model for all three: cells of all frames, one width a frame, one growth to the corner,
 * one surface (OBSERVABILITY 9). One frame leaves the overall sign open; a pair gives it from the
 * difference of its frames, for which the size of the blur must be known; a sweep finds that size
 * by itself. Frames that do not fit are taken out one at a time.
 * Holds: the unit U of heights is the metre where the focuser's step is known (or, of one frame,
 * the focal ratio and pixel), else the step. */
#include "field/field_internal.h"

#include <assert.h>
#include <math.h>

/* Reasons with numbers: how well things are known before the fit. */
static const double WIDTH_SCATTER = 0.10; /* of seeing between frames minutes apart: 8 % */
static const double GROWTH_SINGLE = 0.04; /* of a star to the corner; cannot be told there */
static const double GROWTH_MANY = 0.2;
/* Size of a defocused star for a known focal ratio. A sweep has frames near focus, where all that
 * the profile's model leaves out counts as well (bench/surface_pulls.c). */
static const double BLUR_PAIR = 0.025;
static const double BLUR_SWEEP = 0.03;
static const double HEIGHT_SINGLE_PX = 30.0; /* px of blur: far beyond what is called a focus */

const char *nw_surface_method_name(enum nw_surface_method method) {
    static const char *const NAMES[] = {"single", "pair", "sweep"};
    return NAMES[method];
}

double nw_surface_height(const struct nw_surface *surface, double u, double v) {
    return surface->z[NW_SURFACE_Z0] + surface->z[NW_SURFACE_A] * u + surface->z[NW_SURFACE_B] * v +
           surface->z[NW_SURFACE_C] * (u * u + v * v);
}

void nw_surface_done(struct nw_surface *surface) {
    if (surface) {
        free(surface->frames);
        free(surface->cells);
        *surface = (struct nw_surface){0};
    }
}

static void drop_tables(struct surface_job *job) {
    for (size_t i = 0; i < job->n_tables; i++) {
        field_blur_free(job->tables[i]);
    }
    job->n_tables = 0;
}

static void job_done(struct surface_job *job) {
    free(job->used);
    free(job->cells);
    free(job->obs);
    free(job->place);
    free(job->is_inward);
    drop_tables(job);
    free(job->blur);
    field_solution_done(&job->solution);
}

/* ---- Cells and the table of blur ---- */

static enum nw_status fill_cells(struct surface_job *job, struct nw_err *err) {
    size_t least = job->frames[job->used[0]].n_stars;
    for (size_t i = 0; i < job->n_used; i++) {
        const size_t n = job->frames[job->used[i]].n_stars;
        least = n < least ? n : least;
    }
    job->grid = field_grid_for(&job->frames[job->used[0]], least);
    const size_t n_cells = job->grid.nx * job->grid.ny;
    for (size_t i = 0; i < job->n_used; i++) {
        const enum nw_status status = field_cells_fill(&job->frames[job->used[i]], &job->grid,
                                                       &job->cells[i * FIELD_CELLS_MAX], err);
        if (status != NW_OK) {
            return status;
        }
    }
    job->fit.n_obs = 0;
    for (size_t i = 0; i < job->n_used; i++) {
        for (size_t k = 0; k < n_cells; k++) {
            const struct field_cell *const c = &job->cells[i * FIELD_CELLS_MAX + k];
            if (c->n) {
                job->obs[job->fit.n_obs++] =
                    (struct field_obs){i, k, c->u, c->v, c->rho2, log(c->r_px), c->ln_sigma};
            }
        }
    }
    return NW_OK;
}

static void range_of(const struct surface_job *job, double *ret_low, double *ret_high) {
    *ret_low = INFINITY;
    *ret_high = 0.0;
    for (size_t i = 0; i < job->fit.n_obs; i++) {
        const double r = exp(job->obs[i].ln_r);
        *ret_low = fmin(*ret_low, r);
        *ret_high = fmax(*ret_high, r);
    }
}

/* measure sums the light within 2.5 FWHM of the frame and half of that is meant: a table for each
 * radius, in classes of 6 %. */
static enum nw_status make_blur(struct surface_job *job, struct nw_err *err) {
    const struct nw_field_optics *const optics = &job->opts->optics;
    const double wave_m = optics->wavelength_m > 0.0 ? optics->wavelength_m : 550e-9;
    static const double CLASS = 0.06;
    double low = 0.0;
    double high = 0.0;
    range_of(job, &low, &high);
    struct field_blur_opts opts = {
        .lambda_f_px = optics->f_ratio > 0.0 && optics->pixel_m > 0.0
                           ? wave_m * optics->f_ratio / optics->pixel_m
                           : 0.0,
        .obstruction = optics->obstruction > 0.0 ? optics->obstruction : 0.0,
        .width_low_px = 0.25 * low,
        .width_high_px = 2.5 * high,
        .disc_high_px = 5.0 * high,
    };
    for (size_t i = 0; i < job->n_used; i++) {
        const double fwhm_px = job->frames[job->used[i]].fwhm_px;
        const double aperture_px = isfinite(fwhm_px) ? 2.5 * fwhm_px : 5.0 * high;
        const int key = (int)lround(log(fmax(aperture_px, 1.5 * low)) / CLASS);
        size_t k = 0;
        while (k < job->n_tables && job->table_key[k] != key && k + 1 < FIELD_TABLES_MAX) {
            k++;
        }
        if (k == job->n_tables) {
            opts.aperture_px = exp(key * CLASS);
            const enum nw_status status = field_blur_new(&opts, &job->tables[k], err);
            if (status != NW_OK) {
                return status;
            }
            job->table_key[k] = key;
            job->n_tables++;
        }
        job->blur[i] = job->tables[k];
    }
    return NW_OK;
}

/* ---- The fit ---- */

static void set_priors(struct surface_job *job) {
    struct field_prior *const p = job->fit.prior;
    const bool is_single = job->method == NW_SURFACE_SINGLE;
    const double k = is_single && !isfinite(job->k_m) ? 1.0 : job->k_m;
    for (size_t i = 0; i <= FIELD_C; i++) {
        p[i] = (struct field_prior){0.0, is_single ? HEIGHT_SINGLE_PX / k : INFINITY};
    }
    p[FIELD_GROWTH] = (struct field_prior){0.0, is_single ? GROWTH_SINGLE : GROWTH_MANY};
    const struct nw_field_baseline *const base = job->opts->baseline;
    if (is_single && base && isfinite(job->k_m)) {
        p[FIELD_C] = (struct field_prior){base->c_m, base->c_sigma_m};
        p[FIELD_GROWTH] = (struct field_prior){base->growth, base->growth_sigma};
    }
    p[FIELD_BACK] = (struct field_prior){0.0, job->has_backlash ? INFINITY : 0.0};
    p[FIELD_MU] = (struct field_prior){0.0, INFINITY};
    p[FIELD_LNK] = (struct field_prior){0.0, 0.0};
    if (is_single) {
        p[FIELD_LNK].mean = log(k); /* a pixel of blur where nothing else is known */
    } else if (job->is_metric && isfinite(job->k_m)) {
        p[FIELD_LNK] = (struct field_prior){log(job->k_m), 0.0}; /* its error: widen_by_scale */
    } else {
        p[FIELD_LNK] = (struct field_prior){0.0, job->method == NW_SURFACE_PAIR ? 0.0 : INFINITY};
    }
    job->fit.width_scatter = WIDTH_SCATTER;
}

/* The place where stars are smallest, and how fast they grow away from it: px of blur per U. */
static void sharpest_place(const struct surface_job *job, double *ret_place, double *ret_k) {
    double least = INFINITY;
    double most = 0.0;
    double far = 0.0;
    *ret_place = 0.0;
    for (size_t i = 0; i < job->n_used; i++) {
        double ln_r[FIELD_CELLS_MAX];
        size_t n = 0;
        for (size_t k = 0; k < job->fit.n_obs; k++) {
            if (job->obs[k].frame == i) {
                ln_r[n++] = job->obs[k].ln_r;
            }
        }
        const double r = n ? exp(nw_stat_median(ln_r, n)) : NAN;
        if (r < least) {
            least = r;
            *ret_place = job->place[i];
        }
        most = fmax(most, r);
    }
    for (size_t i = 0; i < job->n_used; i++) {
        far = fmax(far, fabs(job->place[i] - *ret_place));
    }
    *ret_k = 2.83 * sqrt(fmax(0.1, most * most - least * least)) / far;
}

static void start_at(const struct surface_job *job, const double z[static 4], double ln_k,
                     double *par) {
    double low = 0.0;
    double high = 0.0;
    range_of(job, &low, &high);
    memcpy(par, z, 4 * sizeof *par);
    par[FIELD_GROWTH] = 0.0;
    par[FIELD_LNK] = ln_k;
    par[FIELD_BACK] = 0.0;
    for (size_t i = 0; i <= job->n_used; i++) { /* MU and the widths behind it */
        par[FIELD_MU + i] = log(low / 0.6);
    }
}

/* Fits from each start; the best one stays. */
static enum nw_status fit_starts(struct surface_job *job, double starts[][4], size_t n, double ln_k,
                                 struct nw_err *err) {
    struct field_solution best = {.cost = INFINITY};
    enum nw_status last = NW_DATA;
    for (size_t i = 0; i < n; i++) {
        struct field_solution s = {0};
        enum nw_status status = field_solution_init(&job->fit, &s, err);
        if (status == NW_OK) {
            start_at(job, starts[i], ln_k, s.par);
            status = field_fit(&job->fit, &s, err);
        }
        if (status == NW_OK && s.cost < best.cost) {
            field_solution_done(&best);
            best = s;
            s = (struct field_solution){0};
        }
        field_solution_done(&s);
        last = isfinite(best.cost) ? NW_OK : status;
        if (status == NW_NOMEM) {
            last = status;
            break;
        }
    }
    field_solution_done(&job->solution);
    job->solution = best;
    return last;
}

/* Starts on one side of focus, tilted towards each side, curved either way. */
static enum nw_status fit_side(struct surface_job *job, double side, struct nw_err *err) {
    const double k = exp(job->fit.prior[FIELD_LNK].mean);
    const double steps[3] = {0.3 / k, 1.5 / k, 4.0 / k}; /* px of blur */
    double starts[24][4];
    size_t n = 0;
    for (size_t i = 0; i < 3; i++) {
        for (size_t q = 0; q < 8; q++) {
            const double tilt = 2.0 / k;
            starts[n][0] = side * steps[i];
            starts[n][1] = q % 4 == 0 ? tilt : q % 4 == 1 ? -tilt : 0.0;
            starts[n][2] = q % 4 == 2 ? tilt : q % 4 == 3 ? -tilt : 0.0;
            starts[n][3] = q < 4 ? 0.7 / k : -0.7 / k;
            n++;
        }
    }
    return fit_starts(job, starts, n, log(k), err);
}

/* How badly the last fit of one frame disagrees with the baseline's astigmatism, in chi^2, and how
 * much worse its mirror image would do, all heights turned: with that and with the curvature. */
static enum nw_status judge(const struct surface_job *job, double *ret_miss2, double *ret_mirror2,
                            struct nw_err *err) {
    static const double MODEL = 0.15; /* of the size of astigmatism: fields differ a little */
    const struct nw_field_baseline *const base = job->opts->baseline;
    struct nw_surface surface = {0};
    const enum nw_status status = surface_wavefront(job, 1.0, &surface, err);
    const struct nw_wavefront *const w = &surface.wavefront;
    const double sigma2 = pow(w->astigmatism_sigma_m, 2.0) + pow(base->astigmatism_sigma_m, 2.0) +
                          pow(MODEL * base->astigmatism_m, 2.0);
    const double miss2 = pow(w->astigmatism_m - base->astigmatism_m, 2.0) / sigma2;
    const double turned2 = 4.0 * w->astigmatism_m * base->astigmatism_m / sigma2;
    *ret_miss2 = isfinite(miss2) ? miss2 : 0.0;
    *ret_mirror2 = (isfinite(turned2) ? turned2 : 0.0) +
                   4.0 * job->solution.par[FIELD_C] * base->c_m / pow(base->c_sigma_m, 2.0);
    return status;
}

/* With a baseline the side follows from the signs of curvature and astigmatism: known when the
 * other side, and the mirror image, do worse by 9. */
static enum nw_status fit_single(struct surface_job *job, struct nw_err *err) {
    enum nw_status status = fit_side(job, 1.0, err);
    if (status != NW_OK || !job->opts->baseline || !isfinite(job->k_m)) {
        return status;
    }
    static const double SURE = 9.0;
    double miss2[2] = {0.0, 0.0};
    double mirror2[2] = {0.0, 0.0};
    status = judge(job, &miss2[0], &mirror2[0], err);
    struct field_solution first = job->solution;
    job->solution = (struct field_solution){0};
    if (status == NW_OK) {
        status = fit_side(job, -1.0, err);
    }
    if (status == NW_OK) {
        status = judge(job, &miss2[1], &mirror2[1], err);
    }
    if (status == NW_OK && first.par && job->solution.par) {
        /* in units of what the cells really scatter */
        const double scale = fmax(0.4, fmin(first.misfit, job->solution.misfit));
        const double *const p = first.par;
        const double *const q = job->solution.par;
        const bool is_other = p[FIELD_A] * q[FIELD_A] + p[FIELD_B] * q[FIELD_B] < 0.0;
        const double gain =
            (first.cost - job->solution.cost) / (scale * scale) + miss2[0] - miss2[1];
        const size_t better = gain > 0.0 ? 1 : 0;
        if (better == 0) {
            const struct field_solution second = job->solution;
            job->solution = first;
            first = second;
        }
        job->is_side_known = mirror2[better] > SURE && (!is_other || fabs(gain) > SURE);
    }
    field_solution_done(&first);
    return status;
}

/* The size of the blur is taken as known, not fitted along: what a sweep says of it hangs on the
 * wings of the profile, so that a fit would trust itself too much. Its error comes on top: how the
 * solution moves when it is off by that (a consider parameter; Tapley, Schutz & Born 2004,
 * Statistical Orbit Determination, 6.3). */
static enum nw_status widen_by_scale(struct surface_job *job, struct nw_err *err) {
    struct field_solution *const s = &job->solution;
    const double off = job->method == NW_SURFACE_PAIR ? BLUR_PAIR : BLUR_SWEEP;
    struct field_solution other = {0};
    struct field_prior *const prior = &job->fit.prior[FIELD_LNK];
    enum nw_status status = field_solution_init(&job->fit, &other, err);
    if (status == NW_OK) {
        memcpy(other.par, s->par, s->n_par * sizeof *s->par);
        other.par[FIELD_LNK] += off;
        prior->mean += off;
        status = field_fit(&job->fit, &other, err);
        prior->mean -= off;
    }
    for (size_t i = 0; status == NW_OK && i < s->n_par; i++) {
        for (size_t j = 0; j < s->n_par; j++) {
            s->cov[i * s->n_par + j] += (other.par[i] - s->par[i]) * (other.par[j] - s->par[j]);
        }
    }
    field_solution_done(&other);
    return status;
}

static enum nw_status fit_many(struct surface_job *job, struct nw_err *err) {
    double place = 0.0;
    double k = NAN;
    sharpest_place(job, &place, &k);
    const bool is_known = job->is_metric && isfinite(job->k_m);
    enum nw_status status = NW_OK;
    if (job->method == NW_SURFACE_PAIR) {
        const double half = 0.5 * fabs(job->place[0] - job->place[job->n_used - 1]);
        double starts[3][4] = {{0.0}, {0.4 * half}, {-0.4 * half}};
        if (!is_known) {
            /* the scale stays open: ratios and directions alone; a guess at blur of 3 px */
            job->fit.prior[FIELD_LNK].mean = log(3.0 / half);
        }
        status = fit_starts(job, starts, 3, job->fit.prior[FIELD_LNK].mean, err);
    } else {
        const double ln_k = is_known ? log(job->k_m) : log(isfinite(k) ? k : 1.0);
        double starts[1][4] = {{place}};
        status = fit_starts(job, starts, 1, ln_k, err);
    }
    return status == NW_OK && is_known ? widen_by_scale(job, err) : status;
}

/* The size of the blur as the sweep alone has it: a check of the focuser's step. */
static enum nw_status fit_free_scale(struct surface_job *job, struct nw_err *err) {
    const size_t n = job->solution.n_par;
    assert(job->solution.par && job->solution.cov); /* fitted before */
    job->ln_k_free = job->solution.par[FIELD_LNK];
    job->ln_k_sigma = sqrt(job->solution.cov[FIELD_LNK * n + FIELD_LNK]);
    if (job->method != NW_SURFACE_SWEEP || !isfinite(job->fit.prior[FIELD_LNK].sigma)) {
        return NW_OK;
    }
    struct field_solution free_one = {0};
    const struct field_prior known = job->fit.prior[FIELD_LNK];
    job->fit.prior[FIELD_LNK].sigma = INFINITY;
    enum nw_status status = field_solution_init(&job->fit, &free_one, err);
    if (status == NW_OK) {
        memcpy(free_one.par, job->solution.par, n * sizeof *free_one.par);
        status = field_fit(&job->fit, &free_one, err);
    }
    if (status == NW_OK) {
        job->ln_k_free = free_one.par[FIELD_LNK];
        job->ln_k_sigma = sqrt(free_one.cov[FIELD_LNK * n + FIELD_LNK]);
    }
    job->fit.prior[FIELD_LNK] = known;
    field_solution_done(&free_one);
    return status == NW_DATA ? NW_OK : status;
}

static enum nw_status fit_once(struct surface_job *job, struct nw_err *err) {
    const struct nw_field_opts *const o = job->opts;
    job->is_side_known = false;
    job->method = surface_method_of(job);
    job->k_m = 1.0 / (o->optics.f_ratio * o->optics.pixel_m); /* REFERENCES FOC-05 */
    job->is_metric = job->method == NW_SURFACE_SINGLE ? isfinite(job->k_m) : o->step_m > 0.0;
    surface_sort_by_time(job);
    surface_set_places(job);
    enum nw_status status = fill_cells(job, err);
    if (status != NW_OK) {
        return status;
    }
    if (job->fit.n_obs < 6) {
        return nw_err_set(err, NW_DATA, "%s: %zu cells with stars, a surface needs 6",
                          job->frames[job->used[0]].path, job->fit.n_obs);
    }
    drop_tables(job);
    status = make_blur(job, err);
    if (status != NW_OK) {
        return status;
    }
    job->fit.blur = job->blur;
    job->fit.obs = job->obs;
    job->fit.n_frames = job->n_used;
    job->fit.place = job->place;
    job->fit.is_inward = job->is_inward;
    set_priors(job);
    return job->method == NW_SURFACE_SINGLE ? fit_single(job, err) : fit_many(job, err);
}

static enum nw_status job_init(struct surface_job *job, struct nw_surface *ret,
                               struct nw_err *err) {
    const size_t n = job->n_frames;
    job->used = nw_calloc(n, sizeof *job->used);
    job->cells = nw_calloc(n * FIELD_CELLS_MAX, sizeof *job->cells);
    job->obs = nw_calloc(n * FIELD_CELLS_MAX, sizeof *job->obs);
    job->place = nw_calloc(n, sizeof *job->place);
    job->blur = nw_calloc(n, sizeof(const struct field_blur *));
    job->is_inward = nw_calloc(n, sizeof *job->is_inward);
    ret->frames = nw_calloc(n, sizeof *ret->frames);
    if (!job->used || !job->cells || !job->obs || !job->place || !job->blur || !job->is_inward ||
        !ret->frames) {
        return nw_err_set(err, NW_NOMEM, "surface of %zu frames", n);
    }
    ret->n_frames = n;
    for (size_t i = 0; i < n; i++) {
        job->used[job->n_used++] = i;
        ret->frames[i] = (struct nw_surface_frame){.index = i,
                                                   .is_used = true,
                                                   .place = NAN,
                                                   .width_px = NAN,
                                                   .width_sigma = NAN,
                                                   .misfit = NAN};
    }
    return NW_OK;
}

static enum nw_status fit_and_refuse(struct surface_job *job, struct nw_surface *ret,
                                     struct nw_err *err) {
    surface_refuse_early(job, ret);
    if (job->n_used == 0) {
        return nw_err_set(err, NW_DATA, "%s: %s", job->frames[0].path, ret->frames[0].why);
    }
    if (surface_method_of(job) == NW_SURFACE_SINGLE) {
        surface_keep_sharpest(job, ret);
    }
    for (;;) {
        const enum nw_status status = fit_once(job, err);
        if (status != NW_OK || job->method != NW_SURFACE_SWEEP || job->n_used < 5 ||
            3 * job->n_used < 2 * job->n_frames) {
            return status;
        }
        char why[120];
        const size_t stranger = surface_find_stranger(job, why, sizeof why);
        if (stranger == job->n_used) {
            return NW_OK;
        }
        surface_refuse(job, ret, stranger, why);
    }
}

enum nw_status nw_field_surface(const struct nw_field_frame *frames, size_t n,
                                const struct nw_field_opts *opts, struct nw_surface *ret,
                                struct nw_err *err) {
    struct surface_job job = {.frames = frames, .n_frames = n, .opts = opts};
    struct nw_surface surface = {0};
    enum nw_status status = NW_OK;
    if (n == 0 || n > FIELD_FRAMES_MAX) {
        return nw_err_set(err, NW_LIMIT, "%zu frames, 1 to %d are read together", n,
                          FIELD_FRAMES_MAX);
    }
    status = job_init(&job, &surface, err);
    if (status == NW_OK) {
        status = surface_check_sizes(&job, err);
    }
    if (status == NW_OK) {
        status = fit_and_refuse(&job, &surface, err);
    }
    if (status == NW_OK) {
        status = fit_free_scale(&job, err);
    }
    if (status == NW_OK) {
        status = surface_result(&job, &surface, err);
    }
    if (status == NW_OK) {
        *ret = surface;
        surface = (struct nw_surface){0};
    }
    job_done(&job);
    nw_surface_done(&surface);
    return status;
}
