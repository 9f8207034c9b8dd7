/* test_loop.c - simulated loops with known motion: what the analysis says against the truth */
#include "guide_sim.h"

#include "guide_analysed.h"

#define AS NW_ARCSEC_PER_RAD

/* The loops of OBSERVABILITY 2: n 0.25 arcsec per axis, seeing memory 0.2, gain 0.5, dead band 0.2
 */
static const struct sim_axis DEC = {.noise = 0.25,
                                    .walk_per_sqrt_s = 0.04,
                                    .drift_per_min = 0.3,
                                    .gear = 0.15,
                                    .gear_s = 10.0,
                                    .gain = 0.5,
                                    .deadband = 0.2,
                                    .response = 1.0,
                                    .noise_memory = 0.2,
                                    .delay = 1};

static struct sim_axis ra_axis(void) {
    struct sim_axis ra = DEC;
    ra.worm = 8.0;
    ra.worm_period_s = 480.0;
    return ra;
}

static void test_log_overstates_motion_and_bounds_hold_the_truth(void **state) {
    (void)state;
    const struct sim_axis ra = ra_axis();
    gsl_rng *rng = sim_rng(11);
    double log_dec = 0.0;
    double true_dec = 0.0;
    double log_ra = 0.0;
    double true_ra = 0.0;
    enum { NIGHTS = 6 };
    for (int i = 0; i < NIGHTS; i++) {
        struct sim_night night;
        sim_night_init(&night, 3600, 2.0);
        sim_night_run(&night, &ra, &DEC, rng);
        struct nw_guide_analysis *a = analysed_loop(&night.log);
        log_ra += sim_rms(night.e[0], night.n) / NIGHTS;
        true_ra += sim_rms(night.y[0], night.n) / NIGHTS;
        log_dec += sim_rms(night.e[1], night.n) / NIGHTS;
        true_dec += sim_rms(night.y[1], night.n) / NIGHTS;
        check_near(a->dec.rms_logged_rad * AS, sim_rms(night.e[1], night.n), 1e-9, "brute force");
        const double truth_ra = sim_true_in_sub(night.y[0], night.n, 150);
        const double truth_dec = sim_true_in_sub(night.y[1], night.n, 150);
        assert_true(a->ra.motion_low_rad * AS <= truth_ra &&
                    truth_ra <= a->ra.motion_high_rad * AS);
        assert_true(a->dec.motion_low_rad * AS <= truth_dec &&
                    truth_dec <= a->dec.motion_high_rad * AS);
        /* noise with a memory and gears together are not told apart: 10 % */
        check_near(a->ra.motion_in_sub_rad * AS, truth_ra, 0.1 * truth_ra, "simulated truth");
        check_near(a->dec.motion_in_sub_rad * AS, truth_dec, 0.1 * truth_dec, "simulated truth");
        assert_int_equal(a->n_subs, 24);
        assert_true(isnan(a->ra.response) && a->ra.is_response_assumed);
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
    /* those nights began with the worm off zero and are good to about 20 %; these begin settled */
    check_near(log_dec, 0.30, 0.02, "OBSERVABILITY 2, declination as logged");
    check_near(true_dec, 0.20, 0.02, "OBSERVABILITY 2, declination, true");
    check_near(log_ra, 0.49, 0.05, "OBSERVABILITY 2, right ascension as logged");
    check_near(true_ra, 0.44, 0.05, "OBSERVABILITY 2, right ascension, true");
    gsl_rng_free(rng);
}

static void test_coverage_over_100_nights(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(5);
    enum { NIGHTS = 100 };
    int in_bounds = 0;
    int in_noise = 0;
    double bias = 0.0;
    for (int i = 0; i < NIGHTS; i++) {
        struct sim_night night;
        sim_night_init(&night, 900, 2.0);
        sim_night_run(&night, &SIM_PLAIN, &SIM_PLAIN, rng);
        struct nw_guide_analysis *a = analysed_loop(&night.log);
        for (int axis = 0; axis < 2; axis++) {
            const struct nw_guide_axis *x = axis == 0 ? &a->ra : &a->dec;
            const double truth = sim_true_in_sub(night.y[axis], night.n, 150);
            in_bounds += x->motion_low_rad * AS <= truth && truth <= x->motion_high_rad * AS;
            in_noise += x->noise_low_rad * AS <= 0.3 && 0.3 <= x->noise_high_rad * AS;
            bias += (x->motion_in_sub_rad * AS / truth - 1.0) / (2.0 * NIGHTS);
        }
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
    gsl_rng_free(rng);
    print_message("bounds hold %d of 200, noise interval %d of 200, motion bias %.4f\n", in_bounds,
                  in_noise, bias);
    assert_true(in_bounds >= 196);
    assert_in_range(in_noise, 180, 199); /* 95 %: 190 +- 3.1, so within 3.3 sigma */
    check_near(bias, 0.0, 0.03, "motion within a sub, simulated truth");
}

static void test_bounds_hold_for_loops_the_model_does_not_know(void **state) {
    (void)state;
    /* worm, gear with memory, noise with memory, dead band: with pulses and without */
    const struct sim_axis ra = ra_axis();
    gsl_rng *rng = sim_rng(31);
    int in_bounds = 0;
    for (int i = 0; i < 20; i++) {
        struct sim_night night;
        sim_night_init(&night, 1800, 2.0);
        sim_night_run(&night, &ra, &DEC, rng);
        for (size_t k = 0; k < night.n && i % 4 == 0; k++) {
            night.log.rows[k].ra_pulse_s = night.log.rows[k].dec_pulse_s = NAN;
        }
        struct nw_guide_analysis *a = analysed_loop(&night.log);
        const double truth_ra = sim_true_in_sub(night.y[0], night.n, 150);
        const double truth_dec = sim_true_in_sub(night.y[1], night.n, 150);
        in_bounds +=
            a->ra.motion_low_rad * AS <= truth_ra && truth_ra <= a->ra.motion_high_rad * AS;
        in_bounds +=
            a->dec.motion_low_rad * AS <= truth_dec && truth_dec <= a->dec.motion_high_rad * AS;
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
    gsl_rng_free(rng);
    assert_true(in_bounds >= 38); /* of 40 */
}

/* Gears that shake for some samples, noise that outlasts one: the loop model reads 0.90 and 0.95 */
static void test_shake_and_memory_are_seen(void **state) {
    (void)state;
    struct sim_axis gears = SIM_PLAIN;
    gears.gear = 0.3;
    gears.gear_s = 8.0;
    struct sim_axis air = SIM_PLAIN;
    air.noise_memory = 0.25;
    air.gain = 0.6;
    gsl_rng *rng = sim_rng(41);
    double ratio[2] = {0.0, 0.0};
    enum { NIGHTS = 2 };
    for (int i = 0; i < NIGHTS; i++) {
        struct sim_night night;
        sim_night_init(&night, 3600, 2.0);
        sim_night_run(&night, &gears, &air, rng);
        struct nw_guide_analysis *a = analysed_loop(&night.log);
        check_near(a->ra.noise_rad * AS, 0.3, 0.02, "white noise beside the gears");
        check_near(a->ra.shake_rad * AS, 0.3, 0.09, "gears");
        assert_true(a->ra.shake_s > 4.0 && a->ra.shake_s < 20.0);
        check_near(a->dec.noise_rad * AS, 0.3, 0.015, "noise with a memory");
        check_near(a->dec.noise_memory, 0.25, 0.08, "4 sigmas of 1/sqrt(n)");
        assert_true(!(a->dec.shake_rad > 0.0));
        ratio[0] +=
            a->ra.motion_in_sub_rad * AS / sim_true_in_sub(night.y[0], night.n, 150) / NIGHTS;
        ratio[1] +=
            a->dec.motion_in_sub_rad * AS / sim_true_in_sub(night.y[1], night.n, 150) / NIGHTS;
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
    gsl_rng_free(rng);
    check_near(ratio[0], 1.0, 0.04, "simulated truth");
    check_near(ratio[1], 1.0, 0.04, "simulated truth");
}

static void test_variance_of_a_plain_loop_is_the_closed_form(void **state) {
    (void)state;
    /* y' = (1-g) y - g n + w: var y = (g^2 r + q)/(g (2-g)); noise alone g/(2-g), GUI-07 */
    struct sim_axis loop = SIM_PLAIN;
    loop.drift_per_min = 0.0;
    loop.gain = 0.5;
    gsl_rng *rng = sim_rng(3);
    struct sim_night night;
    sim_night_init(&night, 20000, 2.0);
    sim_night_run(&night, &loop, &loop, rng);
    const double want = sqrt((0.25 * 0.09 + 0.0025 * 2.0) / 0.75);
    check_near(sim_rms(night.y[0], night.n), want, 0.03 * want, "closed form (the simulator)");
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    check_near(a->ra.noise_rad * AS, 0.3, 0.006, "closed form: white noise of 0.3");
    /* a long sub: the own mean takes next to nothing away */
    check_near(a->ra.motion_in_sub_rad * AS, want, 0.03 * want, "closed form");
    check_near(a->ra.pulse_gain, 0.5, 1e-6, "gain as simulated");
    nw_guide_analysis_free(a);
    loop.walk_per_sqrt_s = 0.0;
    sim_night_run(&night, &loop, &loop, rng);
    check_near(pow(sim_rms(night.y[0], night.n) / 0.3, 2.0), 1.0 / 3.0, 0.02, "REFERENCES GUI-07");
    loop.delay = 2;
    sim_night_run(&night, &loop, &loop, rng);
    check_near(pow(sim_rms(night.y[0], night.n) / 0.3, 2.0), 0.6, 0.03, "REFERENCES GUI-07, d 2");
    a = analysed_loop(&night.log);
    check_near(a->ra.noise_rad * AS, 0.3, 0.006, "two frames late: the log says which pulse acted");
    check_near(a->ra.motion_in_sub_rad * AS, sqrt(0.6) * 0.3, 0.01, "REFERENCES GUI-07, d 2");
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void test_no_noise_is_exact(void **state) {
    (void)state;
    struct sim_axis quiet = SIM_PLAIN;
    quiet.noise = 0.0;
    gsl_rng *rng = sim_rng(9);
    struct sim_night night;
    sim_night_init(&night, 900, 2.0);
    sim_night_run(&night, &quiet, &quiet, rng);
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    const double truth = sim_true_in_sub(night.y[0], night.n, 150);
    check_near(a->ra.motion_in_sub_rad * AS, truth, 0.03 * truth,
               "no noise: the log is the motion");
    check_near(a->ra.motion_high_rad * AS, truth, 1e-6, "no noise: the log is the motion");
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void add_dithers(struct sim_night *night, size_t every, double size) {
    for (size_t k = every; k < night->n; k += every) {
        night->kick[0][k] = size;
        night->kick[1][k] = -0.8 * size;
    }
}

static void mark_dithers(struct sim_night *night, size_t every) {
    for (size_t k = every; k < night->n; k += every) {
        night->log.rows[k - 1].is_event = true;
        memcpy(night->log.rows[k - 1].event, "dither", 7);
    }
}

static void test_response_from_dithers(void **state) {
    (void)state;
    struct sim_axis weak = DEC;
    weak.response = 0.8;
    gsl_rng *rng = sim_rng(21);
    double sum = 0.0;
    double pull2 = 0.0;
    for (int i = 0; i < 20; i++) {
        struct sim_night night;
        sim_night_init(&night, 1800, 2.0);
        add_dithers(&night, 150, 6.0);
        sim_night_run(&night, &weak, &weak, rng);
        mark_dithers(&night, 150);
        struct nw_guide_analysis *a = analysed_loop(&night.log);
        assert_int_equal(a->n_dithers, 11);
        assert_false(a->are_dithers_inferred);
        sum += (a->ra.response + a->dec.response) / 40.0;
        pull2 += (pow((a->ra.response - 0.8) / a->ra.response_sigma, 2.0) +
                  pow((a->dec.response - 0.8) / a->dec.response_sigma, 2.0)) /
                 40.0;
        assert_false(a->ra.is_response_assumed);
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
    gsl_rng_free(rng);
    print_message("response %.4f for 0.8, pull width %.2f\n", sum, sqrt(pull2));
    check_near(sum, 0.8, 0.02, "simulated response 0.8; (noise/step)^2 of bias");
    check_near(sqrt(pull2), 1.0, 0.3, "sigma of the response: 40 values, 3 sigma = 0.33");
}

static void test_jumps_stand_in_for_untold_dithers(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(2);
    struct sim_night night;
    sim_night_init(&night, 1800, 2.0);
    add_dithers(&night, 200, 6.0);
    sim_night_run(&night, &DEC, &DEC, rng);
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    assert_int_equal(a->n_dithers, 8);
    assert_true(a->are_dithers_inferred);
    check_near(a->dithers[0].start_s, 400.0, 1e-9, "where the simulator put it");
    assert_true(a->dithers[0].end_s < 440.0);
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void test_signs(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(4);
    struct sim_axis east = SIM_PLAIN;
    struct sim_axis south = SIM_PLAIN;
    east.drift_per_min = 2.0;
    south.drift_per_min = -2.0;
    struct sim_night night;
    sim_night_init(&night, 1800, 2.0);
    sim_night_run(&night, &east, &south, rng);
    /* the star runs off + east; the loop answers with - pulses and lags behind on the + side */
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    check_near(a->ra.drift_rad_s * AS * 60.0, 2.0, 4.0 * a->ra.drift_sigma_rad_s * AS * 60.0,
               "+ east");
    check_near(a->dec.drift_rad_s * AS * 60.0, -2.0, 4.0 * a->dec.drift_sigma_rad_s * AS * 60.0,
               "- south");
    assert_true(a->ra.mean_rad > 0.0 && a->dec.mean_rad < 0.0);
    assert_true(a->ra.pulse_gain > 0.0);
    nw_guide_analysis_free(a);
    /* the same log with its pulses the wrong way round: far from the truth, however much the
     * likelihood would turn them */
    for (size_t k = 0; k < night.n; k++) {
        night.log.rows[k].ra_pulse_s *= -1.0;
    }
    a = analysed_loop(&night.log);
    assert_true(a->ra.drift_rad_s * AS * 60.0 < 2.0 - 10.0 * a->ra.drift_sigma_rad_s * AS * 60.0);
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void test_declination_scales_the_rate(void **state) {
    (void)state;
    /* at dec 60 a second of pulse moves the star half as far: give the same sky, twice the pulse */
    gsl_rng *rng = sim_rng(4);
    struct sim_night night;
    sim_night_init(&night, 1800, 2.0);
    sim_night_run(&night, &SIM_PLAIN, &SIM_PLAIN, rng);
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    const double drift = a->ra.drift_rad_s;
    nw_guide_analysis_free(a);
    night.log.declination_rad = 60.0 * NW_RAD_PER_DEG;
    for (size_t k = 0; k < night.n; k++) {
        night.log.rows[k].ra_pulse_s *= 2.0;
    }
    a = analysed_loop(&night.log);
    check_near(a->ra.drift_rad_s, drift, 1e-6 * fabs(drift), "rate on the sky = rate * cos dec");
    nw_guide_analysis_free(a);
    night.log.declination_rad = NAN;
    a = analysed_loop(&night.log);
    assert_true(isnan(a->ra.drift_rad_s) && isnan(a->ra.motion_in_sub_rad));
    assert_true(isfinite(a->ra.motion_high_rad));
    assert_non_null(strstr(a->ra.why_null, "declination_deg"));
    assert_true(isfinite(a->dec.drift_rad_s));
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void test_without_pulses_and_without_side(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(8);
    struct sim_night night;
    sim_night_init(&night, 1800, 2.0);
    sim_night_run(&night, &SIM_PLAIN, &SIM_PLAIN, rng);
    night.log.is_dec_sign_known = false;
    for (size_t k = 0; k < night.n; k++) {
        night.log.rows[k].ra_pulse_s = NAN;
    }
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    const double truth = sim_true_in_sub(night.y[0], night.n, 150);
    assert_true(a->ra.is_loop_inferred && isnan(a->ra.drift_rad_s));
    assert_non_null(strstr(a->ra.why_drift, "not logged"));
    assert_true(isnan(a->ra.motion_in_sub_rad) && isnan(a->subs[0].ra_rad));
    assert_non_null(strstr(a->ra.why_null, "only bounds"));
    assert_true(a->ra.motion_low_rad * AS <= truth && truth <= a->ra.motion_high_rad * AS);
    assert_true(isnan(a->dec.drift_rad_s) && isnan(a->subs[0].cross_rad2));
    assert_non_null(strstr(a->dec.why_drift, "tube_side"));
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void test_pulse_before_or_after_is_found(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(8);
    struct sim_night night;
    sim_night_init(&night, 900, 2.0);
    sim_night_run(&night, &SIM_PLAIN, &SIM_PLAIN, rng);
    night.log.pulse_acts = NW_PULSE_ACTS_UNKNOWN;
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    assert_int_equal(a->pulse_acts, NW_PULSE_ACTS_AFTER);
    assert_true(a->is_pulse_acts_inferred);
    nw_guide_analysis_free(a);
    for (size_t k = night.n - 1; k > 0; k--) { /* the pulse in the row behind: it acted before */
        night.log.rows[k].ra_pulse_s = night.log.rows[k - 1].ra_pulse_s;
        night.log.rows[k].dec_pulse_s = night.log.rows[k - 1].dec_pulse_s;
    }
    night.log.rows[0].ra_pulse_s = night.log.rows[0].dec_pulse_s = 0.0;
    a = analysed_loop(&night.log);
    assert_int_equal(a->pulse_acts, NW_PULSE_ACTS_BEFORE);
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void test_ringing_is_flagged(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(8);
    struct sim_night night;
    sim_night_init(&night, 900, 2.0);
    struct sim_axis fast = SIM_PLAIN;
    fast.gain = 1.85; /* stable below 2 */
    struct sim_axis late = SIM_PLAIN;
    late.delay = 2;
    late.gain = 0.95; /* stable below 1: GUI-08 */
    sim_night_run(&night, &fast, &late, rng);
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    assert_true(a->ra.is_oscillating && a->dec.is_oscillating);
    nw_guide_analysis_free(a);
    sim_night_run(&night, &SIM_PLAIN, &SIM_PLAIN, rng);
    a = analysed_loop(&night.log);
    assert_false(a->ra.is_oscillating || a->dec.is_oscillating);
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void test_noise_floor_and_given_subs(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(8);
    struct sim_night night;
    sim_night_init(&night, 900, 2.0);
    sim_night_run(&night, &SIM_PLAIN, &SIM_PLAIN, rng);
    const struct nw_span subs[] = {{100.0, 400.0}, {500.0, 800.0}, {1790.0, 1795.0}};
    struct nw_guide_opts opts = {.subs = subs, .n_subs = 3, .noise_floor_rad = NAN};
    struct nw_guide_analysis *free_a = analysed(&night.log, &opts);
    assert_int_equal(free_a->n_subs, 3);
    assert_int_equal(free_a->subs[0].n, 150);
    assert_true(isnan(free_a->subs[2].ra_rad)); /* 3 samples */
    check_near(free_a->subs[1].ra_rad * AS, sim_true_in_sub(night.y[0] + 250, 150, 150), 0.05,
               "simulated truth of one sub");
    opts.noise_floor_rad = 0.35 * SIM_ARCSEC;
    struct nw_guide_analysis *a = analysed(&night.log, &opts);
    check_near(a->ra.noise_rad * AS, 0.35, 1e-9, "never below the floor");
    assert_true(a->ra.motion_high_rad < free_a->ra.motion_high_rad);
    nw_guide_analysis_free(a);
    nw_guide_analysis_free(free_a);
    const struct nw_span backwards[] = {{400.0, 100.0}};
    opts = (struct nw_guide_opts){.subs = backwards, .n_subs = 1, .noise_floor_rad = NAN};
    struct nw_err err = {0};
    assert_int_equal(nw_guide_analyse(&night.log, &opts, &a, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "before its start"));
    sim_night_done(&night);
    gsl_rng_free(rng);
}

static void test_few_samples_give_reasons(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(8);
    struct sim_night night;
    sim_night_init(&night, 40, 2.0);
    sim_night_run(&night, &SIM_PLAIN, &SIM_PLAIN, rng);
    struct nw_guide_analysis *a = analysed_loop(&night.log);
    assert_true(isnan(a->ra.motion_in_sub_rad) && isnan(a->ra.drift_rad_s));
    assert_true(a->ra.why_null[0] != '\0');
    check_near(a->ra.rms_logged_rad * AS, sim_rms(night.e[0], 40), 1e-9, "brute force");
    nw_guide_analysis_free(a);
    night.log.n = 1;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_analyse(&night.log, NULL, &a, &err), NW_DATA);
    assert_non_null(strstr(err.text, "no two at different times"));
    sim_night_done(&night);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_log_overstates_motion_and_bounds_hold_the_truth),
        cmocka_unit_test(test_coverage_over_100_nights),
        cmocka_unit_test(test_bounds_hold_for_loops_the_model_does_not_know),
        cmocka_unit_test(test_shake_and_memory_are_seen),
        cmocka_unit_test(test_variance_of_a_plain_loop_is_the_closed_form),
        cmocka_unit_test(test_no_noise_is_exact),
        cmocka_unit_test(test_response_from_dithers),
        cmocka_unit_test(test_jumps_stand_in_for_untold_dithers),
        cmocka_unit_test(test_signs),
        cmocka_unit_test(test_declination_scales_the_rate),
        cmocka_unit_test(test_without_pulses_and_without_side),
        cmocka_unit_test(test_pulse_before_or_after_is_found),
        cmocka_unit_test(test_ringing_is_flagged),
        cmocka_unit_test(test_noise_floor_and_given_subs),
        cmocka_unit_test(test_few_samples_give_reasons),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
