/* fit.c - the joint fit of one focal surface to the cells of all frames.
 * Idea: least squares on ln(half-light radius) by Levenberg-Marquardt (Marquardt 1963, J. SIAM 11,
 * 431) with Huber's weights (Huber 1964, Ann. Math. Stat. 35, 73); what is known beforehand enters
 * as rows of its own; derivatives are those of the table of blur.
 * Holds: parameters that are not free keep their prior's mean. */
#include "field/field_internal.h"

#include <math.h>

static const double HUBER = 2.0;

enum nw_status field_solution_init(const struct field_job *job, struct field_solution *ret,
                                   struct nw_err *err) {
    struct field_solution s = {.n_par = FIELD_W + job->n_frames, .cost = INFINITY};
    s.par = nw_calloc(s.n_par, sizeof *s.par);
    s.cov = nw_calloc(s.n_par * s.n_par, sizeof *s.cov);
    s.pull = nw_calloc(job->n_obs ? job->n_obs : 1, sizeof *s.pull);
    if (!s.par || !s.cov || !s.pull) {
        field_solution_done(&s);
        return nw_err_set(err, NW_NOMEM, "fit of %zu cells", job->n_obs);
    }
    *ret = s;
    return NW_OK;
}

void field_solution_done(struct field_solution *solution) {
    if (solution) {
        free(solution->par);
        free(solution->cov);
        free(solution->pull);
        *solution = (struct field_solution){0};
    }
}

double field_predict(const struct field_job *job, const double *par, const struct field_obs *obs,
                     double by[static FIELD_W], double *ret_by_width) {
    const double z =
        par[FIELD_Z0] + par[FIELD_A] * obs->u + par[FIELD_B] * obs->v + par[FIELD_C] * obs->rho2;
    const double inward = job->is_inward[obs->frame] ? 1.0 : 0.0;
    const double d = job->place[obs->frame] + inward * par[FIELD_BACK] - z;
    const double k = exp(par[FIELD_LNK]);
    const struct field_blur_value value =
        field_blur_at(job->blur[obs->frame],
                      par[FIELD_W + obs->frame] + par[FIELD_GROWTH] * obs->rho2, k * fabs(d));
    const double by_d = value.by_disc * (d < 0.0 ? -k : k);
    by[FIELD_Z0] = -by_d;
    by[FIELD_A] = -by_d * obs->u;
    by[FIELD_B] = -by_d * obs->v;
    by[FIELD_C] = -by_d * obs->rho2;
    by[FIELD_GROWTH] = value.by_ln_width * obs->rho2;
    by[FIELD_LNK] = value.by_disc * k * fabs(d);
    by[FIELD_BACK] = by_d * inward;
    by[FIELD_MU] = 0.0;
    *ret_by_width = value.by_ln_width;
    return value.ln_r;
}

/* Normal equations: m (n x n, both triangles), g = -gradient / 2. */
struct normal {
    size_t n;
    double *m, *g;
};

/* A row with derivatives `by` at the places `at`. */
static void add_row(struct normal *normal, const size_t *at, const double *by, size_t n_at,
                    double residual, double weight) {
    for (size_t i = 0; normal && i < n_at; i++) {
        normal->g[at[i]] += weight * by[i] * residual;
        for (size_t j = 0; j < n_at; j++) {
            normal->m[at[i] * normal->n + at[j]] += weight * by[i] * by[j];
        }
    }
}

