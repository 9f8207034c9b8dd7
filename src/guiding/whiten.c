/* whiten.c - see whiten.h.
 * State [m, v, n]: walk, drift, noise with memory; one measurement m + n and white noise.
 * Holds: 1. with rho = 0 it is the filter of filter.h.  2. a start makes m unknown and keeps v, as
 * there: the mount's drift outlives a dither. */
#include "guiding/whiten.h"

#include <math.h>

#include "guiding/filter.h"

/* Covariance of the state. */
struct cov {
    double mm, mv, vv, mn, vn, nn;
};

static void predict(struct cov *p, const struct guide_step *step, double q, double qv,
                    double slow) {
    const double dt = step->dt;
    p->mm += dt * (2.0 * p->mv + dt * p->vv) + q * dt + qv * dt * dt * dt / 3.0;
    p->mv += dt * p->vv + qv * dt * dt / 2.0;
    p->vv += qv * dt;
    p->mn = step->keep * (p->mn + dt * p->vn);
    p->vn *= step->keep;
    p->nn = step->keep * step->keep * p->nn + (1.0 - step->keep * step->keep) * slow;
}

/* The gains of a step and the covariance behind it; returns the variance of the innovation. */
static double update(struct cov *p, struct guide_step *step, double white) {
    const double m = p->mm + p->mn; /* covariances with the innovation */
    const double v = p->mv + p->vn;
    const double n = p->mn + p->nn;
    const double s = m + n + white;
    const double share = 1.0 / s; /* one division: everything here waits for it */
    step->k_m = m * share;
    step->k_v = v * share;
    step->k_n = n * share;
    p->mm -= step->k_m * m;
    p->mv -= step->k_m * v;
    p->vv -= step->k_v * v;
    p->mn -= step->k_m * n;
    p->vn -= step->k_v * n;
    p->nn -= step->k_n * n;
    return s;
}

/* State of the filter of one column. */
struct state {
    double m, v, n;
};

static inline void state_start(struct state *x, double value) {
    x->m = value;
    x->n = 0.0;
}

/* Takes one value in; returns its innovation. */
static inline double state_next(struct state *x, const struct guide_step *step, double value) {
    x->m += x->v * step->dt;
    x->n *= step->keep;
    const double nu = value - x->m - x->n;
    x->m += step->k_m * nu;
    x->v += step->k_v * nu;
    x->n += step->k_n * nu;
    return nu;
}

/* A filter whose gains are found step by step. */
struct gains {
    struct cov p;
    double q, qv, rho, white;
    double last_dt, last_keep; /* powers are dear */
    bool is_v_known;           /* the first innovation only tells v */
    double ln_s, product;      /* of the variances; logarithms are dear */
    size_t n_told;
};

static struct gains gains_of(const struct guide_noise *noise) {
    return (struct gains){.p = {.vv = KALMAN_V_UNKNOWN},
                          .q = exp(noise->ln_q),
                          .qv = kalman_wander_of(noise->ln_qv),
                          .rho = noise->rho,
                          .white = noise->white,
                          .last_dt = NAN,
                          .product = 1.0};
}

/* What a noise remembers over dt. One that turns about from sample to sample (rho < 0) is no
 * process in time: it exists for fits that must be free to err on either side of 0. */
static double keep_over(double rho, double dt) {
    return rho < 0.0 ? -pow(-rho, dt) : rho > 0.0 ? pow(rho, dt) : 0.0;
}

/* The gains of sample k, weight aside; returns the variance of the innovation, 0: tells nothing. */
static inline double gains_next(struct gains *g, const struct guide_series *s, size_t k,
                                struct guide_step *step) {
    *step = (struct guide_step){.dt = kalman_step_of(s, k)};
    if (s->starts[k] || k == 0) { /* m is what the sample says, less its noise */
        const double slow = 1.0 - g->white;
        g->p = (struct cov){.mm = 1.0, .mn = -slow, .nn = slow, .vv = g->p.vv + g->qv * step->dt};
        return 0.0;
    }
    if (!(fabs(step->dt - g->last_dt) <= 0.0)) {
        g->last_dt = step->dt;
        g->last_keep = keep_over(g->rho, step->dt);
    }
    step->keep = g->last_keep;
    predict(&g->p, step, g->q, g->qv, 1.0 - g->white);
    const double var = update(&g->p, step, g->white);
    if (!g->is_v_known) {
        g->is_v_known = step->dt > 0.0;
        return 0.0;
    }
    g->product *= var;
    if (g->product > 1e200 || g->product < 1e-200) {
        g->ln_s += log(g->product);
        g->product = 1.0;
    }
    g->n_told++;
    return var;
}

