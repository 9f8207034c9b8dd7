/* test_fit.c - first-order lags: exact without noise, honest errors with it; logs of a room. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#include "air/fit.h"
#include "check.h"

enum { ROWS = 145 }; /* twelve hours, every five minutes */

struct series {
    double t_s[ROWS], x[ROWS], u[ROWS], y[ROWS];
};

/* A wandering x, a heater that is switched twice, a lag stepped 50 times between rows. */
static void make(struct series *s, double k_per_s, double gain, double noise, gsl_rng *rng) {
    double y = 12.0;
    double wander = 0.0;
    for (int i = 0; i < ROWS; i++) {
        s->t_s[i] = 300.0 * i;
        if (rng && i > 0) {
            wander = 0.95 * wander + gsl_ran_gaussian(rng, 0.15);
        }
        s->x[i] = 8.0 - 0.02 * i + wander;
        s->u[i] = (i >= 40 && i < 75) || i >= 110 ? 200.0 : 0.0;
        if (i > 0) {
            for (int step = 0; step < 50; step++) {
                const double share = (step + 0.5) / 50.0;
                const double x = s->x[i - 1] + share * (s->x[i] - s->x[i - 1]);
                y += 6.0 * k_per_s * (x - y + gain * s->u[i - 1]);
            }
        }
        s->y[i] = y;
    }
    for (int i = 0; i < ROWS; i++) {
        s->y[i] += rng ? gsl_ran_gaussian(rng, noise) : 0.0;
    }
}

static void test_without_noise_the_lag_is_found(void **state) {
    (void)state;
    static struct series s;
    struct nw_err err;
    make(&s, 1.0 / 5400.0, 0.025, 0.0, NULL);
    const struct nw_air_lag_data data = {s.t_s, s.y, s.x, {s.u, NULL}, NULL, ROWS};
    struct nw_air_lag lag;
    assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_OK);
    check_near(lag.rate_per_s * 5400.0, 1.0, 2e-3, "simulated with 6 s steps");
    check_near(lag.gain[0], 0.025, 2e-5, "simulated");
    assert_int_equal(lag.n_used, ROWS);
    assert_int_equal(lag.n_stretches, 1);
    assert_false(lag.is_at_end);
}

static void test_gaps_and_rows_left_out_make_stretches(void **state) {
    (void)state;
    static struct series s;
    static bool use[ROWS];
    struct nw_err err;
    make(&s, 1.0 / 5400.0, 0.025, 0.0, NULL);
    for (int i = 0; i < ROWS; i++) {
        use[i] = i < 60 || i > 64;
    }
    s.y[100] = NAN;
    for (int i = 130; i < ROWS; i++) {
        s.t_s[i] += 7200.0;
        s.y[i] = s.y[i - 1] + 50.0; /* would be absurd; too few to be a stretch of their own? */
        use[i] = false;
    }
    const struct nw_air_lag_data data = {s.t_s, s.y, s.x, {s.u, NULL}, use, ROWS};
    struct nw_air_lag lag;
    assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_OK);
    assert_int_equal(lag.n_stretches, 3);
    assert_int_equal(lag.n_used, 60 + 35 + 29);
    check_near(lag.rate_per_s * 5400.0, 1.0, 2e-3, "simulated");
}

static void test_intervals_cover_and_pulls_are_one(void **state) {
    (void)state;
    enum { LOGS = 60 };
    static struct series s;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 11);
    int inside_rate = 0;
    int inside_gain = 0;
    double pull2 = 0.0;
    for (int i = 0; i < LOGS; i++) {
        const double tau_s = 1800.0 * pow(10.0, gsl_rng_uniform(rng));
        const double gain = 0.01 + 0.04 * gsl_rng_uniform(rng);
        make(&s, 1.0 / tau_s, gain, 0.1, rng);
        const struct nw_air_lag_data data = {s.t_s, s.y, s.x, {s.u, NULL}, NULL, ROWS};
        struct nw_air_lag lag;
        struct nw_err err;
        assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_OK);
        const double pull = log(lag.rate_per_s * tau_s) / lag.ln_rate_sigma;
        pull2 += pull * pull / LOGS;
        inside_rate += fabs(pull) < 1.645;
        inside_gain += fabs(lag.gain[0] - gain) < 1.645 * lag.gain_sigma[0];
    }
    gsl_rng_free(rng);
    print_message("90 %% intervals: rate %d, gain %d of %d; pull %.2f\n", inside_rate, inside_gain,
                  LOGS, sqrt(pull2));
    /* binomial, 60 trials of 0.9: 54 +- 2.3 */
    assert_in_range(inside_rate, 48, 60);
    assert_in_range(inside_gain, 48, 60);
    check_near(sqrt(pull2), 1.0, 0.25, "pull of 60 logs: 1 +- 0.09");
}

static void test_nothing_to_fit_is_said(void **state) {
    (void)state;
    static struct series s;
    struct nw_err err = {0};
    struct nw_air_lag lag;
    for (int i = 0; i < ROWS; i++) {
        s.t_s[i] = 300.0 * i;
        s.y[i] = NAN;
    }
    const struct nw_air_lag_data data = {s.t_s, s.y, s.x, {NULL, NULL}, NULL, ROWS};
    assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_DATA);
    assert_non_null(strstr(err.text, "0 rows in stretches"));
    for (int i = 0; i < ROWS; i++) {
        s.y[i] = s.x[i] = 5.0;
    }
    assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_DATA);
    assert_non_null(strstr(err.text, "nothing changes"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_without_noise_the_lag_is_found),
        cmocka_unit_test(test_gaps_and_rows_left_out_make_stretches),
        cmocka_unit_test(test_intervals_cover_and_pulls_are_one),
        cmocka_unit_test(test_nothing_to_fit_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
