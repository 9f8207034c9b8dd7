/* whiten.c - see whiten.h.
 * State [m, v, n]: walk, drift, noise with memory; one measurement m + n without further noise.
 * Holds: 1. with rho = 0 it is the filter of filter.h.  2. a start makes m unknown and keeps v, as
 * there: the mount's drift outlives a dither. */
#include "guiding/whiten.h"

#include <math.h>

#include "guiding/filter.h"

/* Covariance of the state. */
struct cov {
    double mm, mv, vv, mn, vn, nn;
};

static void predict(struct cov *p, const struct guide_step *step, double q, double qv) {
    const double dt = step->dt;
    p->mm += dt * (2.0 * p->mv + dt * p->vv) + q * dt + qv * dt * dt * dt / 3.0;
    p->mv += dt * p->vv + qv * dt * dt / 2.0;
    p->vv += qv * dt;
    p->mn = step->keep * (p->mn + dt * p->vn);
    p->vn *= step->keep;
    p->nn = step->keep * step->keep * p->nn + 1.0 - step->keep * step->keep;
}

/* The gains of a step and the covariance behind it; returns the variance of the innovation. */
static double update(struct cov *p, struct guide_step *step) {
    const double s = p->mm + 2.0 * p->mn + p->nn;
    step->k_m = (p->mm + p->mn) / s;
    step->k_v = (p->mv + p->vn) / s;
    step->k_n = (p->mn + p->nn) / s;
    p->mm -= s * step->k_m * step->k_m;
    p->mv -= s * step->k_m * step->k_v;
    p->vv -= s * step->k_v * step->k_v;
    p->mn -= s * step->k_m * step->k_n;
    p->vn -= s * step->k_v * step->k_n;
    p->nn -= s * step->k_n * step->k_n;
    return s;
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
    w->starts = s->starts;
    w->n = s->n;
    w->n_told = 0;
    w->ln_s = 0.0;
    const double q = exp(noise->ln_q);
    const double qv = kalman_wander_of(noise->ln_qv);
    struct cov p = {.vv = KALMAN_V_UNKNOWN};
    bool is_v_known = false; /* the first innovation only tells v */
    for (size_t k = 0; k < s->n; k++) {
        struct guide_step *step = &w->steps[k];
        *step = (struct guide_step){0};
        step->dt = kalman_step_of(s, k);
        if (s->starts[k] || k == 0) { /* m is what the sample says, less its noise */
            p = (struct cov){.mm = 1.0, .mn = -1.0, .nn = 1.0, .vv = p.vv + qv * step->dt};
            continue;
        }
        step->keep = noise->rho > 0.0 ? pow(noise->rho, step->dt) : 0.0;
        predict(&p, step, q, qv);
        const double var = update(&p, step);
        if (!is_v_known) {
            is_v_known = step->dt > 0.0;
            continue;
        }
        step->weight = 1.0 / sqrt(var);
        w->ln_s += log(var);
        w->n_told++;
    }
    w->vv = p.vv;
}

void nw_guide_whitener_done(struct guide_whitener *w) {
    if (w) {
        free(w->steps);
        *w = (struct guide_whitener){0};
    }
}

double nw_guide_whiten(const struct guide_whitener *w, const double *column, double *ret) {
    double m = 0.0;
    double v = 0.0;
    double n = 0.0;
    for (size_t k = 0; k < w->n; k++) {
        const struct guide_step *step = &w->steps[k];
        if (w->starts[k] || k == 0) {
            m = column[k];
            n = 0.0;
            ret[k] = 0.0;
            continue;
        }
        m += v * step->dt;
        n *= step->keep;
        const double nu = column[k] - m - n;
        m += step->k_m * nu;
        v += step->k_v * nu;
        n += step->k_n * nu;
        ret[k] = nu * step->weight;
    }
    return v;
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
