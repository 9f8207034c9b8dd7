/* test_surface.c - focal surfaces of simulated fields: errors, pulls, signs, refusals. */
#include "check.h"
#include "field_sim.h"

#include <string.h>

static const struct sim_field FIELD = {.z = {0.0, 30e-6, -15e-6, 25e-6},
                                       .f_ratio = 5.6,
                                       .pixel_m = 3.76e-6,
                                       .fwhm_px = 1.9,
                                       .growth = 0.05,
                                       .width_px = 6248.0,
                                       .height_px = 4176.0,
                                       .n_stars = 420,
                                       .n_rays = 81};

/* Rays know no diffraction: a wavelength of 1 nm leaves none. */
static struct nw_field_opts opts_of(const struct sim_field *f) {
    return (struct nw_field_opts){
        .optics = {f->f_ratio, f->pixel_m, 1e-9, 0.0},
        .step_m = 1e-6,
        .position_ref = NAN,
    };
}

struct trial {
    double places_um[16];
    size_t n;
    double seeing_scatter;
};

static struct nw_surface run(const struct sim_field *field, const struct trial *t,
                             const struct nw_field_opts *opts, gsl_rng *rng) {
    struct nw_field_frame frames[16];
    struct nw_surface surface = {0};
    struct nw_err err = {.text = ""};
    for (size_t i = 0; i < t->n; i++) {
        struct sim_field f = *field;
        f.fwhm_px *= 1.0 + gsl_ran_gaussian(rng, t->seeing_scatter);
        frames[i] = sim_frame(&f, t->places_um[i] * 1e-6, rng);
        frames[i].position_steps = 20000.0 + t->places_um[i];
        frames[i].t_s = (double)i * 30.0;
    }
    struct nw_field_opts o = *opts;
    o.position_ref = 20000.0;
    const enum nw_status status = nw_field_surface(frames, t->n, &o, &surface, &err);
    if (status != NW_OK) {
        print_error("%s\n", err.text);
    }
    assert_int_equal(status, NW_OK);
    for (size_t i = 0; i < t->n; i++) {
        free(frames[i].stars);
    }
    return surface;
}

/* rms of errors and of pulls over trials, of a, b, c and z0. */
static void monte_carlo(const struct sim_field *field, const struct trial *t, size_t n_trials,
                        double ret_error_um[4], double ret_pull[4]) {
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 7);
    const struct nw_field_opts opts = opts_of(field);
    double error2[4] = {0.0};
    double pull2[4] = {0.0};
    for (size_t k = 0; k < n_trials; k++) {
        struct nw_field_opts o = opts; /* the blur of a known defocus is known to 2 % */
        o.optics.f_ratio *= 1.0 + gsl_ran_gaussian(rng, 0.02);
        struct nw_surface s = run(field, t, &o, rng);
        double sign = 1.0;
        if (!s.is_sign_known && s.z[1] * field->z[1] + s.z[2] * field->z[2] < 0.0) {
            sign = -1.0;
        }
        for (size_t i = 0; i < 4; i++) {
            const double miss = sign * s.z[i] - field->z[i];
            error2[i] += miss * miss / (double)n_trials;
            pull2[i] += miss * miss / s.cov[i][i] / (double)n_trials;
        }
        nw_surface_done(&s);
    }
    gsl_rng_free(rng);
    for (size_t i = 0; i < 4; i++) {
        ret_error_um[i] = sqrt(error2[i]) * 1e6;
        ret_pull[i] = sqrt(pull2[i]);
    }
    print_message("errors of z0 a b c %.2f %.2f %.2f %.2f um, pulls %.2f %.2f %.2f %.2f\n",
                  ret_error_um[0], ret_error_um[1], ret_error_um[2], ret_error_um[3], ret_pull[0],
                  ret_pull[1], ret_pull[2], ret_pull[3]);
}

static void test_pair_with_changing_seeing_and_corner_growth(void **state) {
    (void)state;
    const struct trial t = {{-80.0, 80.0}, 2, 0.08};
    double error_um[4];
    double pull[4];
    monte_carlo(&FIELD, &t, 24, error_um, pull);
    for (size_t i = 1; i < 4; i++) {
        check_near(error_um[i], 0.0, 3.0, "target: 3 um in a, b, c");
        check_near(pull[i], 1.0, 0.3, "reported errors; 24 trials know a pull to 0.14");
    }
    check_near(pull[0], 1.0, 0.35, "z0 hangs on the seeing: its error says so");
}

