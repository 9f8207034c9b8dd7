/* test_judge.c - Stars stay stars, also with a hit in them; hits beside each other are none. */
#include "check.h"
#include "star_tally.h"

#include "image/stars_internal.h"

enum { SIDE = 64, MID = 32 };
static const double NOISE = 10.0;

struct scene {
    struct nw_frame *frame;
    struct nw_background *background;
    struct field field;
    struct seeing seeing;
    struct shape shape;
    struct true_profile profile;
    gsl_rng *rng;
};

static void scene_init(struct scene *s, double fwhm_px, gsl_rng *rng) {
    struct nw_err err = {NW_OK, ""};
    *s = (struct scene){.profile = {fwhm_px, 1.0, 0.0, 3.0}, .rng = rng};
    s->seeing = (struct seeing){.fwhm_px = true_delivered(&s->profile, 1.0),
                                .fwhm_optical_px = fwhm_px,
                                .beta = 3.0,
                                .is_fitted = true};
    assert_true(shape_make(&s->seeing, 1.0, &s->shape));
    s->frame = field_new(SIDE, SIDE, 0.0);
    assert_int_equal(nw_background_new(nw_frame_plane(s->frame, 0), NULL, &s->background, &err),
                     NW_OK);
    background_raise_noise(s->background, NOISE);
    s->field = (struct field){.image = nw_frame_plane(s->frame, 0),
                              .background = s->background,
                              .saturation_adu = INFINITY,
                              .variance_per_adu = 1.0,
                              .pixel_width = 1.0};
}

static void scene_done(struct scene *s) {
    free(s->shape.value);
    nw_background_free(s->background);
    field_free(s->frame);
}

/* An image of nothing but noise. */
static void scene_clear(struct scene *s) {
    for (size_t i = 0; i < (size_t)SIDE * SIDE; i++) {
        s->frame->px[i] = (float)gsl_ran_gaussian_ziggurat(s->rng, NOISE);
    }
}

/* The one peak in the middle. */
static bool is_star(const struct scene *s) {
    struct peak peak = {.x = MID, .y = MID, .snr = 30.0F};
    const struct peak_list peaks = {.peaks = &peak, .n = 1, .cap = 1};
    uint32_t start[2] = {0, 1};
    uint32_t item[1] = {0};
    const struct grid grid = {
        .cell_px = SIDE + 1.0, .nx = 1, .ny = 1, .start = start, .item = item};
    const struct star_job job = {.field = &s->field,
                                 .peaks = &peaks,
                                 .grid = &grid,
                                 .seeing = &s->seeing,
                                 .shape = &s->shape};
    return judge_star(&job, 0, MID, MID);
}

static void test_shape_is_the_profile(void **state) {
    (void)state;
    static const double WIDTH[] = {1.3, 2.0, 4.0, 6.0};
    for (size_t k = 0; k < 4; k++) {
        struct scene s;
        scene_init(&s, WIDTH[k], NULL);
        const int side = 2 * s.shape.half + 1;
        for (int i = 0; i < side * side; i += 7) {
            const int row = i / side;
            const double dx = 0.25 * (i % side - s.shape.half);
            const double dy = 0.25 * (row - s.shape.half);
            check_near((double)s.shape.value[i],
                       s.shape.light * true_pixel(&s.profile, dx, dy, 1.0, 13), 2e-3,
                       "Simpson's rule; series 0.001 of the peak");
        }
        scene_done(&s);
    }
    struct shape none;
    const struct seeing wide = {
        .fwhm_px = 7.5, .fwhm_optical_px = 7.4, .beta = 3.0, .is_fitted = true};
    const struct seeing guessed = {.fwhm_px = 3.0, .fwhm_optical_px = 2.9, .beta = 3.0};
    assert_false(shape_make(&wide, 1.0, &none));
    assert_null(none.value);
    assert_false(shape_make(&guessed, 1.0, &none));
    assert_null(none.value);
}

/* At all places within the pixel, SNR 12 and 40; every other one with a hit of its own height. */
static void test_stars_stay(void **state) {
    (void)state;
    enum { N = 60 };
    static const double WIDTH[] = {1.3, 2.0, 4.0, 6.0};
    gsl_rng *const rng = test_rng(11);
    for (size_t k = 0; k < 4; k++) {
        struct scene s;
        scene_init(&s, WIDTH[k], rng);
        int n_stars = 0;
        for (int i = 0; i < N; i++) {
            scene_clear(&s);
            const struct true_star star = {MID + gsl_ran_flat(rng, -0.5, 0.5),
                                           MID + gsl_ran_flat(rng, -0.5, 0.5),
                                           flux_of(i % 4 < 2 ? 12.0 : 40.0, NOISE, &s.profile)};
            field_add(s.frame, &star, 1, &s.profile, 1.0, 0.01);
            s.frame->px[MID * SIDE + MID + 1] += i % 2 ? (float)(star.flux / s.shape.light) : 0.0F;
            n_stars += is_star(&s);
        }
        print_message("%.1f px: %d of %d stars\n", WIDTH[k], n_stars, N);
        assert_true(n_stars >= N - 1);
        scene_done(&s);
    }
    gsl_rng_free(rng);
}

/* One to three hot pixels, each 20 to 200 sigmas, in noise. */
static void test_hits_are_no_stars(void **state) {
    (void)state;
    enum { N = 60 };
    static const double WIDTH[] = {2.0, 4.0, 6.0};
    static const size_t PLACE[] = {MID * SIDE + MID, MID * SIDE + MID + 1, (MID + 1) * SIDE + MID};
    gsl_rng *const rng = test_rng(12);
    for (size_t k = 0; k < 3; k++) {
        struct scene s;
        scene_init(&s, WIDTH[k], rng);
        int n_stars = 0;
        for (size_t i = 0; i < N; i++) {
            scene_clear(&s);
            for (size_t hit = 0; hit <= i % (k == 0 ? 2 : 3); hit++) {
                s.frame->px[PLACE[hit]] += (float)(NOISE * gsl_ran_flat(rng, 20.0, 200.0));
            }
            n_stars += is_star(&s);
        }
        print_message("%.1f px: %d of %d hits pass\n", WIDTH[k], n_stars, N);
        assert_true(n_stars <= 1);
        scene_done(&s);
    }
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_shape_is_the_profile),
        cmocka_unit_test(test_stars_stay),
        cmocka_unit_test(test_hits_are_no_stars),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
