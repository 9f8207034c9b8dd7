/* test_train.c - placing a guide star: published and computed check values. */
#include "check.h"
#include "guiding/train.h"

#define DEG (NW_PI / 180.0)
#include "base/constants.h"

static void test_light_of_a_star(void **state) {
    (void)state;
    const double area_m2 = 0.25 * NW_PI * 0.1 * 0.1;
    check_near(nw_guide_star_e_per_s(10.0, area_m2, 88e-9, 0.5), 3440.20, 0.01,
               "REFERENCES PHO-05");
}

static void test_error_of_a_place(void **state) {
    (void)state;
    /* GUI-03, in pixels: sigma 1.5 px; N 1000 b^2 0; N 1000 b^2 25; N 10000 b^2 25 */
    check_near(nw_guide_centroid_rad(1.5, 1.0, 1000.0, 0.0), 0.04830, 1e-5, "REFERENCES GUI-03");
    check_near(nw_guide_centroid_rad(1.5, 1.0, 1000.0, 25.0), 0.07426, 1e-5, "REFERENCES GUI-03");
    check_near(nw_guide_centroid_rad(1.5, 1.0, 10000.0, 25.0), 0.01628, 1e-5, "REFERENCES GUI-03");
    /* photons alone, small pixels: FWHM 3 arcsec, N 1000 */
    check_near(nw_guide_centroid_rad(3.0 / NW_FWHM_PER_SIGMA, 1e-6, 1000.0, 0.0), 0.0402869, 1e-6,
               "REFERENCES GUI-01");
}

static void test_what_the_loop_adds(void **state) {
    (void)state;
    check_near(nw_guide_noise_gain(0.5), 1.0 / 3.0, 1e-12, "REFERENCES GUI-07");
    assert_true(isnan(nw_guide_noise_gain(2.0)));
    assert_true(isnan(nw_guide_noise_gain(0.0)));
}

static void test_how_many_stars(void **state) {
    (void)state;
    check_near(nw_guide_stars_per_deg2(11.5, 0.5 * NW_PI), 25.0, 1e-9, "REFERENCES GUI-17");
    check_near(nw_guide_stars_per_deg2(11.5, -30.0 * DEG), 50.0, 1e-9, "REFERENCES GUI-17");
    check_near(nw_guide_stars_per_deg2(11.5, 0.0), 150.0, 1e-9, "REFERENCES GUI-17");
    /* mean over the sky, area-weighted: sin b is even from 0 to 1 */
    double mean = 0.0;
    for (int i = 0; i < 1000; i++) {
        mean += nw_guide_stars_per_deg2(11.5, asin((i + 0.5) / 1000.0)) / 1000.0;
    }
    check_near(mean, 61.57, 0.2 * 61.57, "REFERENCES GUI-16: Tycho-2 over the whole sky, 20 %");
    check_near(nw_guide_stars_per_deg2(14.0, 0.5 * NW_PI), 25.0, 1e-9, "fainter ones not counted");
    /* V 9: 2.87 a square degree in a list of 118,216 stars, most of them */
    const double at_9 =
        mean * nw_guide_stars_per_deg2(9.0, 0.0) / nw_guide_stars_per_deg2(11.5, 0.0);
    check_near(at_9, 2.87, 0.5 * 2.87, "118,216 stars over 41,253 deg^2");
    check_near(nw_guide_chance(1.371090), 0.746170, 1e-6, "REFERENCES GUI-14");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_light_of_a_star),
        cmocka_unit_test(test_error_of_a_place),
        cmocka_unit_test(test_what_the_loop_adds),
        cmocka_unit_test(test_how_many_stars),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
