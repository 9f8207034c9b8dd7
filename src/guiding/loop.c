/* loop.c - the state-space model of one guided axis and its maximum likelihood.
 * Idea: e[k] = y[k] + n[k]; the star's motion is what the pulses did, b x[k], plus a random walk
 * with a wandering drift: [m, v] <- [m + v dt, v]. The gains do not depend on the data, so e and x
 * pass the same filter once, and b, r and the likelihood for any b and r come from four sums.
 * Pulses may depend on all errors so far: the likelihood of the innovations stays exact.
 * Holds: the likelihood is finite everywhere, so that the search cannot break.
 * Paper: Harvey 1989, Forecasting, Structural Time Series Models and the Kalman Filter, sec. 3.4,
 * 4.2; de Jong 1991, Ann. Stat. 19, 1073 (regression through the filter). */
#include <gsl/gsl_multimin.h>
#include <math.h>

#include "guiding/filter.h"
#include "guiding/guiding_internal.h"

#define LN_Q_MIN (-18.0) /* of q/r: no walk to be seen */
#define LN_Q_MAX 12.0    /* no noise to be seen */
#define LN_QV_MAX 6.0

enum { SAMPLES_FOR_THREADS = 10000 }; /* below, threads cost more than they bring */

struct guide_sums nw_guide_filter(const struct guide_series *s, double ln_q, double ln_qv) {
    const double q = exp(ln_q);
    const double qv = kalman_wander_of(ln_qv);
    struct guide_sums sums = {0};
    struct kalman f = {.p11 = KALMAN_V_UNKNOWN};
    bool is_v_known = false; /* the first innovation only tells v */
    double product = 1.0;    /* of the variances; logarithms are dear */
    for (size_t k = 0; k < s->n; k++) {
        const double dt = kalman_step_of(s, k);
        if (s->starts[k] || k == 0) {
            kalman_restart(&f, nw_guide_error(s, k), s->x[k], dt, qv);
            continue;
        }
        kalman_predict(&f, dt, q, qv);
        double nu[2];
        const double var = kalman_update(&f, nw_guide_error(s, k), s->x[k], nu);
        if (!is_v_known) {
            is_v_known = dt > 0.0;
            continue;
        }
        sums.ee += nu[0] * nu[0] / var;
        sums.ex += nu[0] * nu[1] / var;
        sums.xx += nu[1] * nu[1] / var;
        product *= var;
        if (product > 1e200) {
            sums.ln_s += log(product);
            product = 1.0;
        }
        sums.n++;
    }
    sums.ln_s += log(product);
    return sums;
}

static double squares(const struct guide_sums *sums, double b) {
    return fmax(sums->ee - 2.0 * b * sums->ex + b * b * sums->xx, 0.0);
}

double nw_guide_nll(const struct guide_sums *sums, double b, double r_rad2) {
    return 0.5 * ((double)sums->n * log(r_rad2) + squares(sums, b) / r_rad2 + sums->ln_s);
}

/* The best b and r for given sums. */
static void concentrate(const struct guide_sums *sums, const struct guide_fit_opts *opts,
                        struct guide_fit *fit) {
    fit->is_b_free = isnan(opts->b_fixed) && sums->xx > 0.0;
    fit->b = fit->is_b_free ? sums->ex / sums->xx : isnan(opts->b_fixed) ? 0.0 : opts->b_fixed;
    const double r = squares(sums, fit->b) / (double)sums->n;
    fit->r_rad2 = fmax(r, fmax(opts->r_floor_rad2, 1e-30)); /* 1e-30: 0.2 nano-arcsec */
    fit->nll = nw_guide_nll(sums, fit->b, fit->r_rad2);
}

struct objective {
    const struct guide_series *series;
    const struct guide_fit_opts *opts;
};

static double beyond(double value, double low, double high) {
    return value < low ? low - value : value > high ? value - high : 0.0;
}

/* Always finite: outside its range a walk is judged at the edge, plus a slope that leads back. */
static double evaluate(const struct objective *o, double ln_q, double ln_qv,
                       struct guide_fit *ret) {
    const double out = beyond(ln_q, LN_Q_MIN, LN_Q_MAX) +
                       (o->opts->is_wander_fixed ? 0.0 : beyond(ln_qv, GUIDE_LN_NONE, LN_QV_MAX));
    struct guide_fit fit = {.ln_q = fmin(fmax(ln_q, LN_Q_MIN), LN_Q_MAX),
                            .ln_qv = fmin(fmax(ln_qv, GUIDE_LN_NONE), LN_QV_MAX)};
    const struct guide_sums sums = nw_guide_filter(o->series, fit.ln_q, fit.ln_qv);
    concentrate(&sums, o->opts, &fit);
    if (ret) {
        *ret = fit;
    }
    return fit.nll + 10.0 * out * out;
}

