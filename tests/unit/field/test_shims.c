/* test_shims.c - shims by simple geometry, and the axes a known turn reveals. */
#include <complex.h>

#include "check.h"
#include "field/shims.h"

#include <string.h>

#define R_m (0.5 * 5000.0 * 4e-6) /* half diagonal of 4000 x 3000 px of 4 um: 10 mm */

static struct nw_surface surface_of(double a_m, double b_m) {
    struct nw_surface s = {.is_metric = true,
                           .is_sign_known = true,
                           .z = {0.0, a_m, b_m, 0.0},
                           .width_px = 4000.0,
                           .height_px = 3000.0};
    for (size_t i = 0; i < 4; i++) {
        s.cov[i][i] = 1e-12; /* 1 um */
    }
    return s;
}

static void screws_at(const double *angles_deg, size_t n, double radius_m,
                      struct nw_shim_screw *ret) {
    for (size_t i = 0; i < n; i++) {
        ret[i] =
            (struct nw_shim_screw){radius_m * cos(angles_deg[i] * 3.14159265358979 / 180.0),
                                   radius_m * sin(angles_deg[i] * 3.14159265358979 / 180.0), 1.0};
    }
}

#define plate_of(s, count)                                                                         \
    (&(struct nw_shim_plate){{(s)[0], (s)[1], (s)[2], (s)[(count)-1]}, (count), 4e-6})

/* Best focus 20 um farther out at u = 1 (10 mm): a slope of 2e-3; screws 40 mm out at 0 and 180
 * deg differ by 80 mm x 2e-3 = 160 um; the far side is raised. */
static void test_the_side_where_focus_lies_farther_is_raised(void **state) {
    (void)state;
    struct nw_shim_screw screws[4];
    const double angles[] = {0.0, 90.0, 180.0, 270.0};
    screws_at(angles, 4, 40e-3, screws);
    const struct nw_surface s = surface_of(20e-6, 0.0);
    struct nw_shims shims;
    assert_int_equal(nw_field_shims(&s, plate_of(screws, 4), NULL, &shims, NULL), NW_OK);
    check_near(shims.screws[0].full_m, 160e-6, 1e-9, "closed form: 80 mm x 2e-3");
    check_near(shims.screws[1].full_m, 80e-6, 1e-9, "closed form");
    check_near(shims.screws[2].full_m, 0.0, 1e-12, "never negative: the lowest is nil");
    check_near(shims.screws[0].half_m, 80e-6, 1e-9, "half first");
    check_near(shims.half_spacing_m, 40e-6, 1e-9, "on the axis: the mean of opposite screws");
    check_near(shims.screws[0].sigma_m, 4e-6, 1e-9, "1 um per 10 mm, at 40 mm");
}

static void test_no_shim_is_ever_negative(void **state) {
    (void)state;
    struct nw_shim_screw screws[3];
    const double angles[] = {90.0, 210.0, 330.0};
    screws_at(angles, 3, 38e-3, screws);
    for (int k = 0; k < 12; k++) {
        const struct nw_surface s = surface_of(30e-6 * cos(0.5236 * k), 30e-6 * sin(0.5236 * k));
        struct nw_shims shims;
        assert_int_equal(nw_field_shims(&s, plate_of(screws, 3), NULL, &shims, NULL), NW_OK);
        for (size_t i = 0; i < 3; i++) {
            assert_true(shims.screws[i].full_m >= 0.0);
        }
        assert_true(shims.half_spacing_m > 0.0);
    }
}

/* There and back: a plate whose chip stands turned (and mirrored) against the stated angles. */
static void turned_plate(bool is_mirrored, double turn_rad) {
    struct nw_shim_screw screws[3];
    struct nw_shim_screw real[3];
    const double angles[] = {90.0, 210.0, 330.0};
    double real_angles[3];
    for (size_t i = 0; i < 3; i++) {
        const double angle = is_mirrored ? 180.0 - angles[i] : angles[i];
        real_angles[i] = angle + turn_rad * 180.0 / 3.14159265358979;
    }
    screws_at(angles, 3, 38e-3, screws);
    screws_at(real_angles, 3, 38e-3, real);
    /* raise screw 1 by 100 um: the plane about the line of the others, 1.5 x 38 mm away */
    const double slope = 100e-6 / (1.5 * 38e-3) * R_m;
    const double a1 = slope * cos(atan2(real[1].y_m, real[1].x_m));
    const double b1 = slope * sin(atan2(real[1].y_m, real[1].x_m));
    const struct nw_surface before = surface_of(25e-6, -10e-6);
    const struct nw_surface after = surface_of(25e-6 - a1, -10e-6 - b1);
    struct nw_shim_response response;
    assert_int_equal(nw_field_shim_response(&before, &after, plate_of(screws, 3),
                                            &(struct nw_shim_turn){1, 100e-6}, &response, NULL),
                     NW_OK);
    const struct nw_shim_axes *axes = is_mirrored ? &response.mirrored : &response.plain;
    check_near(remainder(axes->turn_rad - turn_rad, 6.283185307179586), 0.0, 1e-6, "as built");
    check_near(response.gain, 1.0, 1e-9, "lever as stated");
    struct nw_shims learnt;
    struct nw_shims truth;
    assert_int_equal(nw_field_shims(&after, plate_of(screws, 3), axes, &learnt, NULL), NW_OK);
    assert_int_equal(nw_field_shims(&after, plate_of(real, 3), NULL, &truth, NULL), NW_OK);
    for (size_t i = 0; i < 3; i++) {
        check_near(learnt.screws[i].full_m, truth.screws[i].full_m, 1e-10, "real places");
    }
}

