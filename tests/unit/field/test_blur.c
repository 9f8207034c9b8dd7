/* test_blur.c - the half-light radius of a defocused star against closed forms and brute force. */
#include "check.h"
#include "field/blur.h"

#include <complex.h>

static const struct field_blur_opts AIR_ALONE = {
    .aperture_px = 2000.0, .width_low_px = 0.5, .width_high_px = 10.0, .disc_high_px = 30.0};

/* At 60 px the pixel is nothing: what is lost beyond the aperture is 0.1 %. */
static void test_air_alone_has_the_radius_of_the_kolmogorov_profile(void **state) {
    (void)state;
    struct field_blur_opts o = AIR_ALONE;
    o.aperture_px = 1200.0;
    check_near(60.0 / field_blur_radius_px(&o, 60.0, 0.0), 1.7589, 0.006,
               "REFERENCES, trap at IMG-34: FWHM = 1.7589 r50");
}

static void test_a_wide_disc_has_half_its_light_within_its_area_halved(void **state) {
    (void)state;
    struct field_blur_opts o = AIR_ALONE;
    o.aperture_px = 60.0;
    check_near(field_blur_radius_px(&o, 0.5, 40.0), 40.0 / (2.0 * sqrt(2.0)), 0.03,
               "closed form: r^2 = (D/2)^2 / 2");
    o.obstruction = 0.4;
    check_near(field_blur_radius_px(&o, 0.5, 40.0), 20.0 * sqrt((1.0 + 0.16) / 2.0), 0.03,
               "closed form: ring, r^2 = (D/2)^2 (1 + e^2) / 2");
}

/* Autocorrelation of the pupil with W = w20 rho^2 on a square grid, an independent way. */
static double brute_otf(double s, double w20, double obstruction) {
    enum { N = 600 };
    double complex sum = 0.0;
    double area = 0.0;
    for (int j = 0; j < N; j++) {
        for (int i = 0; i < N; i++) {
            const double x = 3.0 * ((i + 0.5) / N - 0.5);
            const double y = 3.0 * ((j + 0.5) / N - 0.5);
            const double a2 = pow(x + 0.5 * s, 2.0) + y * y;
            const double b2 = pow(x - 0.5 * s, 2.0) + y * y;
            const double e2 = obstruction * obstruction;
            if (a2 < 1.0 && b2 < 1.0 && a2 >= e2 && b2 >= e2) {
                sum += cexp(2.0 * 3.14159265358979 * I * w20 * (a2 - b2));
            }
            area += x * x + y * y < 1.0 && x * x + y * y >= e2;
        }
    }
    return creal(sum) / area;
}

static void test_transfer_function_is_the_autocorrelation_of_the_pupil(void **state) {
    (void)state;
    static const double ROWS[][3] = {{0.0, 0.5, 0.0}, {0.3, 0.5, 0.0}, {0.3, 2.0, 0.0},
                                     {1.1, 0.6, 0.0}, {0.5, 0.7, 0.4}, {0.9, 0.0, 0.3}};
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        check_near(field_blur_defocus_otf(ROWS[i][0], ROWS[i][1], ROWS[i][2]),
                   brute_otf(ROWS[i][0], ROWS[i][1], ROWS[i][2]), 0.004,
                   "brute force on 600 x 600 points");
    }
    check_near(field_blur_defocus_otf(0.8, 0.0, 0.0),
               2.0 / 3.14159265358979 * (acos(0.4) - 0.4 * sqrt(1.0 - 0.16)), 1e-6,
               "closed form of the circular aperture (REFERENCES IMG-04)");
}

static void test_table_agrees_with_the_direct_way_and_its_derivatives(void **state) {
    (void)state;
    const struct field_blur_opts o = {.lambda_f_px = 0.82,
                                      .aperture_px = 8.0,
                                      .width_low_px = 0.5,
                                      .width_high_px = 8.0,
                                      .disc_high_px = 14.0};
    struct field_blur *blur = NULL;
    assert_int_equal(field_blur_new(&o, &blur, NULL), 0);
    static const double ROWS[][2] = {{1.3, 0.0}, {1.7, 0.4}, {1.7, 3.8}, {3.1, 2.0},
                                     {2.2, 7.7}, {0.9, 5.0}, {4.0, 11.0}};
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        const double w = ROWS[i][0];
        const double d = ROWS[i][1];
        const struct field_blur_value v = field_blur_at(blur, log(w), d);
        check_near(exp(v.ln_r) / field_blur_radius_px(&o, w, d), 1.0, 0.001, "without a table");
        const double h = 0.01;
        check_near(v.by_ln_width,
                   log(field_blur_radius_px(&o, w * exp(h), d) /
                       field_blur_radius_px(&o, w * exp(-h), d)) /
                       (2.0 * h),
                   0.01, "difference quotient");
        check_near(
            v.by_disc,
            log(field_blur_radius_px(&o, w, d + h) / field_blur_radius_px(&o, w, fabs(d - h))) /
                (2.0 * h),
            0.006, "difference quotient");
    }
    field_blur_free(blur);
}

static void test_what_is_out_of_range_is_refused(void **state) {
    (void)state;
    struct field_blur *blur = NULL;
    struct nw_err err;
    struct field_blur_opts o = AIR_ALONE;
    o.width_low_px = NAN;
    assert_int_equal(field_blur_new(&o, &blur, &err), NW_DOMAIN);
    o = AIR_ALONE;
    o.obstruction = 0.95;
    assert_int_equal(field_blur_new(&o, &blur, &err), NW_DOMAIN);
    assert_null(blur);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_air_alone_has_the_radius_of_the_kolmogorov_profile),
        cmocka_unit_test(test_a_wide_disc_has_half_its_light_within_its_area_halved),
        cmocka_unit_test(test_transfer_function_is_the_autocorrelation_of_the_pupil),
        cmocka_unit_test(test_table_agrees_with_the_direct_way_and_its_derivatives),
        cmocka_unit_test(test_what_is_out_of_range_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