/* The walk alone: a coarse search (two maxima are possible), then the golden section. */
static double best_walk(const struct objective *o, double ln_qv) {
    double best = LN_Q_MIN;
    double best_nll = INFINITY;
    for (int i = 0; LN_Q_MIN + 2.0 * i <= LN_Q_MAX; i++) {
        const double ln_q = LN_Q_MIN + 2.0 * i;
        const double nll = evaluate(o, ln_q, ln_qv, NULL);
        if (nll < best_nll) {
            best_nll = nll;
            best = ln_q;
        }
    }
    const double ratio = 0.6180339887498949;
    double low = fmax(best - 2.0, LN_Q_MIN);
    double high = fmin(best + 2.0, LN_Q_MAX);
    double a = high - ratio * (high - low);
    double b = low + ratio * (high - low);
    double at_a = evaluate(o, a, ln_qv, NULL);
    double at_b = evaluate(o, b, ln_qv, NULL);
    while (high - low > 0.005) {
        if (at_a < at_b) {
            high = b;
            b = a;
            at_b = at_a;
            a = high - ratio * (high - low);
            at_a = evaluate(o, a, ln_qv, NULL);
        } else {
            low = a;
            a = b;
            at_a = at_b;
            b = low + ratio * (high - low);
            at_b = evaluate(o, b, ln_qv, NULL);
        }
    }
    return 0.5 * (low + high);
}

static double objective_f(const gsl_vector *at, void *user) {
    return evaluate(user, gsl_vector_get(at, 0), gsl_vector_get(at, 1), NULL);
}

/* Walk and wander together by simplex from a start; false when memory is out. */
static bool polish(struct objective *o, double *ln_q, double *ln_qv) {
    double start[2] = {*ln_q, *ln_qv};
    double size[2] = {0.7, 0.7};
    const gsl_vector_view start_view = gsl_vector_view_array(start, 2);
    const gsl_vector_view size_view = gsl_vector_view_array(size, 2);
    gsl_multimin_function f = {.f = objective_f, .n = 2, .params = o};
    gsl_multimin_fminimizer *simplex =
        gsl_multimin_fminimizer_alloc(gsl_multimin_fminimizer_nmsimplex2, 2);
    if (!simplex) {
        return false;
    }
    bool is_going =
        gsl_multimin_fminimizer_set(simplex, &f, &start_view.vector, &size_view.vector) == 0;
    for (int i = 0; i < 80 && is_going; i++) {
        is_going = gsl_multimin_fminimizer_iterate(simplex) == 0 &&
                   gsl_multimin_fminimizer_size(simplex) > 0.01;
    }
    *ln_q = gsl_vector_get(simplex->x, 0);
    *ln_qv = gsl_vector_get(simplex->x, 1);
    gsl_multimin_fminimizer_free(simplex);
    return true;
}

/* Inverse of a symmetric positive matrix of order n <= 4 by elimination; false if it is not one. */
static bool invert(double a[4][4], size_t n) {
    double inverse[4][4] = {{0}};
    for (size_t i = 0; i < n; i++) {
        inverse[i][i] = 1.0;
    }
    for (size_t i = 0; i < n; i++) {
        const double pivot = a[i][i];
        if (!(pivot > 1e-9)) {
            return false;
        }
        for (size_t k = 0; k < n; k++) {
            a[i][k] /= pivot;
            inverse[i][k] /= pivot;
        }
        for (size_t j = 0; j < n; j++) {
            const double factor = j == i ? 0.0 : a[j][i];
            for (size_t k = 0; k < n; k++) {
                a[j][k] -= factor * a[i][k];
                inverse[j][k] -= factor * inverse[i][k];
            }
        }
    }
    memcpy(a, inverse, sizeof inverse);
    return true;
}

/* Values of the likelihood around a fit: steps of H in ln r, ln q, b (in units of its conditional
 * sigma) and ln qv, so that all second derivatives are of order 1 to n. */
#define H 0.08
struct around {
    struct guide_sums at[3][3]; /* by steps in ln q and ln qv */
    double b, b_unit, r_rad2;
};

