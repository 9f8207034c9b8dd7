/* test_measure_fields.c - What is refused, what is flagged: fields of known truth. */
#include "star_tally.h"

static void test_empty_sky_with_hot_pixels_has_no_stars(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(22);
    struct nw_frame *f = field_new(800, 600, 300.0);
    field_noise(f, 300.0, 10.0, 0.0, rng);
    for (int i = 0; i < 300; i++) {
        f->px[gsl_rng_uniform_int(rng, 800 * 600)] +=
            (float)(150.0 * pow(gsl_rng_uniform_pos(rng), -1.0));
    }
    struct nw_measure *m = must_measure(f, NULL);
    assert_true(m->n_stars <= 2);
    assert_int_equal(m->n_used, 0);
    assert_true(m->flags & NW_FRAME_FEW_STARS);
    assert_true(isnan(m->fwhm_px) && isnan(m->fwhm_optical_px) && isnan(m->e1));
    check_near(m->background_adu, 300.0, 0.5, "truth");
    check_near(m->noise_adu, 10.0, 0.3, "truth");
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

static void test_forty_stars_are_all_found(void **state) {
    (void)state;
    enum { N = 40 };
    struct true_star s[N];
    gsl_rng *rng = test_rng(23);
    const struct true_profile p = {3.0, 1.0, 0.0, 3.0};
    struct nw_frame *f = field_new(1500, 1000, 300.0);
    for (size_t i = 0; i < N; i++) {
        s[i] = (struct true_star){50.0 + 175.0 * (double)(i % 9), 80.0 + 190.0 * (double)(i / 9),
                                  flux_of(gsl_ran_flat(rng, 20.0, 500.0), 10.0, &p)};
    }
    field_add(f, s, N, &p, 1.0, 0.2);
    field_noise(f, 300.0, 10.0, 0.0, rng);
    struct nw_measure *m = must_measure(f, NULL);
    const struct tally t = compare(s, N, m, flux_of(15.0, 10.0, &p), 3.0, 0.0);
    assert_int_equal(t.n_found, N);
    assert_int_equal(t.n_false, 0);
    assert_true(m->n_used >= 30);
    assert_false(m->flags & (NW_FRAME_FEW_STARS | NW_FRAME_STREAK | NW_FRAME_COMMON_ELONGATION));
    for (size_t i = 1; i < m->n_stars; i++) {
        assert_true(m->stars[i].flux_adu <= m->stars[i - 1].flux_adu);
    }
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

/* Saturated, edge, blended, a trail and an ordinary star: each found once and called what it is. */
static void test_flags_name_what_is_seen(void **state) {
    (void)state;
    enum { N = 34 };
    struct true_star s[N];
    gsl_rng *rng = test_rng(24);
    const struct true_profile p = {3.0, 1.0, 0.0, 3.0};
    struct nw_frame *f = field_new(700, 600, 300.0);
    for (size_t i = 0; i < 30; i++) {
        s[i] =
            (struct true_star){60.0 + 100.0 * (double)(i % 6), 60.0 + 60.0 * (double)(i / 6), 2e4};
    }
    s[30] = (struct true_star){200.0, 500.0, 4e6}; /* saturated */
    s[31] = (struct true_star){0.5, 450.0, 5e4};   /* edge */
    s[32] = (struct true_star){400.3, 450.0, 6e4}; /* a pair 2 widths apart */
    s[33] = (struct true_star){406.5, 450.0, 4e4};
    field_add(f, s, N, &p, 1.0, 0.2);
    for (int i = 0; i < 1500; i++) { /* a satellite, 190 px long */
        const struct true_star dot = {480.0 + 0.1 * i, 420.0 + 0.08 * i, 500.0};
        field_add(f, &dot, 1, &p, 1.0, 0.2);
    }
    field_noise(f, 300.0, 10.0, 1.5, rng);
    for (size_t i = 0; i < 700u * 600u; i++) {
        f->px[i] = fminf(f->px[i], 60000.0F);
    }
    struct nw_measure *m = must_measure(f, NULL); /* the level must come from the pile-up */
    const struct nw_star *bright = field_find(m, 200.0, 500.0, 3.0);
    assert_non_null(bright);
    assert_true(bright->flags & NW_STAR_SATURATED);
    assert_true(isnan(bright->fwhm_px));
    assert_int_equal(m->n_saturated, 1);
    assert_true(field_find(m, 0.5, 450.0, 2.0)->flags & NW_STAR_EDGE);
    assert_true(field_find(m, 400.3, 450.0, 2.0)->flags & NW_STAR_BLENDED);
    assert_true(field_find(m, 406.5, 450.0, 2.0)->flags & NW_STAR_BLENDED);
    size_t n_streaks = 0;
    for (size_t i = 0; i < m->n_stars; i++) {
        n_streaks += (m->stars[i].flags & NW_STAR_STREAK) != 0;
    }
    assert_int_equal(n_streaks, 1);
    assert_true(m->flags & NW_FRAME_STREAK);
    for (size_t i = 0; i < 30; i++) {
        const struct nw_star *star = field_find(m, s[i].x, s[i].y, 1.0);
        assert_non_null(star);
        assert_int_equal(star->flags, 0);
    }
    /* a dozen bumps in the halo of the saturated star would be a dozen false stars */
    assert_true(m->n_stars <= N + 3);
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

/* Far out of focus with a central obstruction: no profile fits, yet each is one star with a size.
 */
static void test_rings_are_single_stars_without_a_fit(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(25);
    enum { N = 16 };
    struct nw_frame *f = field_new(480, 480, 300.0);
    for (int k = 0; k < N; k++) {
        const double cx = 60.0 + 120.0 * (k % 4) + gsl_ran_flat(rng, -0.5, 0.5);
        const double cy = 60.0 + 120.0 * (k / 4) + gsl_ran_flat(rng, -0.5, 0.5);
        for (int j = -14; j <= 14; j++) {
            for (int i = -14; i <= 14; i++) {
                double inside = 0.0; /* ring from 5 to 11 px */
                for (int sub = 0; sub < 25; sub++) {
                    const double x = round(cx) + i + (sub % 5 - 2) / 5.0 - cx;
                    const double y = round(cy) + j + (sub / 5 - 2) / 5.0 - cy;
                    inside += hypot(x, y) > 5.0 && hypot(x, y) < 11.0;
                }
                f->px[(lround(cy) + j) * 480 + lround(cx) + i] += (float)(120.0 * inside / 25.0);
            }
        }
    }
    field_noise(f, 300.0, 10.0, 0.0, rng);
    struct nw_measure *m = must_measure(f, NULL);
    size_t n_fitted = 0;
    double half_light = 0.0;
    for (size_t i = 0; i < m->n_stars; i++) {
        n_fitted += isfinite(m->stars[i].fwhm_px) ? 1 : 0;
        half_light += m->stars[i].half_light_px / (double)m->n_stars;
    }
    assert_int_equal(m->n_stars, N);
    assert_int_equal(n_fitted, 0);
    /* half of the area of the ring: r^2 = (25 + 121) / 2 */
    check_near(half_light, sqrt(73.0), 0.4, "closed form");
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

/* One colour of a mosaic: pixels one frame pixel wide at a pitch of two. */
static void test_colour_of_a_mosaic_in_frame_pixels(void **state) {
    (void)state;
    enum { N = 64 };
    struct true_star s[N];
    gsl_rng *rng = test_rng(26);
    const struct true_profile p = {4.0, 0.9, 0.5, 3.0};
    struct nw_frame *f = field_new(720, 720, 300.0);
    for (size_t i = 0; i < N; i++) {
        s[i] =
            (struct true_star){45.0 + 90.0 * (double)(i % 8) + gsl_ran_flat(rng, -1.0, 1.0),
                               45.0 + 90.0 * (double)(i / 8) + gsl_ran_flat(rng, -1.0, 1.0), 6e4};
    }
    field_add(f, s, N, &p, 1.0, 0.2);
    field_noise(f, 300.0, 8.0, 1.0, rng);
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    const struct nw_measure_opts opts = {.gain_e_per_adu = 1.0};
    assert_int_equal(nw_measure_frame(f, NW_CHANNEL_B, "RGGB", &opts, &m, &err), NW_OK);
    assert_int_equal(m->n_stars, N);
    check_near(m->fwhm_px, true_delivered(&p, 1.0), 0.01 * 4.0, "truth through one frame pixel");
    check_near(m->fwhm_optical_px, 4.0, 0.02 * 4.0, "truth");
    double dx = 0.0;
    for (size_t i = 0; i < N; i++) {
        const struct nw_star *star = field_find(m, s[i].x, s[i].y, 1.0);
        assert_non_null(star);
        dx += (star->x_px - s[i].x) / N;
    }
    check_near(dx, 0.0, 0.02, "positions are those of the frame");
    nw_measure_free(m);
    m = NULL;
    assert_int_equal(nw_measure_frame(f, NW_CHANNEL_B, "RGXB", &opts, &m, &err), NW_DOMAIN);
    assert_null(m);
    field_free(f);
    gsl_rng_free(rng);
}

static void test_zones_and_tilt(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(27);
    struct nw_frame *f = field_new(1000, 800, 300.0);
    for (int k = 0; k < 20 * 16; k++) { /* wider to the right: 2.5 to 4 px */
        const struct true_star s = {25.0 + 50.0 * (k % 20) + gsl_ran_flat(rng, -1.0, 1.0),
                                    25.0 + 50.0 * (k / 20) + gsl_ran_flat(rng, -1.0, 1.0), 3e4};
        const struct true_profile p = {2.5 + 1.5 * s.x / 1000.0, 1.0, 0.0, 3.0};
        field_add(f, &s, 1, &p, 1.0, 0.3);
    }
    field_noise(f, 300.0, 8.0, 0.0, rng);
    struct nw_measure *m = must_measure(f, NULL);
    const double half_diagonal = 0.5 * hypot(1000.0, 800.0);
    for (size_t z = 0; z < NW_ZONES_X * NW_ZONES_Y; z++) {
        const struct nw_zone *zone = &m->zones[z];
        check_near(zone->u, (100.0 + 200.0 * (double)(z % 5) - 500.0) / half_diagonal, 2e-3,
                   "definition");
        check_near(zone->v, (80.0 + 160.0 * (double)(z / 5) - 400.0) / half_diagonal, 2e-3,
                   "definition: row after row from low v");
        assert_true(zone->n >= 8);
        const struct true_profile p = {2.5 + 1.5 * (0.1 + 0.2 * (double)(z % 5)), 1.0, 0.0, 3.0};
        check_near(zone->fwhm_px, true_delivered(&p, 1.0), 0.08, "truth at the zone's centre");
    }
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

/* Images without contents are refused with the reason; tiny ones are measured. */
static void test_bad_and_tiny_images(void **state) {
    (void)state;
    gsl_rng *rng = test_rng(28);
    static const size_t SIDES[] = {1, 3, 40};
    for (size_t i = 0; i < 3; i++) {
        for (int kind = 0; kind < 3; kind++) { /* NaN, one value, all saturated */
            struct nw_frame *f = field_new(SIDES[i], SIDES[i], kind == 0 ? NAN : 65535.0 * kind);
            struct nw_measure *m = NULL;
            struct nw_err err = {NW_OK, ""};
            assert_int_equal(nw_measure_frame(f, NW_CHANNEL_MONO, "", NULL, &m, &err), NW_DATA);
            assert_null(m);
            assert_non_null(strstr(err.text, "pixel"));
            field_free(f);
        }
    }
    for (size_t side = 2; side < 12; side += 3) {
        struct nw_frame *f = field_new(side, side, 100.0);
        field_noise(f, 100.0, 5.0, 0.0, rng);
        f->px[0] = NAN;
        nw_measure_free(must_measure(f, NULL));
        field_free(f);
    }
    struct nw_frame *f = field_new(10, 10, 1.0);
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    f->n_planes = 3;
    assert_int_equal(nw_measure_frame(f, NW_CHANNEL_MONO, "", NULL, &m, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "R, G or B"));
    field_free(f);
    gsl_rng_free(rng);
}

/* A block of blank pixels and a lone blank one inside a star: no crash, the rest as usual. */
static void test_blank_pixels(void **state) {
    (void)state;
    enum { N = 25 };
    struct true_star s[N];
    gsl_rng *rng = test_rng(29);
    const struct true_profile p = {3.0, 1.0, 0.0, 3.0};
    struct nw_frame *f = field_new(300, 300, 300.0);
    for (size_t i = 0; i < N; i++) {
        s[i] =
            (struct true_star){30.0 + 60.0 * (double)(i % 5), 30.0 + 60.0 * (double)(i / 5), 3e4};
    }
    field_add(f, s, N, &p, 1.0, 0.2);
    field_noise(f, 300.0, 8.0, 0.0, rng);
    for (size_t y = 0; y < 60; y++) {
        for (size_t x = 0; x < 60; x++) {
            f->px[y * 300 + x] = NAN; /* the first star is gone */
        }
    }
    f->px[150 * 300 + 152] = NAN; /* two pixels beside the middle star */
    struct nw_measure *m = must_measure(f, NULL);
    assert_int_equal(m->n_stars, N - 1);
    assert_non_null(field_find(m, 150.0, 150.0, 0.2));
    check_near(m->fwhm_px, true_delivered(&p, 1.0), 0.03, "truth, 1 %");
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_empty_sky_with_hot_pixels_has_no_stars),
        cmocka_unit_test(test_forty_stars_are_all_found),
        cmocka_unit_test(test_flags_name_what_is_seen),
        cmocka_unit_test(test_rings_are_single_stars_without_a_fit),
        cmocka_unit_test(test_colour_of_a_mosaic_in_frame_pixels),
        cmocka_unit_test(test_zones_and_tilt),
        cmocka_unit_test(test_bad_and_tiny_images),
        cmocka_unit_test(test_blank_pixels),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