enum nw_status nw_guide_whitener_init(const struct guide_series *s, const struct guide_noise *noise,
                                      struct guide_whitener *ret, struct nw_err *err) {
    struct guide_whitener w = {.steps = nw_calloc(s->n + 1, sizeof *w.steps)};
    if (!w.steps) {
        return nw_err_set(err, NW_NOMEM, "gains of %zu guide samples", s->n);
    }
    nw_guide_whitener_set(s, noise, &w);
    *ret = w;
    return NW_OK;
}

void nw_guide_whitener_set(const struct guide_series *s, const struct guide_noise *noise,
                           struct guide_whitener *w) {
    struct gains g = gains_of(noise);
    for (size_t k = 0; k < s->n; k++) {
        const double var = gains_next(&g, s, k, &w->steps[k]);
        w->steps[k].weight = var > 0.0 ? 1.0 / sqrt(var) : 0.0;
    }
    w->starts = s->starts;
    w->n = s->n;
    w->n_told = g.n_told;
    w->ln_s = g.ln_s + log(g.product);
    w->vv = g.p.vv;
}

double nw_guide_noise_squares(const struct guide_series *s, const struct guide_noise *noise,
                              const double *column, double *ret_ln_s, size_t *ret_n) {
    struct gains g = gains_of(noise);
    struct state x = {.m = 0.0};
    double sum = 0.0;
    for (size_t k = 0; k < s->n; k++) {
        struct guide_step step;
        const double var = gains_next(&g, s, k, &step);
        if (s->starts[k] || k == 0) {
            state_start(&x, column[k]);
            continue;
        }
        const double nu = state_next(&x, &step, column[k]);
        sum += var > 0.0 ? nu * nu / var : 0.0;
    }
    *ret_ln_s = g.ln_s + log(g.product);
    *ret_n = g.n_told;
    return sum;
}

struct guide_two nw_guide_noise_two(const struct guide_series *s, const struct guide_noise *noise,
                                    const double *e, const double *x) {
    struct gains g = gains_of(noise);
    struct state at_e = {.m = 0.0};
    struct state at_x = {.m = 0.0};
    struct guide_two two = {.n = 0};
    for (size_t k = 0; k < s->n; k++) {
        struct guide_step step;
        const double var = gains_next(&g, s, k, &step);
        if (s->starts[k] || k == 0) {
            state_start(&at_e, e[k]);
            state_start(&at_x, x[k]);
            continue;
        }
        const double nu_e = state_next(&at_e, &step, e[k]);
        const double nu_x = state_next(&at_x, &step, x[k]);
        const double share = var > 0.0 ? 1.0 / var : 0.0;
        two.ee += nu_e * nu_e * share;
        two.ex += nu_e * nu_x * share;
        two.xx += nu_x * nu_x * share;
    }
    two.ln_s = g.ln_s + log(g.product);
    two.n = g.n_told;
    two.v_e = at_e.v;
    two.v_x = at_x.v;
    two.vv = g.p.vv;
    return two;
}

void nw_guide_whitener_done(struct guide_whitener *w) {
    if (w) {
        free(w->steps);
        *w = (struct guide_whitener){0};
    }
}

double nw_guide_whiten(const struct guide_whitener *w, const double *column, double *ret) {
    struct state x = {.m = 0.0};
    for (size_t k = 0; k < w->n; k++) {
        const struct guide_step *step = &w->steps[k];
        if (w->starts[k] || k == 0) {
            state_start(&x, column[k]);
            ret[k] = 0.0;
            continue;
        }
        ret[k] = state_next(&x, step, column[k]) * step->weight;
    }
    return x.v;
}

