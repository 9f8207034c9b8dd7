/* profile_fit.c - least squares of a pixel-integrated elliptical Moffat profile.
 * Idea: Levenberg-Marquardt (Marquardt 1963, J. SIAM 11, 431) with analytic derivatives, the 7 or 8
 * normal equations solved by Cholesky; weights from sky noise and the model's own photons.
 * Holds: order of parameters: amplitude, x, y, cxx, cxy, cyy, sky, beta. */
#include "image/measure_internal.h"

enum { N_MAX = 8 };
static const double STEEP_BETA = 15.0;

struct system {
    double a[N_MAX][N_MAX], b[N_MAX];
    double chi2;
    size_t n_px;
};

/* Value and derivatives of the model at one pixel. */
static double model_at(const struct profile *p, double dx, double dy, double pixel_width,
                       double d[static N_MAX]) {
    const double q = p->cxx * dx * dx + 2.0 * p->cxy * dx * dy + p->cyy * dy * dy;
    const struct pixel_rule rule = profile_pixel_rule(p, q, pixel_width);
    memset(d, 0, N_MAX * sizeof *d);
    for (int j = 0; j < rule.n; j++) {
        const double y = dy + rule.node[j] * pixel_width;
        for (int i = 0; i < rule.n; i++) {
            const double x = dx + rule.node[i] * pixel_width;
            const double w = rule.weight[i] * rule.weight[j];
            const double u = 1.0 + p->cxx * x * x + 2.0 * p->cxy * x * y + p->cyy * y * y;
            const double log_u = log(u);
            const double value = w * exp(-p->beta * log_u);
            const double slope = -p->beta * p->amplitude * value / u; /* d model / d u */
            d[0] += value;
            d[1] -= slope * 2.0 * (p->cxx * x + p->cxy * y);
            d[2] -= slope * 2.0 * (p->cxy * x + p->cyy * y);
            d[3] += slope * x * x;
            d[4] += slope * 2.0 * x * y;
            d[5] += slope * y * y;
            d[7] -= p->amplitude * value * log_u;
        }
    }
    d[6] = 1.0;
    return p->amplitude * d[0] + p->sky;
}

static void build(const struct window *w, const struct profile *p, const struct field *field,
                  struct system *s) {
    memset(s, 0, sizeof *s);
    const double sky_variance = w->noise_adu * w->noise_adu;
    for (int j = 0; j < w->side; j++) {
        for (int i = 0; i < w->side; i++) {
            const double value = (double)w->px[(size_t)j * (size_t)w->side + (size_t)i];
            if (!isfinite(value)) {
                continue;
            }
            double d[N_MAX];
            const double model =
                model_at(p, w->x0 + i - p->x, w->y0 + j - p->y, field->pixel_width, d);
            const double weight =
                1.0 / (sky_variance + fmax(model - p->sky, 0.0) * field->variance_per_adu);
            const double residual = value - model;
            s->chi2 += weight * residual * residual;
            s->n_px++;
            for (int k = 0; k < N_MAX; k++) {
                s->b[k] += weight * residual * d[k];
                for (int l = 0; l <= k; l++) {
                    s->a[k][l] += weight * d[k] * d[l];
                }
            }
        }
    }
}

/* Cholesky factor in place (lower triangle of the first n); false when not positive definite. */
static bool factor(double a[N_MAX][N_MAX], int n) {
    for (int k = 0; k < n; k++) {
        for (int l = 0; l <= k; l++) {
            double sum = a[k][l];
            for (int m = 0; m < l; m++) {
                sum -= a[k][m] * a[l][m];
            }
            if (k == l) {
                if (!(sum > 0.0)) {
                    return false;
                }
                a[k][k] = sqrt(sum);
            } else {
                a[k][l] = sum / a[l][l];
            }
        }
    }
    return true;
}

static void solve(double a[N_MAX][N_MAX], int n, const double *b, double *ret) {
    for (int k = 0; k < n; k++) {
        ret[k] = b[k];
        for (int l = 0; l < k; l++) {
            ret[k] -= a[k][l] * ret[l];
        }
        ret[k] /= a[k][k];
    }
    for (int k = n - 1; k >= 0; k--) {
        for (int l = k + 1; l < n; l++) {
            ret[k] -= a[l][k] * ret[l];
        }
        ret[k] /= a[k][k];
    }
}

/* A Gaussian is beta without end, and fits to one run away: beta stops at BETA_MAX, and the matrix
 * follows so that beta c, which is what the core of a steep profile shows, stays what it was. */
static struct profile stepped(const struct profile *p, const double *step) {
    const double beta = p->beta + step[7];
    const double follow = beta > BETA_MAX ? beta / BETA_MAX : 1.0;
    return (struct profile){.amplitude = p->amplitude + step[0],
                            .x = p->x + step[1],
                            .y = p->y + step[2],
                            .cxx = follow * (p->cxx + step[3]),
                            .cxy = follow * (p->cxy + step[4]),
                            .cyy = follow * (p->cyy + step[5]),
                            .sky = p->sky + step[6],
                            .beta = fmin(beta, BETA_MAX)};
}

