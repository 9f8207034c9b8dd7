/* test_background.c - Sky and noise of fields of known truth. */
#include "check.h"
#include "star_field.h"

#include "image/measure_internal.h"

static struct nw_background *must_build(const struct nw_frame *frame) {
    struct nw_background *b = NULL;
    struct nw_err err = {NW_OK, ""};
    const enum nw_status status = nw_background_new(nw_frame_plane(frame, 0), NULL, &b, &err);
    if (status != NW_OK) {
        print_error("%s\n", err.text);
    }
    assert_int_equal(status, NW_OK);
    return b;
}

/* A bent ramp of 600 ADU over 500 px in noise of 10: the surface follows it to the edges. */
static void test_slope_is_followed_to_the_corners(void **state) {
    (void)state;
    enum { W = 500, H = 400 };
    gsl_rng *rng = test_rng(1);
    struct nw_frame *f = field_new(W, H, 0.0);
    for (size_t i = 0; i < (size_t)W * H; i++) {
        const double x = (double)(i % W);
        const double y = (double)(i / W);
        f->px[i] = (float)(1000.0 + 1.2 * x - 0.5 * y + 1e-3 * x * y +
                           gsl_ran_gaussian_ziggurat(rng, 10.0));
    }
    struct nw_background *b = must_build(f);
    float sky[W];
    float noise[W];
    double sum2 = 0.0;
    double worst = 0.0;
    for (size_t y = 0; y < H; y++) {
        nw_background_row(b, y, sky, noise);
        for (size_t x = 0; x < W; x++) {
            const double truth =
                1000.0 + 1.2 * (double)x - 0.5 * (double)y + 1e-3 * (double)x * (double)y;
            const double off = (double)sky[x] - truth;
            sum2 += off * off;
            worst = fmax(worst, fabs(off));
        }
    }
    /* a tile's mode has 2.1 sigma / sqrt(4096) = 0.03 sigma; a slope of 77 ADU across a tile in 10
     * of noise makes its values 2.4 times wider, so about 1 ADU */
    check_near(sqrt(sum2 / ((double)W * H)), 0.0, 2.0, "truth, 0.2 sigma rms");
    /* going on straight by half a tile both ways multiplies a tile's error by 2.5 in the corners:
     * four sigmas of that */
    check_near(worst, 0.0, 8.0, "truth, corners");
    nw_background_free(b);
    field_free(f);
    gsl_rng_free(rng);
}

/* Unbiased on pure noise; whole numbers with a noise below one step as well. */
static void test_level_and_noise_of_pure_noise(void **state) {
    (void)state;
    static const struct {
        double sigma;
        bool is_rounded;
        double level_tol, noise_tol;
    } rows[] = {{10.0, false, 0.02, 0.02}, {10.0, true, 0.02, 0.02}, {0.8, true, 0.05, 0.10}};
    gsl_rng *rng = test_rng(2);
    for (size_t r = 0; r < sizeof rows / sizeof rows[0]; r++) {
        struct nw_frame *f = field_new(640, 640, 100.3);
        field_noise(f, 100.3, rows[r].sigma, 0.0, rng);
        for (size_t i = 0; rows[r].is_rounded && i < 640u * 640u; i++) {
            f->px[i] = rintf(f->px[i]);
        }
        struct nw_background *b = must_build(f);
        check_near(nw_background_level_adu(b), 100.3, rows[r].level_tol * rows[r].sigma, "truth");
        check_near(nw_background_noise_adu(b), rows[r].sigma, rows[r].noise_tol * rows[r].sigma,
                   "truth; rounding adds 1/12");
        nw_background_free(b);
        field_free(f);
    }
    gsl_rng_free(rng);
}

