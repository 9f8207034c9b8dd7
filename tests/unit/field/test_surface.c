/* test_surface.c - focal surfaces of simulated fields: errors, pulls, signs, refusals. */
#include "check.h"
#include "field_sim.h"

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
        struct nw_surface s = run(field, t, &opts, rng);
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
    monte_carlo(&FIELD, &t, 40, error_um, pull);
    for (size_t i = 1; i < 4; i++) {
        check_near(error_um[i], 0.0, 3.0, "target: 3 um in a, b, c");
        check_near(pull[i], 1.0, 0.3, "reported errors; 40 trials know a pull to 0.11");
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
    monte_carlo(&f, &t, 24, error_um, pull);
    for (size_t i = 0; i < 4; i++) {
        check_near(error_um[i], 0.0, 3.0, "target: 3 um in z0, a, b, c");
        check_near(pull[i], 1.0, 0.3, "reported errors; 24 trials know a pull to 0.14");
    }
}

static void test_single_frame_finds_the_tilt_up_to_sign(void **state) {
    (void)state;
    struct sim_field f = FIELD;
    f.z[0] = -45e-6;
    const struct trial t = {{0.0}, 1, 0.0};
    double error_um[4];
    double pull[4];
    monte_carlo(&f, &t, 30, error_um, pull);
    check_near(error_um[1], 0.0, 10.0, "target: 10 um up to sign");
    check_near(error_um[2], 0.0, 10.0, "target: 10 um up to sign");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pair_with_changing_seeing_and_corner_growth),
        cmocka_unit_test(test_sweep_with_changing_seeing_and_corner_growth),
        cmocka_unit_test(test_single_frame_finds_the_tilt_up_to_sign),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
