/* test_drift.c - drift and the effect of a pulse told together: pulls over simulated nights whose
 * pulses act otherwise than the rate says, and the sums it rests on. More cases:
 * bench/guide_motion.c. */
#include "guide_sim.h"
#include "guiding/whiten.h"

#include "guide_analysed.h"

#define AS NW_ARCSEC_PER_RAD

struct pulls {
    double sum, sum2, n;
};

/* A night of 30 minutes, both axes. */
static void add_night(const struct sim_axis *ra, const struct sim_axis *dec, gsl_rng *rng,
                      struct pulls *p) {
    struct sim_night night;
    sim_night_init(&night, 900, 2.0);
    sim_night_run(&night, ra, dec, rng);
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    for (int axis = 0; axis < 2; axis++) {
        const struct nw_guide_axis *x = axis == 0 ? &a->ra : &a->dec;
        const double d = (x->drift_rad_s * AS - 0.4 / 60.0) / (x->drift_sigma_rad_s * AS);
        p->sum += d;
        p->sum2 += d * d;
        p->n += 1.0;
    }
    nw_guide_analysis_free(a);
    sim_night_done(&night);
}

/* The sigma allows for pulses that act at 1 +- 0.15 of the rate given, so the nights do that. */
static void test_pulls_over_100_nights(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(5);
    struct pulls p = {0};
    for (int i = 0; i < 100; i++) {
        struct sim_axis both[2] = {SIM_PLAIN, SIM_PLAIN};
        for (int axis = 0; axis < 2; axis++) {
            both[axis].response += 0.15 * gsl_ran_gaussian(rng, 1.0);
        }
        add_night(&both[0], &both[1], rng, &p);
    }
    gsl_rng_free(rng);
    const double mean = p.sum / p.n;
    const double width = sqrt(p.sum2 / p.n - mean * mean);
    print_message("drift pull %.3f +- %.3f\n", mean, width);
    check_near(width, 1.0, 0.1, "drift: pull width 0.9 to 1.1");
    check_near(mean, 0.0, 0.2, "drift without bias: 3 sigma of 200");
}

/* 85 % of the rate, never said: read as drift it would be 0.07 arcsec/min for 0.4. */
static void test_weak_pulses_are_not_read_as_drift(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(6);
    struct pulls p = {0};
    struct sim_axis weak = SIM_PLAIN;
    weak.response = 0.85;
    weak.deadband = 0.3; /* tells the response from noise with a memory */
    for (int i = 0; i < 30; i++) {
        add_night(&weak, &weak, rng, &p);
    }
    gsl_rng_free(rng);
    print_message("weak pulses: pull %.3f\n", sqrt(p.sum2 / p.n));
    check_near(sqrt(p.sum2 / p.n), 1.0, 0.27, "3 sigma of 60");
}

/* Pulses that follow a worm which nobody takes out look as if they had no effect. */
static void test_a_worm_of_declination_does_not_speak_of_the_response(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(8);
    struct sim_axis worm = SIM_PLAIN;
    worm.worm = 6.0;
    worm.worm_period_s = 480.0;
    worm.gain = 0.6;
    struct sim_night night;
    sim_night_init(&night, 1800, 2.0);
    sim_night_run(&night, &SIM_PLAIN, &worm, rng);
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    check_near(a->dec.drift_rad_s * AS * 60.0, 0.4, 3.0 * a->dec.drift_sigma_rad_s * AS * 60.0,
               "as simulated (0.02 came out)");
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

/* Two columns beside each other are those one by one. */
static void test_two_columns_at_once(void **state) {
    (void)state;
    enum { N = 60 };
    gsl_rng *rng = sim_rng(7);
    double t_s[N];
    double e[N];
    double x[N];
    double none[N] = {0.0};
    bool starts[N] = {[0] = true, [23] = true};
    for (size_t k = 0; k < N; k++) {
        t_s[k] = 2.0 * (double)k + (k > 30 ? 0.7 : 0.0);
        e[k] = gsl_ran_gaussian(rng, 1.0);
        x[k] = gsl_ran_gaussian(rng, 1.0);
    }
    const struct guide_series s = {
        .n = N, .t_s = t_s, .e_rad = e, .x = x, .known = none, .starts = starts, .dt0_s = 2.0};
    const struct guide_noise noise = {.ln_q = -2.0, .ln_qv = GUIDE_LN_NONE, .rho = -0.2};
    struct guide_whitener w = {0};
    struct nw_err err = {0};
    double white_e[N];
    double white_x[N];
    assert_int_equal(nw_guide_whitener_init(&s, &noise, &w, &err), NW_OK);
    const struct guide_two two = nw_guide_noise_two(&s, &noise, e, x);
    check_near(two.v_e, nw_guide_whiten(&w, e, white_e), 1e-12, "one by one");
    check_near(two.v_x, nw_guide_whiten(&w, x, white_x), 1e-12, "one by one");
    double sum[3] = {0.0};
    for (size_t k = 0; k < N; k++) {
        sum[0] += white_e[k] * white_e[k];
        sum[1] += white_e[k] * white_x[k];
        sum[2] += white_x[k] * white_x[k];
    }
    check_near(two.ee, sum[0], 1e-11, "one by one");
    check_near(two.ex, sum[1], 1e-11, "one by one");
    check_near(two.xx, sum[2], 1e-11, "one by one");
    check_near(two.vv, w.vv, 1e-12 * w.vv, "one by one");
    assert_int_equal(two.n, w.n_told);
    nw_guide_whitener_done(&w);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pulls_over_100_nights),
        cmocka_unit_test(test_weak_pulses_are_not_read_as_drift),
        cmocka_unit_test(test_a_worm_of_declination_does_not_speak_of_the_response),
        cmocka_unit_test(test_two_columns_at_once),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
