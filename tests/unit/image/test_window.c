/* test_window.c - Sums on pixels: circles cut exactly, half-light radii, centroids, masks. */
#include "check.h"
#include "star_field.h"

#include "image/measure_internal.h"

static void test_circle_cut_by_pixels_adds_up_to_pi_r2(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(1);
    for (int k = 0; k < 200; k++) {
        const double cx = gsl_rng_uniform(rng);
        const double cy = gsl_rng_uniform(rng);
        const double r = gsl_ran_flat(rng, 0.05, 9.0);
        double sum = 0.0;
        for (int y = -11; y <= 12; y++) {
            for (int x = -11; x <= 12; x++) {
                const double share = circle_square_overlap(x - cx, y - cy, r);
                assert_true(share >= -1e-12 && share <= 1.0 + 1e-12);
                sum += share;
            }
        }
        check_near(sum, NW_PI * r * r, 1e-10 * (1.0 + r * r), "closed form");
    }
    gsl_rng_free(rng);
}

static void test_overlap_against_brute_force(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(2);
    for (int k = 0; k < 40; k++) {
        const double x = gsl_ran_flat(rng, -3.0, 3.0);
        const double y = gsl_ran_flat(rng, -3.0, 3.0);
        const double r = gsl_ran_flat(rng, 0.1, 4.0);
        enum { N = 400 };
        size_t inside = 0;
        for (int i = 0; i < N * N; i++) {
            const double px = x - 0.5 + (i % N + 0.5) / N;
            const double py = y - 0.5 + (i / N + 0.5) / N;
            inside += px * px + py * py < r * r;
        }
        check_near(circle_square_overlap(x, y, r), (double)inside / (N * N), 2e-3,
                   "brute force, 160,000 points");
    }
    gsl_rng_free(rng);
}

/* A field of one noiseless star as a window. */
static void cut_star(const struct true_profile *p, double x, double y, struct window *ret,
                     struct nw_background **background, struct nw_frame **frame) {
    struct nw_err err = {NW_OK, ""};
    *frame = field_new(256, 256, 0.0);
    assert_int_equal(nw_background_new(nw_frame_plane(*frame, 0), NULL, background, &err), NW_OK);
    const struct true_star s = {x, y, 1000.0};
    field_add(*frame, &s, 1, p, 1.0, 1e-4);
    const struct field field = {.image = nw_frame_plane(*frame, 0),
                                .background = *background,
                                .saturation_adu = INFINITY,
                                .pixel_width = 1.0};
    window_cut(&field, x, y, 30, ret);
    ret->noise_adu = 1.0;
}

static void test_growth_curve_against_closed_form(void **state) {
    (void)state;
    const struct true_profile p = {5.0, 1.0, 0.0, 3.0};
    struct window w;
    struct nw_background *b = NULL;
    struct nw_frame *f = NULL;
    cut_star(&p, 128.3, 127.6, &w, &b, &f);
    const double alpha = true_alpha(&p);
    double area = 0.0;
    for (double r = 5.7; r < 28.0; r += 3.7) {
        /* pixels average the light, and a circle cuts them as if it lay evenly in them: twice a
         * square's variance of 1/12, which moves pi r f'(r) over the edge for each unit */
        const double u2 = r * r / (alpha * alpha);
        const double slope = -12.0 * r / (NW_PI * pow(alpha, 4.0)) * pow(1.0 + u2, -4.0);
        const double smeared = NW_PI * r * slope * 2.0 / 12.0;
        check_near(window_aperture(&w, 128.3, 127.6, r, &area),
                   1000.0 * (moffat_encircled(r / alpha, 3.0) + smeared), 0.6,
                   "closed form to second order; the wing is cut at 1e-4 a pixel");
        check_near(area, NW_PI * r * r, 1e-9 * r * r, "closed form");
    }
    /* half of what is inside 25 px: EE^-1 of half of EE(25) */
    const double half = 0.5 * moffat_encircled(25.0 / alpha, 3.0);
    const double r50 = alpha * sqrt(pow(1.0 - half, -0.5) - 1.0);
    const double inside = window_aperture(&w, 128.3, 127.6, 25.0, NULL);
    const double found = window_half_light(&w, 128.3, 127.6, 25.0, inside);
    check_near(found, r50, 0.02 * r50, "closed form, pixel");
    check_near(window_aperture(&w, 128.3, 127.6, found, NULL), 0.5 * inside, 1e-4 * inside,
               "definition");
    /* whatever the light is like, also below the sky in places */
    struct window odd_w = w;
    for (int k = 0; k < w.side * w.side; k++) {
        const int row = k / w.side;
        odd_w.px[k] = row % 3 == 0 ? 5.0F : k % 5 == 0 ? -3.0F : 1.0F;
    }
    const double odd = window_aperture(&odd_w, 128.3, 127.6, 20.0, NULL);
    const double half_way = window_half_light(&odd_w, 128.3, 127.6, 20.0, odd);
    check_near(window_aperture(&odd_w, 128.3, 127.6, half_way, NULL), 0.5 * odd, 2e-3 * odd,
               "definition");
    assert_true(isnan(window_half_light(&w, 128.3, 127.6, 20.0, -1.0)));
    const struct field field = {.image = nw_frame_plane(f, 0), .background = b};
    const struct centroid c = window_centroid(&w, &field, 128.0, 128.0, 5.0);
    assert_true(c.is_good);
    check_near(c.x, 128.3, 2e-3, "no noise: exact");
    check_near(c.y, 127.6, 2e-3, "no noise: exact");
    nw_background_free(b);
    field_free(f);
}

