/* test_sets.c - camera, focuser and sag told apart from made-up slopes: there and back, errors. */
#include "check.h"
#include "field/sets.h"

#include <complex.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <string.h>

#define DEG (3.14159265358979323846 / 180.0)
#define CAMERA (12e-6 - 20e-6 * I)
#define FOCUSER (-8e-6 + 5e-6 * I)
#define SAG (6e-6 + 3e-6 * I)

struct sim_set {
    double rotator_deg, altitude_deg;
    int side;
};

/* The physics written out anew: a vector fixed in the focuser, seen from a chip turned by t. */
static struct nw_surface surface_of(const struct sim_set *s, double sense, double noise,
                                    gsl_rng *rng) {
    const double complex turned = cexp(-I * sense * s->rotator_deg * DEG) *
                                  (FOCUSER + s->side * sin((90.0 - s->altitude_deg) * DEG) * SAG);
    const double complex g = CAMERA + turned;
    struct nw_surface surface = {.is_metric = true, .is_sign_known = true, .is_scale_known = true};
    surface.z[1] = creal(g) + gsl_ran_gaussian(rng, noise);
    surface.z[2] = cimag(g) + gsl_ran_gaussian(rng, noise);
    for (size_t i = 0; i < 4; i++) {
        surface.cov[i][i] = noise > 0.0 ? noise * noise : 1e-14;
    }
    return surface;
}

static enum nw_status run(const struct sim_set *sims, size_t n, double sense, double noise,
                          gsl_rng *rng, struct nw_field_split *ret) {
    struct nw_surface surfaces[8];
    struct nw_field_set sets[8];
    for (size_t i = 0; i < n; i++) {
        surfaces[i] = surface_of(&sims[i], sense, noise, rng);
        sets[i] = (struct nw_field_set){&surfaces[i], sims[i].rotator_deg * DEG, sims[i].side,
                                        sims[i].altitude_deg * DEG};
    }
    return nw_field_separate(sets, n, ret, NULL);
}

static void test_half_turn_and_both_sides_give_all_three(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct sim_set sims[] = {{30.0, 35.0, 1}, {210.0, 35.0, 1}, {30.0, 40.0, -1}};
    struct nw_field_split split;
    assert_int_equal(run(sims, 3, 1.0, 0.0, rng, &split), NW_OK);
    check_near(split.camera.a, 12e-6, 1e-12, "there and back");
    check_near(split.camera.b, -20e-6, 1e-12, "there and back");
    check_near(split.focuser.a, -8e-6, 1e-12, "there and back, at rotator angle nil");
    check_near(split.focuser.b, 5e-6, 1e-12, "there and back, at rotator angle nil");
    check_near(split.sag.a, 6e-6, 1e-12, "there and back");
    check_near(split.sag.b, 3e-6, 1e-12, "there and back");
    assert_false(split.is_sense_assumed);
    assert_false(split.rigid.is_known);
    gsl_rng_free(rng);
}

static void test_without_a_turn_camera_and_focuser_stay_together(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct sim_set sims[] = {{0.0, 30.0, 1}, {0.0, 30.0, -1}};
    struct nw_field_split split;
    assert_int_equal(run(sims, 2, 1.0, 0.0, rng, &split), NW_OK);
    assert_true(split.rigid.is_known && split.sag.is_known && !split.camera.is_known);
    check_near(split.rigid.a, creal(CAMERA + FOCUSER), 1e-12, "mean of the sides");
    check_near(split.sag.b, cimag(SAG), 1e-12, "half their difference over sin z");
    gsl_rng_free(rng);
}

static void test_three_angles_tell_the_sense_of_the_rotator(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct sim_set sims[] = {{0.0, 80.0, 0}, {90.0, 80.0, 0}, {200.0, 80.0, 0}};
    struct nw_field_split split;
    assert_int_equal(run(sims, 3, -1.0, 0.0, rng, &split), NW_OK);
    check_near(split.sense, -1.0, 0.0, "as made");
    assert_false(split.is_sense_assumed);
    assert_int_equal(run(sims, 2, -1.0, 1e-6, rng, &split), NW_OK);
    assert_true(split.is_sense_assumed); /* a quarter turn of two sets fits either way */
    gsl_rng_free(rng);
}

static void test_errors_are_as_reported(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct sim_set sims[] = {
        {0.0, 40.0, 1}, {180.0, 40.0, 1}, {0.0, 35.0, -1}, {180.0, 30.0, -1}};
    enum { N = 400 };
    double pull2[3] = {0.0};
    for (int i = 0; i < N; i++) {
        struct nw_field_split split;
        assert_int_equal(run(sims, 4, 1.0, 2e-6, rng, &split), NW_OK);
        pull2[0] += pow((split.camera.a - 12e-6) / split.camera.sigma, 2.0) / N;
        pull2[1] += pow((split.focuser.b - 5e-6) / split.focuser.sigma, 2.0) / N;
        pull2[2] += pow((split.sag.a - 6e-6) / split.sag.sigma, 2.0) / N;
    }
    for (int i = 0; i < 3; i++) {
        check_near(sqrt(pull2[i]), 1.0, 0.1, "pull of 400 trials, known to 0.035");
    }
    gsl_rng_free(rng);
}

static void test_sets_that_stand_alike_are_refused(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct sim_set alike[] = {{10.0, 40.0, 1}, {20.0, 40.0, 1}};
    const struct sim_set high[] = {{0.0, 85.0, 1}, {0.0, 85.0, -1}};
    struct nw_field_split split;
    assert_int_equal(run(alike, 2, 1.0, 0.0, rng, &split), NW_DATA);
    assert_int_equal(run(high, 2, 1.0, 0.0, rng, &split), NW_DATA);
    assert_int_equal(run(alike, 1, 1.0, 0.0, rng, &split), NW_DOMAIN);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_half_turn_and_both_sides_give_all_three),
        cmocka_unit_test(test_without_a_turn_camera_and_focuser_stay_together),
        cmocka_unit_test(test_three_angles_tell_the_sense_of_the_rotator),
        cmocka_unit_test(test_errors_are_as_reported),
        cmocka_unit_test(test_sets_that_stand_alike_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