/* Stars pull the level up by a small part of the noise only; a blank quarter is bridged. */
static void test_stars_and_blank_pixels(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(3);
    struct nw_frame *f = field_new(512, 512, 200.0);
    static struct true_star s[400];
    for (size_t i = 0; i < 400; i++) {
        s[i] = (struct true_star){gsl_ran_flat(rng, 0.0, 511.0), gsl_ran_flat(rng, 0.0, 511.0),
                                  300.0 * pow(gsl_rng_uniform_pos(rng), -0.8)};
    }
    const struct true_profile p = {3.0, 1.0, 0.0, 3.0};
    field_add(f, s, 400, &p, 1.0, 0.05);
    field_noise(f, 200.0, 10.0, 0.0, rng);
    for (size_t y = 0; y < 200; y++) {
        for (size_t x = 300; x < 512; x++) {
            f->px[y * 512 + x] = NAN;
        }
    }
    struct nw_background *b = must_build(f);
    check_near(nw_background_level_adu(b), 200.0, 1.0, "truth, a tenth of sigma");
    check_near(nw_background_noise_adu(b), 10.0, 0.5, "truth");
    float sky[512];
    nw_background_row(b, 50, sky, NULL);
    for (size_t x = 0; x < 512; x++) {
        check_near((double)sky[x], 200.0, 5.0, "truth, half a sigma, blank region included");
    }
    nw_background_free(b);
    field_free(f);
    gsl_rng_free(rng);
}

static void test_tiny_and_bad_images(void **state) {
    (void)state;
    struct nw_err err = {NW_OK, ""};
    for (size_t side = 1; side <= 5; side += 2) {
        struct nw_frame *f = field_new(side, side, 7.0);
        struct nw_background *b = must_build(f);
        float sky[8];
        nw_background_row(b, side - 1, sky, NULL);
        check_near((double)sky[side - 1], 7.0, 1e-6, "constant image");
        check_near(nw_background_noise_adu(b), 0.0, 1e-9, "constant image");
        nw_background_free(b);
        for (size_t i = 0; i < side * side; i++) {
            f->px[i] = NAN;
        }
        b = NULL;
        assert_int_equal(nw_background_new(nw_frame_plane(f, 0), NULL, &b, &err), NW_DATA);
        assert_null(b);
        field_free(f);
    }
    struct nw_frame *f = field_new(8, 8, 7.0);
    struct nw_background *b = NULL;
    const struct nw_background_opts even = {.filter = 4};
    assert_int_equal(nw_background_new(nw_frame_plane(f, 0), &even, &b, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "odd"));
    const struct nw_image_view empty = {.px = f->px};
    assert_int_equal(nw_background_new(empty, NULL, &b, &err), NW_DOMAIN);
    field_free(f);
}

/* Whole numbers kept as floats or as 16 bits give the same surface, bit by bit, and the same range;
 * a part of a row is that part of the whole row. */