/* Cost of `par`; fills normal unless NULL, pulls unless NULL. */
static double evaluate(const struct field_job *job, const double *par, double scale,
                       struct normal *normal, double *pull) {
    double cost = 0.0;
    if (normal) {
        memset(normal->m, 0, normal->n * normal->n * sizeof *normal->m);
        memset(normal->g, 0, normal->n * sizeof *normal->g);
    }
    for (size_t i = 0; i < job->n_obs; i++) {
        const struct field_obs *const obs = &job->obs[i];
        double by[FIELD_W + 1];
        size_t at[FIELD_W + 1];
        const double ln_r = field_predict(job, par, obs, by, &by[FIELD_W]);
        const double sigma = obs->sigma * scale;
        const double residual = obs->ln_r - ln_r;
        const double t = fabs(residual) / sigma;
        const double weight = (t > HUBER ? HUBER / t : 1.0) / (sigma * sigma);
        cost += t > HUBER ? 2.0 * HUBER * t - HUBER * HUBER : t * t;
        for (size_t k = 0; k <= FIELD_W; k++) {
            at[k] = k < FIELD_W ? k : FIELD_W + obs->frame;
        }
        add_row(normal, at, by, FIELD_W + 1, residual, weight);
        if (pull) {
            pull[i] = residual / obs->sigma;
        }
    }
    for (size_t k = 0; k < FIELD_W; k++) {
        const struct field_prior *const prior = &job->prior[k];
        if (prior->sigma > 0.0 && isfinite(prior->sigma)) {
            const double residual = prior->mean - par[k];
            cost += residual * residual / (prior->sigma * prior->sigma);
            add_row(normal, &k, (const double[]){1.0}, 1, residual,
                    1.0 / (prior->sigma * prior->sigma));
        }
    }
    const double w2 = 1.0 / (job->width_scatter * job->width_scatter);
    for (size_t f = 0; f < job->n_frames; f++) {
        const double residual = par[FIELD_MU] - par[FIELD_W + f];
        cost += residual * residual * w2;
        add_row(normal, (const size_t[]){FIELD_W + f, FIELD_MU}, (const double[]){1.0, -1.0}, 2,
                residual, w2);
    }
    return cost;
}

/* Rows and columns of fixed parameters become those of the identity. */
static void fix(const struct field_job *job, struct normal *normal) {
    for (size_t k = 0; k < FIELD_W; k++) {
        if (job->prior[k].sigma > 0.0) {
            continue;
        }
        for (size_t j = 0; j < normal->n; j++) {
            normal->m[k * normal->n + j] = normal->m[j * normal->n + k] = 0.0;
        }
        normal->m[k * normal->n + k] = 1.0;
        normal->g[k] = 0.0;
    }
}

struct work {
    struct normal normal;
    double *damped, *trial, *step;
};

static bool work_init(struct work *work, size_t n) {
    work->normal.n = n;
    work->normal.m = nw_calloc(n * n, sizeof(double));
    work->normal.g = nw_calloc(n, sizeof(double));
    work->damped = nw_calloc(n * n, sizeof(double));
    work->trial = nw_calloc(n, sizeof(double));
    work->step = nw_calloc(n, sizeof(double));
    return work->normal.m && work->normal.g && work->damped && work->trial && work->step;
}

static void work_done(struct work *work) {
    free(work->normal.m);
    free(work->normal.g);
    free(work->damped);
    free(work->trial);
    free(work->step);
}

/* Cholesky of `m` scaled to a unit diagonal, in place; *diagonal keeps the scale. */
static bool decompose(double *m, size_t n, double *diagonal) {
    for (size_t i = 0; i < n; i++) {
        const double d = m[i * n + i];
        if (!(d > 0.0) || !isfinite(d)) {
            return false;
        }
        diagonal[i] = sqrt(d);
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            m[i * n + j] /= diagonal[i] * diagonal[j];
        }
    }
    for (size_t i = 0; i < n; i++) { /* own: the library's stops the program on failure */
        for (size_t j = 0; j <= i; j++) {
            double sum = m[i * n + j];
            for (size_t k = 0; k < j; k++) {
                sum -= m[i * n + k] * m[j * n + k];
            }
            if (i == j) {
                if (!(sum > 1e-14)) {
                    return false;
                }
                m[i * n + i] = sqrt(sum);
            } else {
                m[i * n + j] = sum / m[j * n + j];
            }
        }
    }
    return true;
}

static void solve(const double *l, size_t n, const double *diagonal, double *x) {
    for (size_t i = 0; i < n; i++) {
        double sum = x[i] / diagonal[i];
        for (size_t k = 0; k < i; k++) {
            sum -= l[i * n + k] * x[k];
        }
        x[i] = sum / l[i * n + i];
    }
    for (size_t i = n; i-- > 0;) {
        double sum = x[i];
        for (size_t k = i + 1; k < n; k++) {
            sum -= l[k * n + i] * x[k];
        }
        x[i] = sum / l[i * n + i];
    }
    for (size_t i = 0; i < n; i++) {
        x[i] /= diagonal[i];
    }
}

