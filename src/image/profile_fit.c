/* profile_fit.c - least squares of a pixel-integrated elliptical Moffat profile.
 * Idea: Levenberg-Marquardt (Marquardt 1963, J. SIAM 11, 431) with analytic derivatives, the 7 or 8
 * normal equations solved by Cholesky; weights from sky noise and the model's own photons, those
 * of each step held through it (iteratively reweighted least squares: Green 1984, J. R. Stat. Soc.
 * B 46, 149).
 * Holds: order of parameters: amplitude, x, y, cxx, cxy, cyy, sky, beta. */
#include "image/profile_internal.h"

enum { N_MAX = PROFILE_N };
static const double STEEP_BETA = 15.0;

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

/* A fit on its way: the profile, its sums and weights, and room for those of the next. */
struct state {
    const struct window *window;
    const struct field *field;
    const struct profile *start;
    int n;
    struct profile profile;
    struct normal_equations sums;
    struct profile_weights weights[2];
    int own; /* which of them are the profile's */
};

/* Of the first step; a step with more damping is short whatever it promises. */
static const double LAMBDA_FIRST = 1e-3;

enum outcome { WORSE, BETTER, ARRIVED };

/* What a gain in chi2 has to be to matter; one foreseen, before the last step is taken: of a tenth
 * of a sigma, as the step leaves of that only what is not straight over a tenth of a sigma. */
static const double GAIN_MIN = 1e-4;
static const double FORESEEN_MIN = 1e-2;

static double least_gain(const struct state *s) {
    return GAIN_MIN * (1.0 + 1e-3 * s->sums.chi2);
}

/* One damped step. It arrives when chi2 fell by too little to matter, or when its slope and
 * curvature say that it will: then the profile is that after the step, the sums those before it.
 * chi2 is compared with the weights of the step's start: were they to follow the model, dimmer
 * photons would seem to worsen a better fit. */
static enum outcome try_step(struct state *s, double lambda) {
    struct normal_equations damped = s->sums;
    for (int k = 0; k < s->n; k++) {
        damped.a[k][k] *= 1.0 + lambda;
    }
    double step[N_MAX] = {0.0};
    if (!factor(damped.a, s->n)) {
        return WORSE;
    }
    solve(damped.a, s->n, damped.b, step);
    const struct profile next = stepped(&s->profile, step);
    if (!is_sane(&next, s->start, s->window)) {
        return WORSE;
    }
    double foreseen = 0.0;
    for (int k = 0; k < s->n; k++) {
        foreseen += step[k] * s->sums.b[k];
    }
    if (lambda <= LAMBDA_FIRST && foreseen < FORESEEN_MIN / GAIN_MIN * least_gain(s)) {
        s->profile = next;
        return ARRIVED;
    }
    struct normal_equations there;
    profile_sums(s->window, &next, s->field, s->n, &s->weights[s->own], &s->weights[1 - s->own],
                 &there);
    if (!(there.chi2_before <= s->sums.chi2 * (1.0 + 1e-9))) {
        return WORSE;
    }
    const double gain = s->sums.chi2 - there.chi2_before;
    s->profile = next;
    s->sums = there;
    s->own = 1 - s->own;
    return gain < least_gain(s) ? ARRIVED : BETTER;
}

static void errors(const struct window *w, struct normal_equations *s, int n,
                   struct profile_fit *fit) {
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
    double column[N_MAX] = {0.0};
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
    struct state s; /* not zeroed: it has room for the weights of the largest window */
    s.window = window;
    s.field = field;
    s.start = start;
    s.n = is_beta_free ? N_MAX : N_MAX - 1;
    s.profile = *start;
    s.own = 0;
    s.sums.n_px = 0;
    profile_sums(window, &s.profile, field, s.n, NULL, &s.weights[0], &s.sums);
    if (s.sums.n_px < (size_t)s.n + 5) {
        return fit;
    }
    double lambda = LAMBDA_FIRST;
    for (int round = 0; round < 60 && lambda < 1e10; round++) {
        const enum outcome outcome = try_step(&s, lambda);
        if (outcome == ARRIVED) {
            fit.is_good = true;
            break;
        }
        lambda = outcome == WORSE ? 8.0 * lambda : fmax(lambda / 10.0, 1e-9);
    }
    fit.profile = s.profile;
    /* along the valley of steep profiles beta creeps on long after the width has settled */
    fit.is_good = fit.is_good || (lambda < 1e10 && fit.profile.beta > STEEP_BETA);
    if (fit.is_good) {
        errors(window, &s.sums, s.n, &fit);
    }
    return fit;
}