static void test_sweep_with_changing_seeing_and_corner_growth(void **state) {
    (void)state;
    const struct trial t = {{-80.0, -60.0, -40.0, -20.0, 0.0, 20.0, 40.0, 60.0, 80.0}, 9, 0.08};
    double error_um[4];
    double pull[4];
    struct sim_field f = FIELD;
    f.n_rays = 201; /* 1.5 % a cell */
    monte_carlo(&f, &t, 14, error_um, pull);
    for (size_t i = 0; i < 4; i++) {
        check_near(error_um[i], 0.0, 3.0, "target: 3 um in z0, a, b, c");
        check_near(pull[i], 1.0, 0.4, "reported errors; 14 trials know a pull to 0.19");
    }
}

static void test_single_frame_finds_the_tilt_up_to_sign(void **state) {
    (void)state;
    struct sim_field f = FIELD;
    f.z[0] = -45e-6;
    const struct trial t = {{0.0}, 1, 0.0};
    double error_um[4];
    double pull[4];
    monte_carlo(&f, &t, 12, error_um, pull);
    check_near(error_um[1], 0.0, 10.0, "target: 10 um up to sign");
    check_near(error_um[2], 0.0, 10.0, "target: 10 um up to sign");
}

/* A cloudy frame of a sweep: a cloud moves over half of the field, its stars are few and wide. */
static void test_sweep_refuses_the_frame_that_does_not_belong(void **state) {
    (void)state;
    struct nw_field_frame frames[9];
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 3);
    for (size_t i = 0; i < 9; i++) {
        struct sim_field f = FIELD;
        f.fwhm_px *= i == 5 ? 1.9 : 1.0; /* trailed and dimmed */
        frames[i] = sim_frame(&f, (20.0 * (double)i - 80.0) * 1e-6, rng);
        frames[i].position_steps = 20000.0 + 20.0 * (double)i;
        frames[i].transmission = i == 2 ? 0.4 : 1.0;
    }
    frames[5].path = "wide.fits";
    frames[2].path = "cloud.fits";
    const struct nw_field_opts opts = opts_of(&FIELD);
    struct nw_surface s;
    assert_int_equal(nw_field_surface(frames, 9, &opts, &s, NULL), NW_OK);
    assert_int_equal(s.n_used, 7);
    assert_false(s.frames[2].is_used);
    assert_non_null(strstr(s.frames[2].why, "cloud: 40 %"));
    assert_false(s.frames[5].is_used);
    assert_non_null(strstr(s.frames[5].why, "as wide as"));
    check_near(s.z[1] * 1e6, 30.0, 4.0, "as made, without the two frames");
    check_near(s.z[3] * 1e6, 25.0, 4.0, "as made, without the two frames");
    for (size_t i = 0; i < 9; i++) {
        free(frames[i].stars);
    }
    nw_surface_done(&s);
    gsl_rng_free(rng);
}

/* Reached from outside, the sensor stays 15 um farther out than the counter says. */
static void test_there_and_back_finds_the_focusers_play(void **state) {
    (void)state;
    struct nw_field_frame frames[14];
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 5);
    for (size_t i = 0; i < 14; i++) {
        const double k = i < 7 ? (double)i - 3.0 : 10.0 - (double)i;
        frames[i] = sim_frame(&FIELD, (25.0 * k + (i >= 7 ? 15.0 : 0.0)) * 1e-6, rng);
        frames[i].position_steps = 5000.0 + 25.0 * k;
        frames[i].t_s = 30.0 * (double)i;
    }
    /* the last outward and the first inward frame stand at one place: still reached from inside */
    frames[7].position_steps -= 1.0;
    const struct nw_field_opts opts = opts_of(&FIELD);
    struct nw_surface s;
    assert_int_equal(nw_field_surface(frames, 14, &opts, &s, NULL), NW_OK);
    check_near(s.backlash * 1e6, 15.0, 2.5, "as made");
    assert_true(s.backlash_sigma * 1e6 < 2.0);
    check_near(s.best_position, 5000.0 + 25.0 / 3.0, 4.0, "mean height c/3, reached from inside");
    for (size_t i = 0; i < 14; i++) {
        free(frames[i].stars);
    }
    nw_surface_done(&s);
    gsl_rng_free(rng);
}

