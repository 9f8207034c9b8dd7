/* test_filter.c - the filter and smoother against closed forms and dense linear algebra; the
 * simulator against the transfer functions of a guide loop */
#include <gsl/gsl_linalg.h>

#include "guide_sim.h"
#include "guiding/filter.h"

#include "check.h"

static void test_steady_gain(void **state) {
    (void)state;
    struct kalman f = {.p00 = 1.0};
    double gain = 0.0;
    for (int k = 0; k < 200; k++) {
        double nu[2];
        kalman_predict(&f, 1.0, 0.1, 0.0);
        (void)kalman_update(&f, 0.0, 0.0, nu);
        gain = f.p00; /* in units of r, P after the update is the gain */
    }
    check_near(gain, 0.270156, 1e-6, "REFERENCES GUI-09, q/r 0.1");
}

enum { N = 9 };

/* Dense posterior of [m_1..m_N, v] for a walk with constant drift: e = m + n (variance 1), steps of
 * m less v dt have variance q dt; m_1 and v are free. Information matrix, inverted by Cholesky. */
static void dense(const double *t, const double *e, double q, double mean[N + 1],
                  double cov[N + 1][N + 1]) {
    gsl_matrix *info = gsl_matrix_calloc(N + 1, N + 1);
    gsl_vector *rhs = gsl_vector_calloc(N + 1);
    gsl_vector *x = gsl_vector_alloc(N + 1);
    for (size_t k = 0; k < N; k++) {
        gsl_matrix_set(info, k, k, gsl_matrix_get(info, k, k) + 1.0);
        gsl_vector_set(rhs, k, e[k]);
        if (k > 0) { /* (m_k - m_(k-1) - v dt)^2 / (q dt) */
            const double dt = t[k] - t[k - 1];
            const size_t at[3] = {k, k - 1, N};
            const double c[3] = {1.0, -1.0, -dt};
            for (int i = 0; i < 3; i++) {
                for (int j = 0; j < 3; j++) {
                    gsl_matrix_set(info, at[i], at[j],
                                   gsl_matrix_get(info, at[i], at[j]) + c[i] * c[j] / (q * dt));
                }
            }
        }
    }
    (void)gsl_linalg_cholesky_decomp1(info);
    (void)gsl_linalg_cholesky_solve(info, rhs, x);
    (void)gsl_linalg_cholesky_invert(info);
    for (size_t i = 0; i <= N; i++) {
        mean[i] = gsl_vector_get(x, i);
        for (size_t j = 0; j <= N; j++) {
            cov[i][j] = gsl_matrix_get(info, i, j);
        }
    }
    gsl_matrix_free(info);
    gsl_vector_free(rhs);
    gsl_vector_free(x);
}

