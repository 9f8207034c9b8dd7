/* test_wavefront.c - the patterns that astigmatism, decentre, coma and motion make over the field
 * (Jarvis, Schechter & Jain 2008, arXiv:0810.0027): what changes its sign through focus is
 * astigmatism, what does not is not. */
#include "check.h"
#include "field_sim.h"

static const struct sim_field FIELD = {.z = {0.0, 20e-6, -10e-6, 30e-6},
                                       .f_ratio = 5.6,
                                       .pixel_m = 3.76e-6,
                                       .fwhm_px = 2.2,
                                       .width_px = 6000.0,
                                       .height_px = 4000.0,
                                       .n_stars = 600,
                                       .n_rays = 101,
                                       .has_shapes = true};

static struct nw_wavefront run(const struct sim_field *f, const double *places_um, size_t n,
                               const struct nw_field_baseline *baseline,
                               struct nw_surface *ret_surface) {
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 21);
    struct nw_field_frame frames[8];
    for (size_t i = 0; i < n; i++) {
        frames[i] = sim_frame(f, places_um[i] * 1e-6, rng);
        frames[i].position_steps = 1000.0 + places_um[i];
    }
    const struct nw_field_opts opts = {.optics = {f->f_ratio, f->pixel_m, 1e-9, 0.0},
                                       .baseline = baseline,
                                       .step_m = 1e-6,
                                       .position_ref = NAN};
    assert_int_equal(nw_field_surface(frames, n, &opts, ret_surface, NULL), NW_OK);
    for (size_t i = 0; i < n; i++) {
        free(frames[i].stars);
    }
    gsl_rng_free(rng);
    struct nw_surface numbers = *ret_surface; /* the lists are not looked at */
    nw_surface_done(ret_surface);
    numbers.frames = NULL;
    numbers.cells = NULL;
    *ret_surface = numbers;
    return numbers.wavefront;
}

static const double PAIR[] = {-80.0, 80.0};

static void test_astigmatism_changes_sign_through_focus(void **state) {
    (void)state;
    struct nw_surface s;
    struct sim_field f = FIELD;
    f.astigmatism_m = 25e-6;
    const struct nw_wavefront w = run(&f, PAIR, 2, NULL, &s);
    check_near(w.astigmatism_m * 1e6, 25.0, 4.0, "as made; moments against half-light, 15 %");
    check_near(w.skew_m * 1e6, 0.0, 3.0 * w.astigmatism_sigma_m * 1e6, "round optics have none");
    check_near(w.centre[0], 0.0, 0.05, "as made");
    f.astigmatism_m = -25e-6;
    check_near(run(&f, PAIR, 2, NULL, &s).astigmatism_m * 1e6, -25.0, 4.0, "the other sign");
}

static void test_centre_of_the_pattern_is_found_and_explains_the_plane(void **state) {
    (void)state;
    struct nw_surface s;
    struct sim_field f = FIELD;
    f.astigmatism_m = 30e-6;
    f.centre[0] = 0.3;
    f.centre[1] = -0.2;
    f.z[1] = -2.0 * f.z[3] * 0.3; /* curvature about the same centre, no tilt */
    f.z[2] = -2.0 * f.z[3] * -0.2;
    const struct nw_wavefront w = run(&f, PAIR, 2, NULL, &s);
    check_near(w.centre[0], 0.3, 0.08, "as made");
    check_near(w.centre[1], -0.2, 0.08, "as made");
    check_near(w.decentre_a * 1e6, s.z[1] * 1e6, 6.0, "all of the plane is decentre");
    check_near(w.decentre_b * 1e6, s.z[2] * 1e6, 6.0, "all of the plane is decentre");
}

/* Tracking: one vector for all stars; coma and lateral colour: radial, the same on both sides. */
static void test_motion_and_radial_elongation_are_no_astigmatism(void **state) {
    (void)state;
    struct nw_surface s;
    struct sim_field f = FIELD;
    f.e1 = 0.12;
    f.e2 = -0.08;
    struct nw_wavefront w = run(&f, PAIR, 2, NULL, &s);
    assert_true(fabs(w.astigmatism_m) < 3.5 * w.astigmatism_sigma_m + 1.5e-6);
    f.radial_px2 = 0.3;
    w = run(&f, PAIR, 2, NULL, &s);
    assert_true(fabs(w.astigmatism_m) < 3.5 * w.astigmatism_sigma_m + 1.5e-6);
    /* q = B^2 / 3, the figure is 3 B long: REFERENCES FOC-18 and closed form */
    check_near(w.coma_m * 1e6, 3.0 * sqrt(3.0 * 0.3) * 3.76, 1.5, "closed form");
}

static void test_baseline_gives_one_frame_its_sign(void **state) {
    (void)state;
    const struct nw_field_baseline base = {.c_m = 30e-6,
                                           .c_sigma_m = 3e-6,
                                           .growth_sigma = 0.02,
                                           .astigmatism_m = 25e-6,
                                           .astigmatism_sigma_m = 2e-6};
    struct sim_field f = FIELD;
    f.astigmatism_m = 25e-6;
    for (int side = -1; side <= 1; side += 2) {
        struct nw_surface s;
        const double place_um = 45.0 * side;
        (void)run(&f, &place_um, 1, &base, &s);
        assert_true(s.is_baseline_used && s.is_sign_known);
        check_near(s.z[0] * 1e6, -45.0 * side, 8.0, "which side of focus, and how far");
        check_near(s.z[1] * 1e6, 20.0, 8.0, "the tilt with its sign");
        check_near(s.z[2] * 1e6, -10.0, 8.0, "the tilt with its sign");
        (void)run(&f, &place_um, 1, NULL, &s);
        assert_false(s.is_sign_known);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_astigmatism_changes_sign_through_focus),
        cmocka_unit_test(test_centre_of_the_pattern_is_found_and_explains_the_plane),
        cmocka_unit_test(test_motion_and_radial_elongation_are_no_astigmatism),
        cmocka_unit_test(test_baseline_gives_one_frame_its_sign),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