static void test_sweep_without_step_or_optics_is_in_steps(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 11);
    struct nw_field_opts opts = opts_of(&FIELD);
    opts.step_m = NAN;
    opts.optics = (struct nw_field_optics){NAN, NAN, NAN, 0.0};
    const struct trial t = {{-80.0, -60.0, -40.0, -20.0, 0.0, 20.0, 40.0, 60.0, 80.0}, 9, 0.0};
    struct sim_field f = FIELD;
    f.n_rays = 201;
    struct nw_surface s = run(&f, &t, &opts, rng);
    assert_false(s.is_metric);
    assert_true(s.is_scale_known && s.is_sign_known);
    assert_true(isnan(s.depth_of_focus_m));
    check_near(s.z[1], 30.0, 4.0, "1 um a step: 30 steps");
    check_near(s.z[3], 25.0, 5.0, "1 um a step: 25 steps");
    nw_surface_done(&s);
    opts = opts_of(&f); /* with optics the blur tells the step */
    opts.step_m = NAN;
    s = run(&f, &t, &opts, rng);
    assert_true(s.is_metric);
    check_near(s.step_measured_m * 1e6, 1.0, 0.08, "as made: 1 um a step");
    nw_surface_done(&s);
    gsl_rng_free(rng);
}

static void test_pair_without_a_step_gives_the_direction_alone(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 12);
    struct nw_field_opts opts = opts_of(&FIELD);
    opts.step_m = NAN;
    const struct trial t = {{-80.0, 80.0}, 2, 0.05};
    struct nw_surface s = run(&FIELD, &t, &opts, rng);
    assert_false(s.is_metric || s.is_scale_known);
    assert_true(s.is_sign_known);
    check_near(s.tilt_direction_rad, atan2(-15.0, 30.0), 0.15, "as made");
    nw_surface_done(&s);
    gsl_rng_free(rng);
}

/* A focuser that follows the temperature leaves the regular row of a sweep. */
static void test_compensation_during_a_sweep_is_seen(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 13);
    for (int is_acting = 0; is_acting < 2; is_acting++) {
        struct nw_field_frame frames[7];
        for (size_t i = 0; i < 7; i++) {
            frames[i] = sim_frame(&FIELD, (30.0 * (double)i - 90.0) * 1e-6, rng);
            frames[i].position_steps = 3000.0 + 30.0 * (double)i + (is_acting && i > 2 ? 4.0 : 0.0);
            frames[i].temperature_K = 280.0 - 0.1 * (double)i;
        }
        const struct nw_field_opts opts = opts_of(&FIELD);
        struct nw_surface s;
        assert_int_equal(nw_field_surface(frames, 7, &opts, &s, NULL), NW_OK);
        assert_int_equal(s.compensation,
                         is_acting ? NW_COMPENSATION_ACTING : NW_COMPENSATION_NOT_SEEN);
        check_near(s.temperature_range_K, 0.6, 1e-9, "as made");
        nw_surface_done(&s);
        for (size_t i = 0; i < 7; i++) {
            free(frames[i].stars);
        }
    }
    gsl_rng_free(rng);
}

static void test_what_cannot_be_done_is_said(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct nw_field_frame frames[2] = {sim_frame(&FIELD, 0.0, rng), sim_frame(&FIELD, 0.0, rng)};
    const struct nw_field_opts opts = opts_of(&FIELD);
    struct nw_surface s;
    struct nw_err err;
    frames[1].width_px = 100;
    assert_int_equal(nw_field_surface(frames, 2, &opts, &s, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "frame of 100 x 4176 px, the first has 6248 x 4176"));
    frames[0].n_stars = 5;
    assert_int_equal(nw_field_surface(frames, 1, &opts, &s, &err), NW_DATA);
    assert_non_null(strstr(err.text, "5 usable stars"));
    assert_int_equal(nw_field_surface(frames, 0, &opts, &s, &err), NW_LIMIT);
    free(frames[0].stars);
    free(frames[1].stars);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pair_with_changing_seeing_and_corner_growth),
        cmocka_unit_test(test_sweep_with_changing_seeing_and_corner_growth),
        cmocka_unit_test(test_single_frame_finds_the_tilt_up_to_sign),
        cmocka_unit_test(test_sweep_refuses_the_frame_that_does_not_belong),
        cmocka_unit_test(test_there_and_back_finds_the_focusers_play),
        cmocka_unit_test(test_sweep_without_step_or_optics_is_in_steps),
        cmocka_unit_test(test_pair_without_a_step_gives_the_direction_alone),
        cmocka_unit_test(test_compensation_during_a_sweep_is_seen),
        cmocka_unit_test(test_what_cannot_be_done_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
