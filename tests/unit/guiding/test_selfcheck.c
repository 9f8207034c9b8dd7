/* test_selfcheck.c - the loop model on held-out samples: silent where it is true, and what it says
 * where it is not; habits of loops against theory. More cases: bench/guide_checks.c. */
#include "guide_sim.h"
#include "guiding/guiding_internal.h"

#include "check.h"

static const struct sim_axis PLAIN = {.noise = 0.3,
                                      .walk_per_sqrt_s = 0.05,
                                      .gain = 0.6,
                                      .deadband = 0.2,
                                      .response = 1.0,
                                      .delay = 1};

/* dec NULL: as ra, but its pulses are not logged: no gears to look for, which takes the time */
static void run_night(unsigned long seed, const struct sim_axis *ra, const struct sim_axis *dec,
                      struct sim_night *night) {
    gsl_rng *rng = sim_rng(seed);
    sim_night_init(night, 3600, 2.0);
    sim_night_run(night, ra, dec ? dec : ra, rng);
    for (size_t k = 0; k < night->n && !dec; k++) {
        night->log.rows[k].dec_pulse_s = NAN;
    }
    gsl_rng_free(rng);
}

static struct nw_guide_analysis *analyse(unsigned long seed, const struct sim_axis *ra,
                                         const struct sim_axis *dec, struct sim_night *night) {
    run_night(seed, ra, dec, night);
    struct nw_guide_analysis *a = NULL;
    struct nw_err err = {0};
    if (nw_guide_analyse(&night->log, NULL, &a, &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return a;
}

static void test_true_model_foretells_the_other_half(void **state) {
    (void)state;
    double scatter = 0.0;
    double pull2 = 0.0;
    enum { NIGHTS = 5 };
    for (unsigned long i = 0; i < NIGHTS; i++) {
        struct sim_night night;
        struct nw_guide_analysis *a = analyse(20 + i, &PLAIN, NULL, &night);
        const struct nw_guide_check *const c = &a->ra.check;
        assert_string_equal(c->why_null, "");
        assert_true(c->n > 1790 && c->n <= 1800); /* half of 3600 */
        assert_false(c->is_scatter_off || c->is_memory_off || c->are_pulses_off);
        scatter += c->scatter / NIGHTS;
        pull2 += c->memory * c->memory / (c->memory_sigma * c->memory_sigma) / NIGHTS;
        /* the innovations of walk and noise, Harvey 1989 sec. 4.1: P = (q + sqrt(q^2 + 4 q r)) / 2,
         * variance P + r */
        const double q = 0.05 * 0.05 * 2.0;
        const double r = 0.3 * 0.3;
        const double want = sqrt(0.5 * (q + sqrt(q * q + 4.0 * q * r)) + r);
        check_near(c->foretold_rms_rad / SIM_ARCSEC, want, 0.05 * want, "steady Kalman filter");
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
    check_near(scatter, 1.0, 0.015, "as foretold");
    assert_true(pull2 < 2.9); /* chi2 / 5: 1 +- 0.63 */
}

static void test_noise_that_grows_is_seen(void **state) {
    (void)state;
    struct sim_night night;
    struct nw_guide_analysis *a = NULL;
    run_night(31, &PLAIN, NULL, &night);
    /* twice the errors in every second of twelve blocks: the blocks that are judged */
    for (size_t k = 0; k < night.n; k++) {
        if (k * 12 / night.n % 2 == 1) {
            night.log.rows[k].ra_rad *= 2.0;
            night.log.rows[k].ra_pulse_s *= 2.0;
        }
    }
    struct nw_err err = {0};
    assert_int_equal(nw_guide_analyse(&night.log, NULL, &a, &err), NW_OK);
    assert_true(a->ra.check.is_scatter_off);
    check_near(a->ra.check.scatter, 2.0, 0.1, "errors doubled");
    nw_guide_analysis_free(a);
    sim_night_done(&night);
}

static void test_gears_left_out_of_the_model_are_seen(void **state) {
    (void)state;
    /* the pulses of a soft loop are too small to be seen one by one: the path in the sum tells */
    static const double gains[3] = {0.6, 0.3, 0.15};
    struct sim_axis play = PLAIN;
    play.gap = 2.25;
    for (unsigned long i = 0; i < 3; i++) {
        play.gain = gains[i];
        struct sim_night night;
        struct nw_guide_analysis *a = analyse(40 + i, &play, NULL, &night);
        const struct nw_guide_check *const c = &a->ra.check;
        print_message("gap left out, gain %.2f: 2 ln L better by %.1f\n", gains[i], c->gap_better);
        assert_true(c->is_gap_seen && c->gap_better > 20.0); /* bench/guide_checks.c: 48 to 250 */
        check_near(c->gap_chance, exp(-0.5 * c->gap_better), 1e-12, "split likelihood ratio");
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
}

/* Declination is fitted with the gap it has: nothing to be seen beside it. A soft loop without one
 * is where a fit alone finds small gaps that are none (night 501 of bench/guide_checks.c did). */
static void test_gears_in_the_model_are_not_seen(void **state) {
    (void)state;
    struct sim_axis play = PLAIN;
    play.gap = 2.25;
    struct sim_axis soft = PLAIN;
    soft.gain = 0.1;
    soft.deadband = 0.0;
    for (unsigned long i = 0; i < 2; i++) {
        struct sim_night night;
        struct nw_guide_analysis *a = analyse(44 + i, &PLAIN, i == 0 ? &play : &soft, &night);
        assert_false(a->dec.check.are_pulses_off || a->dec.check.is_gap_seen);
        assert_false(a->ra.check.are_pulses_off || a->ra.check.is_gap_seen);
        assert_true(a->ra.check.gap_better < 0.0); /* nothing to be won with a gap */
        assert_int_equal(a->backlash.is_identified, i == 0);
        assert_int_equal(a->backlash.held_better > 13.8, i == 0); /* -2 ln 1e-3 */
        assert_true(i == 0 || !(a->backlash.low_rad > 0.0));
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
}

static void test_noise_with_memory_is_told_from_a_wrong_response(void **state) {
    (void)state;
    struct sim_axis air = PLAIN;
    air.noise_memory = 0.35;
    double memory = 0.0;
    int pulses = 0;
    for (unsigned long i = 0; i < 3; i++) {
        struct sim_night night;
        struct nw_guide_analysis *a = analyse(60 + i, &air, NULL, &night);
        memory += a->ra.check.memory / 3.0;
        pulses += a->ra.check.are_pulses_off;
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
    assert_true(memory > 0.08 && pulses <= 1);
}

static void test_habits_are_those_of_theory(void **state) {
    (void)state;
    /* gain g, no dead band, walk q: y is AR(1) of 1-g driven by w - g n, so that
     * var y = (q + g^2 r)/(1 - (1-g)^2), cov(e', e) = (1-g) var y - g r (Astrom 1970, ch. 6) */
    static const double gains[3] = {0.1, 0.35, 1.2};
    for (size_t i = 0; i < 3; i++) {
        struct sim_axis axis = PLAIN;
        axis.deadband = 0.0;
        axis.walk_per_sqrt_s = 0.1;
        axis.gain = gains[i];
        struct sim_night night;
        struct nw_guide_analysis *a = analyse(70 + i, &axis, NULL, &night);
        const double g = gains[i];
        const double r = 0.09;
        const double q = 0.02;
        const double var = (q + g * g * r) / (1.0 - (1.0 - g) * (1.0 - g));
        const double want = ((1.0 - g) * var - g * r) / (var + r);
        const struct nw_guide_habits *const h = &a->ra.habits;
        check_near(h->memory, want, 4.0 * h->memory_sigma, "closed loop, delay 1");
        assert_int_equal(h->is_sluggish, i == 0);
        assert_int_equal(h->is_eager, i == 2);
        if (i == 0) { /* decays as (1-g)^k: e-fold -2 s / ln 0.9 = 19 s */
            check_near(h->forget_s, -2.0 / log(0.9), 8.0, "AR(1)");
        }
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
}

static void test_drift_shows_as_a_side(void **state) {
    (void)state;
    struct sim_axis axis = PLAIN;
    axis.deadband = 0.0;
    axis.gain = 0.3;
    axis.drift_per_min = 4.0; /* 0.133 arcsec a sample: stands drift / gain = 0.44 off */
    struct sim_night night;
    struct nw_guide_analysis *a = analyse(80, &PLAIN, &axis, &night);
    check_near(a->dec.mean_rad / SIM_ARCSEC, 4.0 / 60.0 * 2.0 / 0.3, 0.05, "drift over gain");
    assert_true(a->dec.habits.is_biased && !a->ra.habits.is_biased);
    assert_true(a->dec.habits.plus_share < 0.15); /* pulses go against it: south */
    assert_true(a->dec.habits.n_pulses[0] > 2000);
    assert_true(fabs(a->ra.habits.plus_share - 0.5) < 0.1 && !a->ra.habits.is_one_sided);
    nw_guide_analysis_free(a);
    sim_night_done(&night);
}

static void test_short_or_untold_logs_say_why(void **state) {
    (void)state;
    struct sim_night night;
    struct nw_guide_analysis *a = NULL;
    struct nw_err err = {0};
    run_night(90, &PLAIN, &PLAIN, &night);
    night.log.n = 200;
    assert_int_equal(nw_guide_analyse(&night.log, NULL, &a, &err), NW_OK);
    assert_non_null(strstr(a->ra.check.why_null, "two halves of six blocks need 240"));
    assert_true(isnan(a->ra.check.scatter) && a->ra.check.n == 0);
    nw_guide_analysis_free(a);
    night.log.n = 1200;
    for (size_t k = 0; k < night.n; k++) {
        night.log.rows[k].ra_pulse_s = NAN;
    }
    assert_int_equal(nw_guide_analyse(&night.log, NULL, &a, &err), NW_OK);
    assert_non_null(strstr(a->ra.check.why_null, "pulses are not logged"));
    assert_true(isnan(a->ra.check.scatter) && isfinite(a->dec.check.scatter));
    assert_true(isnan(a->ra.habits.plus_rad) && !a->ra.habits.is_sluggish);
    nw_guide_analysis_free(a);
    sim_night_done(&night);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_true_model_foretells_the_other_half),
        cmocka_unit_test(test_noise_that_grows_is_seen),
        cmocka_unit_test(test_gears_left_out_of_the_model_are_seen),
        cmocka_unit_test(test_gears_in_the_model_are_not_seen),
        cmocka_unit_test(test_noise_with_memory_is_told_from_a_wrong_response),
        cmocka_unit_test(test_habits_are_those_of_theory),
        cmocka_unit_test(test_drift_shows_as_a_side),
        cmocka_unit_test(test_short_or_untold_logs_say_why),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