static bool is_sane(const struct profile *p, const struct profile *start, const struct window *w) {
    const double det = p->cxx * p->cyy - p->cxy * p->cxy;
    const double reach = w->side / 3.0;
    return p->amplitude > 0.0 && p->cxx > 0.0 && p->cyy > 0.0 && det > 0.0 && p->beta > 1.05 &&
           fabs(p->x - start->x) < reach && fabs(p->y - start->y) < reach &&
           profile_fwhm_px(p) < 2.0 * w->side && profile_fwhm_px(p) > 0.1;
}

/* One damped step; true when chi2 fell. */
static bool try_step(const struct window *w, const struct profile *start, const struct field *field,
                     int n, double lambda, struct profile *p, struct system *s) {
    struct system damped = *s;
    for (int k = 0; k < n; k++) {
        damped.a[k][k] *= 1.0 + lambda;
    }
    double step[N_MAX] = {0.0};
    if (!factor(damped.a, n)) {
        return false;
    }
    solve(damped.a, n, damped.b, step);
    const struct profile next = stepped(p, step);
    if (!is_sane(&next, start, w)) {
        return false;
    }
    struct system there;
    build(w, &next, field, &there);
    if (!(there.chi2 <= s->chi2 * (1.0 + 1e-9))) {
        return false;
    }
    *p = next;
    *s = there;
    return true;
}

static void errors(const struct window *w, struct system *s, int n, struct profile_fit *fit) {
    const struct profile *const p = &fit->profile;
    const double freedom = (double)s->n_px - n;
    fit->chi2_per_freedom = s->chi2 / freedom;
    const double unexplained = fmax(fit->chi2_per_freedom - 1.0, 0.0) * w->noise_adu * w->noise_adu;
    fit->misfit =
        sqrt(unexplained * (double)s->n_px) / (p->amplitude * sqrt(NW_PI / (2.0 * p->beta - 1.0)) *
                                               pow(p->cxx * p->cyy - p->cxy * p->cxy, -0.25));
    if (!factor(s->a, n)) {
        fit->is_good = false;
        return;
    }
    /* where the noise model is too small (no gain known) the residuals say how large it is */
    const double scale = fmax(1.0, fit->chi2_per_freedom);
    double unit[N_MAX] = {0.0};
    double column[N_MAX];
    unit[1] = 1.0;
    solve(s->a, n, unit, column);
    fit->x_sigma_px = sqrt(scale * column[1]);
    memset(unit, 0, sizeof unit);
    unit[2] = 1.0;
    solve(s->a, n, unit, column);
    fit->y_sigma_px = sqrt(scale * column[2]);
    /* ln fwhm = -1/4 ln det(c) + const(beta) */
    const double det = p->cxx * p->cyy - p->cxy * p->cxy;
    double gradient[N_MAX] = {0.0};
    gradient[3] = -0.25 * p->cyy / det;
    gradient[4] = 0.5 * p->cxy / det;
    gradient[5] = -0.25 * p->cxx / det;
    if (n == N_MAX) {
        const double h = 1e-4;
        gradient[7] =
            (log(moffat_fwhm_per_alpha(p->beta + h)) - log(moffat_fwhm_per_alpha(p->beta - h))) /
            (2.0 * h);
    }
    solve(s->a, n, gradient, column);
    double variance = 0.0;
    for (int k = 0; k < n; k++) {
        variance += gradient[k] * column[k];
    }
    fit->fwhm_relative_sigma = sqrt(scale * variance);
}

struct profile_fit profile_fit(const struct window *window, const struct profile *start,
                               const struct field *field, bool is_beta_free) {
    struct profile_fit fit = {.profile = *start,
                              .x_sigma_px = NAN,
                              .y_sigma_px = NAN,
                              .fwhm_relative_sigma = NAN,
                              .misfit = NAN,
                              .chi2_per_freedom = NAN};
    const int n = is_beta_free ? N_MAX : N_MAX - 1;
    struct system s;
    build(window, &fit.profile, field, &s);
    if (s.n_px < (size_t)n + 5) {
        return fit;
    }
    double lambda = 1e-3;
    for (int round = 0; round < 60 && lambda < 1e10; round++) {
        const double before = s.chi2;
        if (!try_step(window, start, field, n, lambda, &fit.profile, &s)) {
            lambda *= 8.0;
            continue;
        }
        lambda = fmax(lambda / 10.0, 1e-9);
        if (before - s.chi2 < 1e-4 * (1.0 + 1e-3 * before)) {
            fit.is_good = true;
            break;
        }
    }
    /* along the valley of steep profiles beta creeps on long after the width has settled */
    fit.is_good = fit.is_good || (lambda < 1e10 && fit.profile.beta > STEEP_BETA);
    if (fit.is_good) {
        errors(window, &s, n, &fit);
    }
    return fit;
}