/* Half of the window given to a neighbour and filled again by symmetry: the sums stay. */
static void test_masked_half_is_filled_by_symmetry(void **state) {
    (void)state;
    const struct true_profile p = {4.0, 0.8, 0.7, 3.0};
    struct window w;
    struct nw_background *b = NULL;
    struct nw_frame *f = NULL;
    cut_star(&p, 128.0, 128.0, &w, &b, &f);
    const double before = window_aperture(&w, 128.0, 128.0, 10.0, NULL);
    window_mask(&w, 128.0, 128.0, 134.0, 128.0);
    assert_true(w.n_masked > 1000);
    window_fill(&w, 128.0, 128.0);
    check_near(window_aperture(&w, 128.0, 128.0, 10.0, NULL), before, 1e-3, "point symmetry");
    nw_background_free(b);
    field_free(f);
}

/* Circles of a window against its pixels one by one, around random places. */
static void test_circle_sum_is_that_of_single_pixels(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(3);
    struct window w = {.side = 61};
    for (int k = 0; k < w.side * w.side; k++) {
        w.px[k] = (float)gsl_ran_flat(rng, -5.0, 100.0);
    }
    for (int k = 0; k < 400; k++) {
        const double x = gsl_ran_flat(rng, 28.0, 32.0);
        const double y = gsl_ran_flat(rng, 28.0, 32.0);
        const double r = k < 200 ? gsl_ran_flat(rng, 0.1, 4.0) : gsl_ran_flat(rng, 4.0, 27.0);
        double sum = 0.0;
        double area = 0.0;
        double got_area = 0.0;
        for (int at = 0; at < w.side * w.side; at++) {
            const int row = at / w.side;
            const double share = circle_square_overlap(at % w.side - x, row - y, r);
            sum += share * (double)w.px[at];
            area += share;
        }
        const double got = window_aperture(&w, x, y, r, &got_area);
        check_near(got, sum, 1e-10 * (1.0 + 100.0 * area), "brute force");
        check_near(got_area, area, 1e-11 * (1.0 + area), "brute force");
    }
    gsl_rng_free(rng);
}

/* A window is the frame less its sky, wherever it lies, as floats or as 16 bits; outside NaN. */
static void test_window_is_the_frame_less_its_sky(void **state) {
    (void)state;
    enum { W = 300, H = 240 };
    gsl_rng *rng = test_rng(4);
    uint16_t whole[W * H];
    float floats[W * H];
    for (int k = 0; k < W * H; k++) {
        const int row = k / W;
        whole[k] =
            (uint16_t)(1000.0 + 2.0 * (k % W) + 0.01 * row * row + gsl_ran_gaussian(rng, 10.0));
        floats[k] = (float)whole[k];
    }
    struct nw_err err = {NW_OK, ""};
    for (int kind = 0; kind < 2; kind++) {
        const struct nw_image_view view = {.px = kind ? NULL : floats,
                                           .px16 = kind ? whole : NULL,
                                           .width_px = W,
                                           .height_px = H,
                                           .stride_px = W};
        struct nw_background *b = NULL;
        assert_int_equal(nw_background_new(view, NULL, &b, &err), NW_OK);
        const struct field field = {
            .image = view, .background = b, .saturation_adu = 1500.0, .pixel_width = 1.0};
        for (int k = 0; k < 60; k++) {
            const double x = gsl_ran_flat(rng, -30.0, W + 30.0);
            const double y = gsl_ran_flat(rng, -30.0, H + 30.0);
            struct window w;
            window_cut(&field, x, y, 3 + k % 38, &w);
            size_t n_lost = 0;
            size_t n_saturated = 0;
            for (int at = 0; at < w.side * w.side; at++) {
                const int row = at / w.side;
                const int xx = w.x0 + at % w.side;
                const int yy = w.y0 + row;
                if (xx < 0 || yy < 0 || xx >= W || yy >= H) {
                    assert_true(isnan(w.px[at]));
                    n_lost++;
                    continue;
                }
                float sky[W];
                float noise[W];
                nw_background_row(b, (size_t)yy, sky, noise);
                check_near((double)w.px[at], (double)floats[yy * W + xx] - (double)sky[xx], 2e-3,
                           "definition; floats near 2000");
                const int r = w.side / 2;
                n_saturated += 2 * abs(at % w.side - r) <= r && 2 * abs(row - r) <= r &&
                               floats[yy * W + xx] >= 1500.0F;
            }
            assert_int_equal(w.n_lost, n_lost);
            assert_int_equal(w.n_saturated, n_saturated);
        }
        nw_background_free(b);
    }
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_circle_sum_is_that_of_single_pixels),
        cmocka_unit_test(test_window_is_the_frame_less_its_sky),
        cmocka_unit_test(test_circle_cut_by_pixels_adds_up_to_pi_r2),
        cmocka_unit_test(test_overlap_against_brute_force),
        cmocka_unit_test(test_growth_curve_against_closed_form),
        cmocka_unit_test(test_masked_half_is_filled_by_symmetry),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
