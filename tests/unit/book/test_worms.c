/* test_worms.c - amplitude and phase of the worm over nights: mean, change, a clutch that was
 * opened; no noise is exact, then the scatter is as said. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "book/worms.h"
#include "check.h"

enum { MAX = 30 };
static const double DAY_S = 86400.0, SIGMA = 0.3;

/* n nights, a run each, five days apart: amplitude growing by a share a day, phase 2 rad and, from
 * night `jump` on, a radian more. */
static void fill(struct nw_worms *w, struct nw_worm_run *runs, size_t n, double per_day,
                 size_t jump, gsl_rng *rng) {
    *w = (struct nw_worms){.runs = runs, .n = n};
    for (size_t i = 0; i < n; i++) {
        const double noise[2] = {rng ? gsl_ran_gaussian(rng, SIGMA) : 0.0,
                                 rng ? gsl_ran_gaussian(rng, SIGMA / 8.0) : 0.0};
        runs[i] = (struct nw_worm_run){
            .start_s = 5.0 * DAY_S * (double)i,
            .amplitude_rad = 8.0 * (1.0 + per_day * 5.0 * (double)i) + noise[0],
            .amplitude_sigma_rad = SIGMA,
            .phase_rad = remainder(2.0 + (i >= jump ? 1.0 : 0.0) + noise[1], 2.0 * NW_PI),
            .phase_sigma_rad = SIGMA / 8.0};
        (void)snprintf(runs[i].date, sizeof runs[i].date, "2026-05-%02zu", i + 1);
    }
    nw_worms_sum_up(w);
}

static void test_without_noise_all_is_exact(void **state) {
    (void)state;
    struct nw_worms w;
    struct nw_worm_run runs[MAX];
    fill(&w, runs, 20, 0.0, MAX, NULL);
    check_near(w.mean_rad, 8.0, 1e-12, "as put in");
    check_near(w.mean_sigma_rad, SIGMA / sqrt(20.0), 1e-12, "of 20 runs");
    check_near(w.change_per_s, 0.0, 1e-18, "none put in");
    check_near(w.phase_mean_rad, 2.0, 1e-12, "as put in");
    check_near(w.phase_scatter_rad, 0.0, 1e-7, "none put in");
    assert_string_equal(w.jumped_on, "");
    fill(&w, runs, 20, 0.002, 12, NULL);
    /* 8 (1 + 0.002 d) over 95 days: the mean is that of the middle, 8 (1 + 0.095) */
    check_near(w.mean_rad, 8.0 * 1.095, 1e-9, "closed form");
    check_near(w.change_per_s * DAY_S, 0.002 / 1.095, 1e-9, "closed form");
    assert_string_equal(w.jumped_on, "2026-05-13");
    check_near(w.jump_rad, 1.0, 1e-9, "as put in");
    check_near(w.phase_mean_rad, 3.0, 1e-9, "of the nights since");
}

static void test_pulls_and_false_jumps(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    enum { TRIALS = 400 };
    double pulls = 0.0;
    double chi2 = 0.0;
    size_t n_jumps = 0;
    gsl_rng_set(rng, 5);
    for (size_t k = 0; k < TRIALS; k++) {
        struct nw_worms w;
        struct nw_worm_run runs[MAX];
        fill(&w, runs, 20, 0.001, MAX, rng);
        pulls +=
            pow((w.change_per_s * DAY_S - 0.001 / 1.0475) / (w.change_sigma_per_s * DAY_S), 2.0);
        n_jumps += w.jumped_on[0] != '\0' ? 1 : 0;
        fill(&w, runs, 20, 0.0, MAX, rng);
        chi2 += w.chi2_per_run;
    }
    gsl_rng_free(rng);
    /* the error is widened where a sample scatters more, never narrowed: pulls up to 1 */
    assert_true(sqrt(pulls / TRIALS) > 0.85 && sqrt(pulls / TRIALS) < 1.05);
    check_near(chi2 / TRIALS, 1.0, 0.06, "mean of chi2 a degree, 4 sigmas of 400 trials");
    assert_int_equal(n_jumps, 0); /* a twelfth of a turn is 14 sigmas here */
}

static void test_phases_near_half_a_turn_do_not_jump(void **state) {
    (void)state;
    struct nw_worms w;
    struct nw_worm_run runs[MAX];
    fill(&w, runs, 10, 0.0, MAX, NULL);
    for (size_t i = 0; i < 10; i++) {
        runs[i].phase_rad = i % 2 ? NW_PI - 0.05 : -NW_PI + 0.05;
    }
    nw_worms_sum_up(&w);
    assert_string_equal(w.jumped_on, "");
    check_near(fabs(w.phase_mean_rad), NW_PI, 1e-9, "between the two, the short way");
    check_near(w.phase_scatter_rad, 0.05, 1e-4, "to first order the rms of +-0.05");
}

static void test_too_little_is_said(void **state) {
    (void)state;
    struct nw_worms w;
    struct nw_worm_run runs[MAX];
    fill(&w, runs, 0, 0.0, MAX, NULL);
    assert_non_null(strstr(w.why_null, "no guide run"));
    fill(&w, runs, 1, 0.0, MAX, NULL);
    assert_true(isnan(w.chi2_per_run) && isnan(w.change_per_s));
    check_near(w.mean_rad, 8.0, 1e-12, "of one");
    fill(&w, runs, 5, 0.0, MAX, NULL);
    for (size_t i = 0; i < 5; i++) {
        runs[i].phase_rad = NAN;
    }
    nw_worms_sum_up(&w);
    assert_int_equal(w.n_phases, 0);
    assert_true(isnan(w.phase_mean_rad));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_without_noise_all_is_exact),
        cmocka_unit_test(test_pulls_and_false_jumps),
        cmocka_unit_test(test_phases_near_half_a_turn_do_not_jump),
        cmocka_unit_test(test_too_little_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