static void test_16_bit_pixels_and_parts_of_rows(void **state) {
    (void)state;
    enum { W = 333, H = 217 };
    static uint16_t px16[W * H];
    gsl_rng *const rng = test_rng(4);
    struct nw_frame *const f = field_new(W, H, 0.0);
    for (size_t i = 0; i < (size_t)W * H; i++) {
        const double slope = 900.0 + 2.0 * (double)(i % W);
        px16[i] = (uint16_t)(slope + gsl_ran_gaussian_ziggurat(rng, i / W < 100 ? 4.0 : 90.0));
        f->px[i] = (float)px16[i];
    }
    for (size_t k = 0; k < 7; k++) {
        px16[k * 1000 * 11 % (W * H)] = 65535;
        f->px[k * 1000 * 11 % (W * H)] = 65535.0F;
    }
    const struct nw_image_view floats = nw_frame_plane(f, 0);
    const struct nw_image_view whole = {
        .px16 = px16, .width_px = W, .height_px = H, .stride_px = W};
    struct nw_background *a = NULL;
    struct nw_background *b = NULL;
    struct value_range ranges[2];
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(background_build(&floats, NULL, 2, &ranges[0], &a, &err), NW_OK);
    assert_int_equal(background_build(&whole, NULL, 3, &ranges[1], &b, &err), NW_OK);
    for (size_t i = 0; i < 2; i++) {
        check_near((double)ranges[i].top, 65535.0, 0.0, "as put in");
        assert_int_equal(ranges[i].n_top, 7);
        assert_int_equal(ranges[i].n_finite, W * H);
        assert_true(ranges[i].low >= ranges[0].low && ranges[i].low <= ranges[0].low);
    }
    float rows[4][W];
    for (size_t y = 0; y < H; y++) {
        background_span(a, 0, W, y, rows[0], rows[1]);
        background_span(b, 0, W, y, rows[2], rows[3]);
        assert_memory_equal(rows[0], rows[2], sizeof rows[0]);
        assert_memory_equal(rows[1], rows[3], sizeof rows[1]);
        const size_t x0 = gsl_rng_uniform_int(rng, W);
        const size_t n = 1 + gsl_rng_uniform_int(rng, W - x0);
        background_span(a, x0, n, y, rows[2], rows[3]);
        for (size_t x = 0; x < n; x++) {
            check_near((double)rows[2][x], (double)rows[0][x0 + x], 1e-3, "the whole row");
            check_near((double)rows[3][x], (double)rows[1][x0 + x], 1e-4, "the whole row");
        }
    }
    nw_background_free(a);
    nw_background_free(b);
    field_free(f);
    gsl_rng_free(rng);
}

/* Values in steps of their own: 12 bits in 16, tripled, scaled to below one, halves; noise of 0.5
 * to 3 steps, the true level at every place within a step. Whole ones as 16 bits alike. (Bins of a
 * width of their own put the level of each tile off by up to 0.7 sigma.) */
static void test_level_of_values_in_steps(void **state) {
    (void)state;
    enum { SIDE = 256 };
    static const double STEP[] = {16.0, 3.0, 1.0 / 65536.0, 0.5};
    static const double SIGMA[] = {0.5, 1.0, 3.0};
    static uint16_t px16[SIDE * SIDE];
    gsl_rng *const rng = test_rng(5);
    for (size_t k = 0; k < 12; k++) {
        const double step = STEP[k / 3];
        for (int place = 0; place < 4; place++) {
            const double level = 1000.0 + 0.25 * place;
            struct nw_frame *const f = field_new(SIDE, SIDE, 0.0);
            for (size_t i = 0; i < (size_t)SIDE * SIDE; i++) {
                const double noise = SIGMA[k % 3] * gsl_ran_gaussian_ziggurat(rng, 1.0);
                f->px[i] = (float)(step * round(level + noise));
                px16[i] = (uint16_t)f->px[i];
            }
            struct nw_image_view views[2] = {nw_frame_plane(f, 0), nw_frame_plane(f, 0)};
            views[1].px = NULL;
            views[1].px16 = px16;
            for (int is_16 = 0; is_16 <= (step > 2.0 ? 1 : 0); is_16++) {
                struct nw_background *b = NULL;
                struct nw_err err = {NW_OK, ""};
                assert_int_equal(nw_background_new(views[is_16], NULL, &b, &err), NW_OK);
                check_near(nw_background_level_adu(b) / step, level, 0.03 * SIGMA[k % 3],
                           "level put in; chance leaves 0.004 sigma");
                check_near(nw_background_noise_adu(b) / step,
                           sqrt(pow(SIGMA[k % 3], 2.0) + 1.0 / 12.0), 0.05 * SIGMA[k % 3],
                           "noise put in and rounding, 1/12; cutting at whole steps 3 %");
                nw_background_free(b);
            }
            field_free(f);
        }
    }
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_slope_is_followed_to_the_corners),
        cmocka_unit_test(test_level_and_noise_of_pure_noise),
        cmocka_unit_test(test_stars_and_blank_pixels),
        cmocka_unit_test(test_tiny_and_bad_images),
        cmocka_unit_test(test_16_bit_pixels_and_parts_of_rows),
        cmocka_unit_test(test_level_of_values_in_steps),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