static void test_one_known_turn_reveals_the_axes(void **state) {
    (void)state;
    turned_plate(false, 0.0);
    turned_plate(false, 1.2);
    turned_plate(true, -0.7);
    turned_plate(true, 2.9);
}

/* Screws 0 and 1 raised one after the other: which of the readings is right is settled. */
static void two_turns(bool is_mirrored, double turn_rad) {
    struct nw_shim_screw screws[3];
    const double angles[] = {90.0, 210.0, 330.0};
    double complex z = 25e-6 - I * 10e-6;
    struct nw_surface s[3] = {surface_of(creal(z), cimag(z))};
    screws_at(angles, 3, 38e-3, screws);
    for (size_t i = 0; i < 2; i++) { /* 100 um about the line of the others, 1.5 x 38 mm away */
        const double stated = angles[i] * 3.14159265358979 / 180.0;
        const double angle = (is_mirrored ? 3.14159265358979 - stated : stated) + turn_rad;
        z -= 100e-6 / (1.5 * 38e-3) * R_m * cexp(I * angle);
        s[i + 1] = surface_of(creal(z), cimag(z));
    }
    const struct nw_surface *const all[3] = {&s[0], &s[1], &s[2]};
    const struct nw_shim_turn turns[2] = {{0, 100e-6}, {1, 100e-6}};
    struct nw_shim_response r;
    assert_int_equal(nw_field_shim_responses(all, 2, plate_of(screws, 3), turns, &r, NULL), NW_OK);
    assert_true(r.is_settled);
    assert_true(r.is_mirrored == is_mirrored);
    const struct nw_shim_axes *axes = r.is_mirrored ? &r.mirrored : &r.plain;
    check_near(remainder(axes->turn_rad - turn_rad, 6.283185307179586), 0.0, 1e-6, "as built");
    check_near(r.gain, 1.0, 1e-9, "lever as stated");
    check_near(is_mirrored ? r.chi2_mirrored : r.chi2_plain, 0.0, 1e-9, "no noise");
    assert_int_equal(nw_field_shim_responses(all, 1, plate_of(screws, 3), turns, &r, NULL), NW_OK);
    assert_false(r.is_settled);
}

static void test_two_known_turns_settle_the_mirror(void **state) {
    (void)state;
    two_turns(false, 0.4);
    two_turns(true, -1.3);
}

static void test_what_cannot_be_shimmed_is_refused(void **state) {
    (void)state;
    struct nw_shim_screw screws[4];
    const double line[] = {0.0, 180.0, 0.0};
    struct nw_surface s = surface_of(20e-6, 0.0);
    struct nw_shims shims;
    struct nw_err err;
    screws_at(line, 3, 40e-3, screws);
    assert_int_equal(nw_field_shims(&s, plate_of(screws, 3), NULL, &shims, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "no plane"));
    const double angles[] = {90.0, 210.0, 330.0};
    screws_at(angles, 3, 40e-3, screws);
    assert_int_equal(nw_field_shims(&s, plate_of(screws, 2), NULL, &shims, &err), NW_DOMAIN);
    s.is_sign_known = false;
    assert_int_equal(nw_field_shims(&s, plate_of(screws, 3), NULL, &shims, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "sign"));
    s = surface_of(20e-6, 0.0);
    struct nw_shim_response response;
    assert_int_equal(nw_field_shim_response(&s, &s, plate_of(screws, 3),
                                            &(struct nw_shim_turn){0, 50e-6}, &response, &err),
                     NW_DATA);
    assert_non_null(strstr(err.text, "turn farther"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_side_where_focus_lies_farther_is_raised),
        cmocka_unit_test(test_no_shim_is_ever_negative),
        cmocka_unit_test(test_one_known_turn_reveals_the_axes),
        cmocka_unit_test(test_two_known_turns_settle_the_mirror),
        cmocka_unit_test(test_what_cannot_be_shimmed_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
