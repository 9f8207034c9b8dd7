/* test_hits.c - What is sharper than the optics goes; no star loses a pixel. */
#include "check.h"
#include "star_field.h"

#include "image/measure_internal.h"

enum { SIDE = 64 };
static const double NOISE = 10.0;

struct scene {
    struct nw_frame *frame;
    struct nw_background *background;
    struct field field;
};

static void scene_init(struct scene *s, double gain) {
    struct nw_err err = {NW_OK, ""};
    s->frame = field_new(SIDE, SIDE, 0.0);
    assert_int_equal(nw_background_new(nw_frame_plane(s->frame, 0), NULL, &s->background, &err),
                     NW_OK);
    background_raise_noise(s->background, NOISE);
    s->field = (struct field){.image = nw_frame_plane(s->frame, 0),
                              .background = s->background,
                              .saturation_adu = INFINITY,
                              .variance_per_adu = gain > 0.0 ? 1.0 / gain : 0.0,
                              .pixel_width = 1.0};
}

static void scene_done(struct scene *s) {
    nw_background_free(s->background);
    field_free(s->frame);
}

/* Every width, place within the pixel, axis ratio and brightness; without noise and with it. */
static void test_no_star_loses_a_pixel(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(1);
    static const double WIDTH[] = {1.0, 1.5, 2.0, 3.0, 6.0, 9.0};
    size_t n_sharp = 0;
    size_t n_noisy = 0;
    for (int k = 0; k < 360; k++) {
        const double fwhm = WIDTH[k % 6];
        /* elongated ones from 3 px up: below, the narrow axis lies within one pixel */
        const double q = fwhm < 2.5 ? 1.0 : k % 4 == 0 ? 1.0 / 2.7 : 1.0;
        const struct true_profile p = {fwhm, q, gsl_ran_flat(rng, 0.0, 3.0), k % 2 ? 2.5 : 5.0};
        struct scene s;
        scene_init(&s, 1.0);
        const struct true_star star = {32.0 + gsl_ran_flat(rng, -0.5, 0.5),
                                       32.0 + gsl_ran_flat(rng, -0.5, 0.5),
                                       pow(10.0, gsl_ran_flat(rng, 3.0, 6.5))};
        field_add(s.frame, &star, 1, &p, 1.0, 0.01);
        if (k >= 180) {
            field_noise(s.frame, 0.0, NOISE, 1.0, rng);
        }
        struct window w;
        window_cut(&s.field, star.x, star.y, 20, &w);
        w.noise_adu = NOISE;
        const size_t n = window_drop_hits(&w, &s.field, true_delivered(&p, 1.0));
        n_sharp += k < 180 ? n : 0;
        n_noisy += k < 180 ? 0 : n;
        scene_done(&s);
    }
    assert_int_equal(n_sharp, 0);
    assert_true(n_noisy <= 2); /* of 20,000 pixels of stars: 3.5 sigmas, and a margin */
    gsl_rng_free(rng);
}

/* Bright defects of every kind are seen even where stars are as narrow as 1.5 px. */
static void test_hits_go_at_every_width(void **state) {
    (void)state;
    static const double WIDTH[] = {1.5, 2.0, 3.0, 4.0, 6.0, 9.0};
    static const int SHAPE[][8][2] = {
        {{0, 0}},                                         /* a hot pixel */
        {{0, 0}, {1, 0}},                                 /* two beside each other */
        {{0, 0}, {1, 1}},                                 /* two at a corner */
        {{0, 0}, {1, 0}, {0, 1}, {1, 1}},                 /* a block */
        {{0, 0}, {1, 0}, {2, 0}, {3, 0}, {4, 0}, {5, 0}}, /* tracks */
        {{0, 0}, {1, 1}, {2, 2}, {3, 3}, {4, 4}, {5, 5}},
        {{0, 0}, {1, 0}, {1, 1}, {2, 1}, {2, 2}, {3, 2}},
    };
    static const size_t COUNT[] = {1, 2, 2, 4, 6, 6, 6};
    for (size_t i = 0; i < 6; i++) {
        for (size_t k = 0; k < sizeof SHAPE / sizeof SHAPE[0]; k++) {
            struct scene s;
            scene_init(&s, 0.0);
            for (size_t n = 0; n < COUNT[k]; n++) {
                s.frame->px[(30 + SHAPE[k][n][1]) * SIDE + 30 + SHAPE[k][n][0]] += 3000.0F;
            }
            struct window w;
            window_cut(&s.field, 32.0, 32.0, 15, &w);
            w.noise_adu = NOISE;
            assert_int_equal(window_drop_hits(&w, &s.field, WIDTH[i]), COUNT[k]);
            struct peak peak = {.x = 30 + SHAPE[k][COUNT[k] / 2][0],
                                .y = 30 + SHAPE[k][COUNT[k] / 2][1],
                                .snr = 50.0F};
            assert_true(peak_is_hit(&s.field, &peak, WIDTH[i], 5.0));
            scene_done(&s);
        }
    }
}

/* A column two sigmas warm is nothing in a pixel, and much in its mean. */
static void test_warm_column_is_no_star(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(3);
    struct scene s;
    scene_init(&s, 0.0);
    field_noise(s.frame, 0.0, NOISE, 0.0, rng);
    for (size_t y = 0; y < SIDE; y++) {
        s.frame->px[y * SIDE + 20] += 30.0F;
    }
    assert_true(peak_is_hit(
        &s.field, &(struct peak){.x = 20, .y = 32, .snr = 8.0F, .is_streak = true}, 3.0, 5.0));
    assert_false(peak_is_hit(
        &s.field, &(struct peak){.x = 44, .y = 32, .snr = 8.0F, .is_streak = true}, 3.0, 5.0));
    scene_done(&s);
    gsl_rng_free(rng);
}

/* A star with a hot pixel on its flank is still a star; its window has the hole. */
static void test_star_under_a_hit_stays(void **state) {
    (void)state;
    struct scene s;
    scene_init(&s, 1.0);
    const struct true_profile p = {3.0, 1.0, 0.0, 3.0};
    const struct true_star star = {32.2, 31.9, 3000.0};
    field_add(s.frame, &star, 1, &p, 1.0, 0.01);
    s.frame->px[33 * SIDE + 33] += 4000.0F;
    assert_false(peak_is_hit(&s.field, &(struct peak){.x = 33, .y = 33, .snr = 90.0F}, 3.0, 5.0));
    struct window w;
    window_cut(&s.field, 32.0, 32.0, 9, &w);
    w.noise_adu = NOISE;
    assert_int_equal(window_drop_hits(&w, &s.field, 3.1), 1);
    assert_true(isnan(w.px[10 * w.side + 10])); /* (33, 33) from (23, 23) */
    scene_done(&s);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_no_star_loses_a_pixel),
        cmocka_unit_test(test_hits_go_at_every_width),
        cmocka_unit_test(test_warm_column_is_no_star),
        cmocka_unit_test(test_star_under_a_hit_stays),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