/* One column is a chain in which every step waits for the one before; beside each other they do not
 * take longer. */
enum { SIDE = 6 };

static void whiten_side(const struct guide_whitener *w, double *const *columns, size_t n_cols) {
    struct state state[SIDE] = {{0.0, 0.0, 0.0}};
    double *at[SIDE];
    for (size_t i = 0; i < SIDE; i++) { /* places that are left over repeat the last */
        at[i] = columns[i < n_cols ? i : n_cols - 1];
    }
    for (size_t k = 0; k < w->n; k++) {
        const struct guide_step *step = &w->steps[k];
        const bool is_start = w->starts[k] || k == 0;
        double x[SIDE];
        for (size_t i = 0; i < SIDE; i++) { /* all are read before one is written */
            x[i] = at[i][k];
        }
        for (size_t i = 0; i < SIDE && is_start; i++) {
            state_start(&state[i], x[i]);
            x[i] = 0.0;
        }
        for (size_t i = 0; i < SIDE && !is_start; i++) {
            x[i] = state_next(&state[i], step, x[i]) * step->weight;
        }
        for (size_t i = 0; i < SIDE; i++) {
            at[i][k] = x[i];
        }
    }
}

void nw_guide_whiten_all(const struct guide_whitener *w, double *const *columns, size_t n_cols) {
    for (size_t first = 0; first < n_cols; first += SIDE) {
        whiten_side(w, columns + first, n_cols - first);
    }
}

struct guide_normal nw_guide_normal(const double *y, const double *const *x, size_t n_cols,
                                    size_t n) {
    struct guide_normal normal = {.n_cols = n_cols};
    for (size_t k = 0; k < n; k++) {
        normal.yy += y[k] * y[k];
        for (size_t i = 0; i < n_cols; i++) {
            normal.xy[i] += x[i][k] * y[k];
            for (size_t j = 0; j <= i; j++) {
                normal.xx[i][j] += x[i][k] * x[j][k];
            }
        }
    }
    for (size_t i = 0; i < n_cols; i++) {
        for (size_t j = i + 1; j < n_cols; j++) {
            normal.xx[i][j] = normal.xx[j][i];
        }
    }
    return normal;
}

/* Gauss-Jordan on the scaled matrix, positive definite: no pivoting needed. */
static bool invert(double a[GUIDE_COLUMNS][GUIDE_COLUMNS], size_t n) {
    for (size_t i = 0; i < n; i++) {
        const double pivot = a[i][i];
        if (!(pivot > 1e-10)) {
            return false;
        }
        a[i][i] = 1.0;
        for (size_t k = 0; k < n; k++) {
            a[i][k] /= pivot;
        }
        for (size_t j = 0; j < n; j++) {
            const double factor = a[j][i];
            if (j != i) {
                a[j][i] = 0.0;
                for (size_t k = 0; k < n; k++) {
                    a[j][k] -= factor * a[i][k];
                }
            }
        }
    }
    return true;
}

bool nw_guide_solve(const struct guide_normal *normal, struct guide_solution *ret) {
    const size_t n = normal->n_cols;
    double a[GUIDE_COLUMNS][GUIDE_COLUMNS];
    double scale[GUIDE_COLUMNS];
    for (size_t i = 0; i < n; i++) {
        scale[i] = sqrt(normal->xx[i][i]);
        if (!(scale[i] > 0.0)) {
            return false;
        }
    }
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            a[i][j] = normal->xx[i][j] / (scale[i] * scale[j]);
        }
    }
    if (!invert(a, n)) {
        return false;
    }
    *ret = (struct guide_solution){.rss = normal->yy};
    for (size_t i = 0; i < n; i++) {
        for (size_t j = 0; j < n; j++) {
            ret->cov[i][j] = a[i][j] / (scale[i] * scale[j]);
            ret->c[i] += ret->cov[i][j] * normal->xy[j];
        }
        ret->rss -= ret->c[i] * normal->xy[i];
    }
    ret->rss = fmax(ret->rss, 0.0);
    return true;
}
