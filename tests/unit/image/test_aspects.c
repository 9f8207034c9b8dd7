/* test_aspects.c - slope of the sky, noise and likeness of neighbours, halo, faintest star: known
 * truth, and errors that are true (pull tests with fixed seeds). */
#include "check.h"
#include "star_field.h"

static struct nw_measure *must_measure(const struct nw_frame *f, const struct nw_measure_opts *o) {
    struct nw_measure *m = NULL;
    struct nw_err err = {NW_OK, ""};
    const enum nw_status status = nw_measure_frame(f, NW_CHANNEL_MONO, "", o, &m, &err);
    if (status != NW_OK) {
        print_error("%s\n", err.text);
    }
    assert_int_equal(status, NW_OK);
    return m;
}

static void add_noise(struct nw_frame *f, gsl_rng *rng, double sigma) {
    for (size_t i = 0; i < f->width_px * f->height_px; i++) {
        f->px[i] += (float)gsl_ran_gaussian_ziggurat(rng, sigma);
    }
}

static void add_plane(struct nw_frame *f, double u, double v) {
    const double half = 0.5 * hypot((double)f->width_px, (double)f->height_px);
    for (size_t y = 0; y < f->height_px; y++) {
        for (size_t x = 0; x < f->width_px; x++) {
            const double dx = (double)x - 0.5 * ((double)f->width_px - 1.0);
            const double dy = (double)y - 0.5 * ((double)f->height_px - 1.0);
            f->px[y * f->width_px + x] += (float)((u * dx + v * dy) / half);
        }
    }
}