static double nll_around(const struct around *a, const int step[4]) {
    return nw_guide_nll(&a->at[step[1] + 1][step[3] + 1], a->b + step[2] * H * a->b_unit,
                        a->r_rad2 * exp(step[0] * H));
}

static double second_derivative(const struct around *a, size_t i, size_t j) {
    double sum = 0.0;
    for (int si = -1; si <= 1; si += 2) {
        if (i == j) { /* f(+) - 2 f(0) + f(-) */
            int step[4] = {0};
            sum -= nll_around(a, step);
            step[i] = si;
            sum += nll_around(a, step);
            continue;
        }
        for (int sj = -1; sj <= 1; sj += 2) { /* [f(++) - f(+-) - f(-+) + f(--)] / 4 */
            int step[4] = {0};
            step[i] = si;
            step[j] = sj;
            sum += 0.25 * si * sj * nll_around(a, step);
        }
    }
    return sum / (H * H);
}

/* Joint sigmas of ln r and b from the observed information at the maximum. Parameters at the edge
 * of their range are taken as known. */
static void curvature(const struct objective *o, struct guide_fit *fit) {
    const bool has_q = fit->ln_q > LN_Q_MIN + 1.0 && fit->ln_q < LN_Q_MAX - 1.0;
    const bool has_qv = fit->ln_qv > GUIDE_LN_NONE + 1.0 && fit->ln_qv < LN_QV_MAX - 1.0;
    const bool is_free[4] = {true, has_q, fit->is_b_free, has_qv};
    struct around around = {.b = fit->b, .r_rad2 = fit->r_rad2};
    for (int i = -1; i <= 1; i++) {
        for (int j = -1; j <= 1; j++) {
            around.at[i + 1][j + 1] = nw_guide_filter(o->series, fit->ln_q + (has_q ? i * H : 0.0),
                                                      fit->ln_qv + (has_qv ? j * H : 0.0));
        }
    }
    around.b_unit = fit->is_b_free ? sqrt(fit->r_rad2 / around.at[1][1].xx) : 0.0;
    double info[4][4];
    for (size_t i = 0; i < 4; i++) {
        for (size_t j = 0; j < 4; j++) {
            const double known = i == j ? 1.0 : 0.0;
            info[i][j] = is_free[i] && is_free[j] ? second_derivative(&around, i, j) : known;
        }
    }
    const bool is_sound = invert(info, 4) && info[0][0] > 0.0 && info[2][2] > 0.0;
    fit->ln_r_sigma = is_sound && has_q ? sqrt(info[0][0]) : NAN;
    fit->b_sigma = is_sound && fit->is_b_free ? around.b_unit * sqrt(info[2][2]) : NAN;
}

/* The surface has a ridge from "all walk" to "all wander": start on both ends and between. */
enum { STARTS = 3 };
struct polishing {
    struct objective o;
    double ln_q; /* of the walk alone */
    struct guide_fit fit[STARTS];
    bool is_ok[STARTS];
};

static void polish_one(void *user, size_t i) {
    static const double starts[STARTS][2] = {{0.0, -8.0}, {-5.0, -4.0}, {-9.0, -7.0}};
    struct polishing *const job = user;
    double at_q = job->ln_q + starts[i][0];
    double at_qv = starts[i][1];
    job->is_ok[i] = polish(&job->o, &at_q, &at_qv);
    if (job->is_ok[i]) {
        (void)evaluate(&job->o, at_q, at_qv, &job->fit[i]);
    }
}

struct guide_fit nw_guide_fit_loop(const struct guide_series *s,
                                   const struct guide_fit_opts *opts) {
    struct objective o = {.series = s, .opts = opts};
    struct guide_fit best;
    const double ln_q = best_walk(&o, GUIDE_LN_NONE);
    (void)evaluate(&o, ln_q, GUIDE_LN_NONE, &best);
    if (!opts->is_wander_fixed) {
        struct polishing job = {.o = o, .ln_q = ln_q};
        (void)nw_parallel_for(STARTS, s->n > SAMPLES_FOR_THREADS ? 0 : 1, polish_one, &job, NULL);
        for (int i = 0; i < STARTS; i++) {
            /* a wandering drift must earn its parameter (Akaike 1974, IEEE AC-19, 716) */
            if (job.is_ok[i] &&
                job.fit[i].nll < best.nll - (best.ln_qv > GUIDE_LN_NONE ? 0.0 : 1.0)) {
                best = job.fit[i];
            }
        }
    }
    curvature(&o, &best);
    return best;
}