static void test_smoother_is_the_dense_posterior(void **state) {
    (void)state;
    double t[N] = {0, 1, 2, 3.5, 4.5, 5.5, 8, 9, 10}; /* uneven */
    double e[N] = {0.3, -0.2, 1.1, 0.4, 0.9, 2.0, 1.4, 2.2, 1.9};
    double x[N] = {0};
    bool starts[N] = {true};
    const double q = 0.3;
    double known[N] = {0};
    const struct guide_series s = {
        .n = N, .t_s = t, .e_rad = e, .x = x, .known = known, .starts = starts, .dt0_s = 1.0};
    const struct guide_fit fit = {.ln_q = log(q), .ln_qv = GUIDE_LN_NONE, .r_rad2 = 1.0};
    struct guide_state states[N];
    struct nw_err err = {0};
    assert_int_equal(nw_guide_smooth(&s, &fit, states, &err), NW_OK);
    double mean[N + 1];
    double cov[N + 1][N + 1];
    dense(t, e, q, mean, cov);
    /* the drift's prior has variance 1e10 instead of infinity, and costs digits: 1e-5 */
    for (size_t k = 0; k < N; k++) {
        check_near(states[k].y_rad, mean[k], 1e-5, "dense least squares");
        check_near(states[k].v_rad, mean[N], 1e-5, "dense least squares, drift");
        check_near(states[k].p00, cov[k][k], 1e-5, "dense inverse");
    }
    for (size_t first = 0; first < N - 1; first++) {
        for (size_t last = first + 2; last <= N; last++) {
            const double n = (double)(last - first);
            double m = 0.0;
            double all = 0.0;
            for (size_t k = first; k < last; k++) {
                m += mean[k] / n;
                for (size_t j = first; j < last; j++) {
                    all += cov[k][j] / n;
                }
            }
            double want = -all;
            for (size_t k = first; k < last; k++) {
                want += (mean[k] - m) * (mean[k] - m) + cov[k][k];
            }
            check_near(nw_guide_motion_var(states, first, last), want / n, 1e-5,
                       "E[variance about the own mean] from the dense posterior");
        }
    }
    double drift = 0.0;
    double sigma = 0.0;
    nw_guide_drift(&s, &fit, &drift, &sigma);
    check_near(drift, mean[N], 1e-5, "dense least squares");
    check_near(sigma, sqrt(cov[N][N]), 1e-5, "dense inverse");
}

/* Amplitude left over of a sine of period 160 frames, by a loop without noise. */
static double residual(double gain, int delay) {
    enum { FRAMES = 16000, PERIOD = 160 };
    static double e[FRAMES];
    static double y[FRAMES];
    static double u[FRAMES];
    static double kick[FRAMES];
    for (int k = 0; k < FRAMES; k++) {
        kick[k] =
            k == 0 ? 0.0 : sin(2.0 * NW_PI * k / PERIOD) - sin(2.0 * NW_PI * (k - 1) / PERIOD);
    }
    const struct sim_axis loop = {.gain = gain, .delay = delay, .response = 1.0};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct sim_path path = {FRAMES, 3.0, e, y, u, kick, NULL};
    sim_run(&loop, rng, &path);
    gsl_rng_free(rng);
    return sqrt(2.0) * sim_rms(y + FRAMES / 2, FRAMES / 2);
}

static void test_simulated_loop_has_the_transfer_function(void **state) {
    (void)state;
    check_near(residual(0.5, 1), 0.078414, 1e-5, "REFERENCES GUI-05, P 480 s, T 3 s");
    check_near(residual(0.7, 1), 0.056070, 1e-5, "REFERENCES GUI-05");
    check_near(residual(0.5, 2), 0.078656, 1e-5, "REFERENCES GUI-06");
    check_near(residual(0.7, 2), 0.056194, 1e-5, "REFERENCES GUI-06");
}

static void test_likelihood_is_the_dense_one(void **state) {
    (void)state;
    /* two samples after the drift is known: the third of three has variance 1 + its prediction's */
    double t[3] = {0, 1, 2};
    double e[3] = {0.0, 1.0, 2.5};
    double x[3] = {0};
    bool starts[3] = {true, false, false};
    double known[3] = {0};
    const struct guide_series s = {
        .n = 3, .t_s = t, .e_rad = e, .x = x, .known = known, .starts = starts, .dt0_s = 1.0};
    const struct guide_sums sums = nw_guide_filter(&s, log(0.5), GUIDE_LN_NONE);
    /* e2 - 2 e1 + e0 = n2 - 2 n1 + n0 + w1 - w0: variance 6 + 2 * 0.5 = 7; value 0.5 */
    assert_int_equal(sums.n, 1);
    check_near(sums.ln_s, log(7.0), 1e-6, "closed form");
    check_near(sums.ee, 0.25 / 7.0, 1e-6, "closed form");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_steady_gain),
        cmocka_unit_test(test_smoother_is_the_dense_posterior),
        cmocka_unit_test(test_simulated_loop_has_the_transfer_function),
        cmocka_unit_test(test_likelihood_is_the_dense_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
