/* test_level.c - the level of frames without light. */
#include "check.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#include "light/level.h"

enum { W = 96, H = 64 };

static double level_of(float *px, size_t width_px, size_t height_px) {
    const struct nw_frame frame = {
        .width_px = width_px, .height_px = height_px, .n_planes = 1, .px = px};
    struct nw_err err = {NW_OK, ""};
    double level = -1.0;
    assert_int_equal(nw_dark_level(&frame, &level, &err), NW_OK);
    return level;
}

static void test_hot_pixels_do_not_count(void **state) {
    (void)state;
    float px[W * H];
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 3);
    for (size_t i = 0; i < (size_t)W * H; i++) {
        px[i] = (float)(500.3 + gsl_ran_gaussian(rng, 5.0));
    }
    for (size_t i = 0; i < 60; i++) {
        px[i * 100] = 60000.0F;
    }
    px[7] = NAN;
    check_near(level_of(px, W, H), 500.3, 4.0 * 5.0 / sqrt(W * H), "mean of the rest");
    for (size_t i = 0; i < (size_t)W * H; i++) {
        px[i] = px[i] / 65535.0F; /* a frame of 0 to 1 */
    }
    check_near(level_of(px, W, H) * 65535.0, 500.3, 4.0 * 5.0 / sqrt(W * H), "no step is assumed");
    for (size_t i = 0; i < (size_t)W * H; i++) {
        px[i] = NAN;
    }
    assert_true(isnan(level_of(px, W, H)));
    gsl_rng_free(rng);
}

static void test_whole_numbers_of_little_noise(void **state) {
    (void)state;
    float px[W * H];
    for (size_t i = 0; i < (size_t)W * H; i++) {
        px[i] = i % 10 == 0 ? 501.0F : 500.0F; /* robust sigma 0 */
    }
    for (size_t i = 0; i < 6; i++) {
        px[i * 1000 + 5] = 65535.0F;
    }
    check_near(level_of(px, W, H), 500.1, 0.001, "a tenth is one higher");
}

/* Every second column 2 higher; four million pixels, so that not all are looked at. */
static void test_all_columns_are_seen_in_a_large_frame(void **state) {
    (void)state;
    enum { LARGE_W = 2048, LARGE_H = 1952 };
    float *const px = malloc((size_t)LARGE_W * LARGE_H * sizeof *px);
    assert_non_null(px);
    for (size_t i = 0; i < (size_t)LARGE_W * LARGE_H; i++) {
        px[i] = i % 2 == 0 ? 500.0F : 502.0F;
    }
    check_near(level_of(px, LARGE_W, LARGE_H), 501.0, 1e-3, "mean of both");
    free(px);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_hot_pixels_do_not_count),
        cmocka_unit_test(test_whole_numbers_of_little_noise),
        cmocka_unit_test(test_all_columns_are_seen_in_a_large_frame),
    };
    return cmocka_run_group_tests_name("light_level", tests, NULL, NULL);
}