static void test_gradient_is_the_plane_and_its_error_true(void **state) {
    (void)state;
    enum { N = 12 };
    double pull2 = 0.0;
    double worst = 0.0;
    for (unsigned long seed = 1; seed <= N; seed++) {
        gsl_rng *const rng = test_rng(seed);
        struct nw_frame *const f = field_new(640, 448, 1000.0);
        add_plane(f, 30.0, -40.0);
        add_noise(f, rng, 12.0);
        struct nw_measure *const m = must_measure(f, NULL);
        const struct nw_gradient *const g = &m->aspects.gradient;
        pull2 += pow((g->u_adu - 30.0) / g->u_sigma_adu, 2.0) +
                 pow((g->v_adu + 40.0) / g->v_sigma_adu, 2.0);
        worst = fmax(worst, fabs(g->adu - 50.0));
        check_near(g->direction_rad, atan2(-40.0, 30.0), 0.03, "plane 30, -40: falls towards +y");
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
    assert_true(worst < 1.0); /* 2 % of 50 */
    /* chi-square with 24 freedoms: 0.7 to 1.3 is two sigmas */
    check_near(sqrt(pull2 / (2.0 * N)), 1.0, 0.3, "pull width of the slopes");
}

static void test_gradient_bears_nebula_over_a_quarter(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(7);
    struct nw_frame *const f = field_new(640, 448, 1000.0);
    add_plane(f, 30.0, -40.0);
    for (size_t y = 0; y < f->height_px; y++) {
        for (size_t x = 0; x < f->width_px; x++) {
            const double r = hypot((double)x - 480.0, (double)y - 320.0) / 60.0;
            f->px[y * f->width_px + x] += (float)(200.0 * exp(-0.5 * r * r));
        }
    }
    add_noise(f, rng, 12.0);
    struct nw_measure *const m = must_measure(f, NULL);
    const struct nw_gradient *const g = &m->aspects.gradient;
    /* what leaks in is within its error, which knows of the structure */
    assert_true(fabs(g->u_adu - 30.0) < 3.0 * g->u_sigma_adu);
    assert_true(fabs(g->v_adu + 40.0) < 3.0 * g->v_sigma_adu);
    assert_true(g->u_sigma_adu > 1.0);
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

static void test_white_noise_is_white_and_its_errors_true(void **state) {
    (void)state;
    enum { N = 8 };
    double pull2[3] = {0.0};
    for (unsigned long seed = 1; seed <= N; seed++) {
        gsl_rng *const rng = test_rng(100 + seed);
        struct nw_frame *const f = field_new(704, 640, 500.0);
        add_noise(f, rng, 8.0);
        struct nw_measure *const m = must_measure(f, NULL);
        const struct nw_noise *const n = &m->aspects.noise;
        check_near(n->pixel_adu, 8.0, 0.04, "sigma 8 put in; 0.5 %");
        pull2[0] += pow(n->x_correlation / n->correlation_sigma, 2.0) / N;
        pull2[1] += pow(n->y_correlation / n->correlation_sigma, 2.0) / N;
        pull2[2] += pow((n->coarse_ratio - 1.0) / n->coarse_sigma, 2.0) / N;
        nw_measure_free(m);
        field_free(f);
        gsl_rng_free(rng);
    }
    for (int k = 0; k < 3; k++) {
        check_near(sqrt(pull2[k]), 1.0, 0.6, "independent pixels: correlation 0, ratio 1");
    }
}

static void test_resampled_noise_is_told(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(3);
    struct nw_frame *const f = field_new(704, 640, 500.0);
    add_noise(f, rng, 10.0);
    /* half a pixel to the right by linear interpolation: neighbours share half: r = 1/2, sigma =
     * 10 / sqrt(2); upwards untouched */
    for (size_t y = 0; y < f->height_px; y++) {
        float *const row = f->px + y * f->width_px;
        for (size_t x = 0; x + 1 < f->width_px; x++) {
            row[x] = 0.5F * (row[x] + row[x + 1]);
        }
    }
    struct nw_measure *const m = must_measure(f, NULL);
    const struct nw_noise *const n = &m->aspects.noise;
    check_near(n->x_correlation, 0.5, 0.01, "mean of two neighbours: correlation 1/2");
    check_near(n->y_correlation, 0.0, 0.01, "rows are independent");
    check_near(n->pixel_adu, 10.0 / sqrt(2.0), 0.05, "mean of two values");
    /* sums of 4 px in a row: variance 3 + 1/4 + 1/4 = 3.5 of 4 sigma^2; over 4 (sigma^2 / 2) */
    check_near(n->coarse_ratio, sqrt(3.5 / 4.0 * 2.0), 0.03, "closed form");
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

/* The same frame in units of 1/65536, as masters come: a power of two, so the floats are the same
 * but for their exponent. As floats, and as whole numbers with that step. */
static void test_small_units_change_nothing(void **state) {
    (void)state;
    static const double UNIT = 1.0 / 65536.0;
    gsl_rng *const rng = test_rng(31);
    struct nw_frame *const f = field_new(704, 640, 500.0);
    add_noise(f, rng, 3.0);
    for (size_t i = 0; i < f->width_px * f->height_px; i++) {
        f->px[i] = roundf(f->px[i]) + (i % 500 == 0 ? 100.0F : 0.0F); /* hits, to be left out */
    }
    const struct nw_measure_opts opts = {.gain_e_per_adu = 2.0, .read_noise_e = 4.0};
    struct nw_measure *const adu = must_measure(f, &opts);
    for (size_t i = 0; i < f->width_px * f->height_px; i++) {
        f->px[i] *= (float)UNIT;
    }
    const struct nw_measure_opts small = {.gain_e_per_adu = 2.0 / UNIT, .read_noise_e = 4.0};
    check_near(adu->aspects.noise.coarse_ratio, 1.0, 0.02, "independent pixels");
    check_near(adu->aspects.noise.pixel_adu, sqrt(9.0 + 1.0 / 12.0), 0.02, "3 ADU, and rounding");
    for (int is_whole = 0; is_whole < 2; is_whole++) {
        f->bitpix = is_whole ? 16 : -32;
        f->step_adu = is_whole ? UNIT : 0.0;
        struct nw_measure *const m = must_measure(f, &small);
        const struct nw_noise *const n = &m->aspects.noise;
        check_near(n->coarse_ratio, adu->aspects.noise.coarse_ratio, 3e-3, "other bins of sky");
        check_near(n->x_correlation, adu->aspects.noise.x_correlation, 1e-3, "other bins of sky");
        check_near(n->pixel_adu / UNIT, adu->aspects.noise.pixel_adu, 3e-3, "other bins of sky");
        check_near(n->expected_high_adu / UNIT, adu->aspects.noise.expected_high_adu,
                   0.002 * adu->aspects.noise.expected_high_adu, "other bins of sky");
        nw_measure_free(m);
    }
    nw_measure_free(adu);
    field_free(f);
    gsl_rng_free(rng);
}

static void test_expected_noise_is_that_of_electrons(void **state) {
    (void)state;
    /* 100 ADU at 0.5 e/ADU: 50 e; read noise 3 e: 59 e^2 = 236 ADU^2, and 1/12 */
    check_near(nw_noise_expected_adu(100.0, 0.5, 3.0, 1.0), sqrt(236.0 + 1.0 / 12.0), 1e-12,
               "closed form");
    assert_true(isnan(nw_noise_expected_adu(100.0, NAN, 3.0, 1.0)));
    assert_true(isnan(nw_noise_expected_adu(100.0, 0.5, NAN, 1.0)));
}

/* A field whose stars carry a second, wide profile with `share` of the light. */
static struct nw_frame *halo_field(unsigned long seed, double share, double sigma) {
    gsl_rng *const rng = test_rng(seed);
    struct nw_frame *const f = field_new(1000, 800, 300.0);
    const struct true_profile core = {3.0, 1.0, 0.0, 6.0};
    const struct true_profile wide = {30.0, 1.0, 0.0, 6.0};
    struct true_star stars[60];
    for (int i = 0; i < 60; i++) {
        /* 100 px apart: what neighbours add is another question */
        stars[i] = (struct true_star){50.0 + 100.0 * (i % 10) + gsl_rng_uniform(rng),
                                      50.0 + 130.0 * floor(i / 10.0) + gsl_rng_uniform(rng),
                                      sigma * 3000.0 * (1.0 + gsl_rng_uniform(rng))};
    }
    field_add(f, stars, 60, &core, 1.0, 0.01 * sigma);
    for (int i = 0; i < 60; i++) {
        stars[i].flux *= share;
    }
    field_add(f, stars, 60, &wide, 1.0, 0.001 * sigma);
    add_noise(f, rng, sigma);
    gsl_rng_free(rng);
    return f;
}

/* Light of a round Moffat inside r. */
static double inside(double r, double fwhm, double beta) {
    const double alpha = fwhm / (2.0 * sqrt(pow(2.0, 1.0 / beta) - 1.0));
    return 1.0 - pow(1.0 + r * r / (alpha * alpha), 1.0 - beta);
}

static void test_halo_is_the_light_put_there(void **state) {
    (void)state;
    static const double shares[] = {0.0, 0.02, 0.06};
    double seen[3];
    for (int k = 0; k < 3; k++) {
        struct nw_frame *const f = halo_field(5 + (unsigned long)k, shares[k], 5.0);
        struct nw_measure *const m = must_measure(f, NULL);
        const struct nw_halo *const h = &m->aspects.halo;
        seen[k] = h->ratio;
        assert_true(h->n_stars >= 5 && h->sigma < 0.01);
        const double w = m->fwhm_px;
        /* of the wide part: what is in 3..10 widths less the sky ring's share of area (91/48) */
        const double ring = inside(10.0 * w, 30.0, 6.0) - inside(3.0 * w, 30.0, 6.0);
        const double sky = inside(13.0 * w, 30.0, 6.0) - inside(11.0 * w, 30.0, 6.0);
        const double core = inside(1.5 * w, 3.0, 6.0) + shares[k] * inside(1.5 * w, 30.0, 6.0);
        const double own = inside(10.0 * w, 3.0, 6.0) - inside(3.0 * w, 3.0, 6.0);
        const double want = (own + shares[k] * (ring - 91.0 / 48.0 * sky)) / core;
        check_near(h->ratio, want, 4.0 * h->sigma + 0.03 * want, "Moffat integrals; 3 %");
        nw_measure_free(m);
        field_free(f);
    }
    assert_true(seen[0] < seen[1] && seen[1] < seen[2]);
}

static void test_limit_is_five_sigma(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(11);
    struct nw_frame *const f = field_new(800, 640, 300.0);
    const struct true_profile p = {3.2, 1.0, 0.0, 4.0};
    struct true_star stars[80];
    for (int i = 0; i < 80; i++) {
        stars[i] = (struct true_star){20.0 + 760.0 * gsl_rng_uniform(rng),
                                      20.0 + 600.0 * gsl_rng_uniform(rng), 3000.0 + 100.0 * i};
    }
    field_add(f, stars, 80, &p, 1.0, 0.05);
    add_noise(f, rng, 5.0);
    f->facts.exposure_s = 100.0;
    struct nw_measure *const m = must_measure(f, NULL);
    const struct nw_limit *const l = &m->aspects.limit;
    check_near(l->flux_adu, 25.0 * sqrt(m->neq_area_px2), 0.02 * l->flux_adu,
               "King 1983: 5 sigma sqrt(A), sigma 5 ADU");
    check_near(l->magnitude, -2.5 * log10(l->flux_adu / 100.0), 1e-12, "definition");
    assert_true(l->sigma_mag > 0.0 && l->sigma_mag < 0.03);
    nw_measure_free(m);
    f->facts.exposure_s = NAN;
    struct nw_measure *const without = must_measure(f, NULL);
    assert_true(isnan(without->aspects.limit.magnitude));
    assert_true(isnan(without->aspects.limit.sigma_mag));
    assert_true(isfinite(without->aspects.limit.flux_adu));
    nw_measure_free(without);
    field_free(f);
    gsl_rng_free(rng);
}

static void test_tiny_and_starless_frames_say_nothing_false(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(2);
    struct nw_frame *const f = field_new(20, 12, 100.0);
    add_noise(f, rng, 3.0);
    struct nw_measure *const m = must_measure(f, NULL);
    assert_true(isnan(m->aspects.gradient.adu) && isnan(m->aspects.noise.pixel_adu));
    assert_true(isnan(m->aspects.halo.ratio) && isnan(m->aspects.limit.flux_adu));
    assert_int_equal(m->aspects.n_streaks, 0);
    nw_measure_free(m);
    field_free(f);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_gradient_is_the_plane_and_its_error_true),
        cmocka_unit_test(test_gradient_bears_nebula_over_a_quarter),
        cmocka_unit_test(test_white_noise_is_white_and_its_errors_true),
        cmocka_unit_test(test_resampled_noise_is_told),
        cmocka_unit_test(test_small_units_change_nothing),
        cmocka_unit_test(test_expected_noise_is_that_of_electrons),
        cmocka_unit_test(test_halo_is_the_light_put_there),
        cmocka_unit_test(test_limit_is_five_sigma),
        cmocka_unit_test(test_tiny_and_starless_frames_say_nothing_false),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