/* Minimises at a given scale of the errors. */
static double descend(const struct field_job *job, double scale, struct work *work, double *par) {
    const size_t n = work->normal.n;
    double lambda = 1e-3;
    double cost = evaluate(job, par, scale, &work->normal, NULL);
    for (int round = 0; round < 200 && lambda < 1e12; round++) {
        fix(job, &work->normal);
        memcpy(work->damped, work->normal.m, n * n * sizeof(double));
        for (size_t i = 0; i < n; i++) {
            work->damped[i * n + i] *= 1.0 + lambda;
        }
        memcpy(work->step, work->normal.g, n * sizeof(double));
        if (!decompose(work->damped, n, work->trial)) {
            lambda = fmax(1e-6, 10.0 * lambda);
            continue;
        }
        solve(work->damped, n, work->trial, work->step);
        for (size_t i = 0; i < n; i++) {
            work->trial[i] = par[i] + work->step[i];
        }
        const double next = evaluate(job, work->trial, scale, NULL, NULL);
        if (!(next < cost)) {
            if (fabs(next - cost) < 1e-9 * cost) {
                break;
            }
            lambda = fmax(1e-6, 8.0 * lambda);
            continue;
        }
        const bool is_last = cost - next < 1e-9 * cost;
        memcpy(par, work->trial, n * sizeof(double));
        cost = evaluate(job, par, scale, &work->normal, NULL);
        lambda *= 0.2;
        if (is_last) {
            break;
        }
    }
    return cost;
}

static double robust_rms(const double *pull, size_t n, double *values) {
    for (size_t i = 0; i < n; i++) {
        values[i] = fabs(pull[i]);
    }
    return NW_SIGMA_PER_MAD * nw_stat_median(values, n);
}

/* Errors of cells are taken as smaller than stated, too, where the fit says so: within a cell stars
 * differ because the field does. Of n residuals about p parameters. */
static double scale_of(const struct field_solution *s, size_t n_obs) {
    const double n_free = (double)n_obs - 6.0;
    const double scale = s->misfit * sqrt((double)n_obs / fmax(1.0, n_free));
    return fmax(n_obs >= 20 ? 0.4 : 1.0, scale);
}

/* Inverse of the normal matrix of the last point, at the scale of the errors. */
static bool covariance(const struct field_job *job, struct work *work, double *cov) {
    const size_t n = work->normal.n;
    fix(job, &work->normal);
    memcpy(work->damped, work->normal.m, n * n * sizeof(double));
    if (!decompose(work->damped, n, work->trial)) {
        return false;
    }
    for (size_t j = 0; j < n; j++) {
        memset(work->step, 0, n * sizeof(double));
        work->step[j] = j >= FIELD_W || job->prior[j].sigma > 0.0 ? 1.0 : 0.0;
        solve(work->damped, n, work->trial, work->step);
        for (size_t i = 0; i < n; i++) {
            cov[i * n + j] = work->step[i];
        }
    }
    return true;
}

enum nw_status field_fit(const struct field_job *job, struct field_solution *s,
                         struct nw_err *err) {
    struct work work = {.damped = NULL};
    double *values = nw_calloc(job->n_obs ? job->n_obs : 1, sizeof *values);
    enum nw_status status = NW_OK;
    if (!values || !work_init(&work, s->n_par)) {
        status = nw_err_set(err, NW_NOMEM, "fit of %zu cells", job->n_obs);
        goto done;
    }
    if (job->n_obs < 5) {
        status = nw_err_set(err, NW_DATA,
                            "%zu cells with stars are too few for a surface, at least 5 are "
                            "needed",
                            job->n_obs);
        goto done;
    }
    double scale = 1.0;
    for (int round = 0; round < 3; round++) {
        s->cost = descend(job, scale, &work, s->par);
        (void)evaluate(job, s->par, scale, NULL, s->pull);
        s->misfit = robust_rms(s->pull, job->n_obs, values);
        scale = scale_of(s, job->n_obs);
    }
    (void)evaluate(job, s->par, scale, &work.normal, s->pull);
    s->cost = evaluate(job, s->par, 1.0, NULL, NULL); /* comparable between fits */
    if (!isfinite(s->cost) || !covariance(job, &work, s->cov)) {
        status = nw_err_set(err, NW_DATA,
                            "%zu cells with stars do not determine a focal surface: they lie on a "
                            "line or leave its width open; stars all over the frame are needed",
                            job->n_obs);
    }
done:
    free(values);
    work_done(&work);
    return status;
}
