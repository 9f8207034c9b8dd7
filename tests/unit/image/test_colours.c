/* test_colours.c - shift, magnification and turn between colours: exact without noise, errors true
 * with it; directions from world coordinates. */
#include "check.h"
#include "image/colours.h"
#include "star_field.h"

enum { N = 120 };

struct two {
    struct nw_measure a, b;
    struct nw_star sa[N], sb[N];
};

/* A colour moved by (tx, ty), magnified by 1 + m, turned by w; noise of sigma per place. */
static void two_colours(struct two *t, gsl_rng *rng, const double truth[static 4], double sigma) {
    memset(t, 0, sizeof *t);
    for (int i = 0; i < N; i++) {
        const double x = 3000.0 * gsl_rng_uniform(rng);
        const double y = 2000.0 * gsl_rng_uniform(rng);
        const double rx = x - 0.5 * 2999.0;
        const double ry = y - 0.5 * 1999.0;
        t->sa[i] = (struct nw_star){.x_px = x + gsl_ran_gaussian(rng, sigma),
                                    .y_px = y + gsl_ran_gaussian(rng, sigma),
                                    .x_sigma_px = fmax(sigma, 1e-3),
                                    .y_sigma_px = fmax(sigma, 1e-3),
                                    .snr = 100.0};
        t->sb[i] = t->sa[i];
        t->sb[i].x_px = x + truth[0] + truth[2] * rx - truth[3] * ry + gsl_ran_gaussian(rng, sigma);
        t->sb[i].y_px = y + truth[1] + truth[2] * ry + truth[3] * rx + gsl_ran_gaussian(rng, sigma);
    }
    t->a = (struct nw_measure){.width_px = 3000, .height_px = 2000, .stars = t->sa, .n_stars = N};
    t->b = (struct nw_measure){.width_px = 3000, .height_px = 2000, .stars = t->sb, .n_stars = N};
    t->a.fwhm_px = 3.0;
    t->b.fwhm_px = 3.3;
    t->a.fwhm_sigma_px = t->b.fwhm_sigma_px = 0.03;
}

static const double TRUTH[4] = {0.6, -0.35, 2e-4, 1e-5};

static void test_without_noise_it_is_exact(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(1);
    static struct two t;
    two_colours(&t, rng, TRUTH, 0.0);
    struct nw_colour_shift s;
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(nw_colours_compare(&t.a, &t.b, &s, &err), NW_OK);
    check_near(s.x_px, TRUTH[0], 1e-9, "put in");
    check_near(s.y_px, TRUTH[1], 1e-9, "put in");
    check_near(s.magnification, TRUTH[2], 1e-12, "put in");
    check_near(s.rotation_rad, TRUTH[3], 1e-12, "put in");
    check_near(s.width_ratio, 1.1, 1e-12, "3.3 / 3.0");
    assert_int_equal(s.n_stars, N);
    gsl_rng_free(rng);
}

static void test_errors_are_true_with_outliers(void **state) {
    (void)state;
    enum { RUNS = 60 };
    gsl_rng *const rng = test_rng(2);
    static struct two t;
    double pull2[4] = {0.0};
    for (int run = 0; run < RUNS; run++) {
        two_colours(&t, rng, TRUTH, 0.05);
        for (int i = 0; i < N; i += 15) { /* blends: a pixel off */
            t.sb[i].x_px += 1.0;
        }
        struct nw_colour_shift s;
        struct nw_err err = {NW_OK, ""};
        assert_int_equal(nw_colours_compare(&t.a, &t.b, &s, &err), NW_OK);
        pull2[0] += pow((s.x_px - TRUTH[0]) / s.shift_sigma_px, 2.0) / RUNS;
        pull2[1] += pow((s.y_px - TRUTH[1]) / s.shift_sigma_px, 2.0) / RUNS;
        pull2[2] += pow((s.magnification - TRUTH[2]) / s.magnification_sigma, 2.0) / RUNS;
        pull2[3] += pow((s.rotation_rad - TRUTH[3]) / s.rotation_sigma_rad, 2.0) / RUNS;
    }
    for (int k = 0; k < 4; k++) {
        check_near(sqrt(pull2[k]), 1.0, 0.25, "pull width; 60 runs: +- 0.09");
    }
    gsl_rng_free(rng);
}

static void test_too_few_stars_are_refused(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(3);
    static struct two t;
    two_colours(&t, rng, TRUTH, 0.0);
    t.b.n_stars = 5;
    struct nw_colour_shift s;
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(nw_colours_compare(&t.a, &t.b, &s, &err), NW_DATA);
    assert_string_equal(err.text, "5 clean stars in common, at least 8 are needed");
    gsl_rng_free(rng);
}

static struct nw_frame_axes axes_of(const char *const (*cards)[2], size_t n) {
    struct nw_card list[8];
    memset(list, 0, sizeof list);
    for (size_t i = 0; i < n; i++) {
        nw_text_copy(list[i].key, sizeof list[i].key, cards[i][0]);
        nw_text_copy(list[i].value, sizeof list[i].value, cards[i][1]);
    }
    const struct nw_frame frame = {.cards = list, .n_cards = n};
    return nw_frame_axes_of(&frame);
}

static void test_axes_of_simple_matrices(void **state) {
    (void)state;
    /* the usual sky: north up, east left */
    static const char *const usual[][2] = {
        {"CTYPE1", "RA---TAN"}, {"CD1_1", "-0.001"}, {"CD2_2", "0.001"}};
    struct nw_frame_axes a = axes_of(usual, 3);
    check_near(a.north_rad, NW_PI / 2.0, 1e-12, "+y");
    check_near(fabs(a.east_rad), NW_PI, 1e-12, "-x");
    check_near(a.scale_rad_px, 0.001 * NW_RAD_PER_DEG, 1e-15, "definition");
    /* CROTA2 = 90 with CDELT -1, 1 (times 0.001): CD = ((0, -0.001), (-0.001, 0)): east along -y,
     * north along -x (Calabretta & Greisen 2002, eq. 188-189) */
    static const char *const turned[][2] = {
        {"CTYPE1", "RA---TAN"}, {"CDELT1", "-0.001"}, {"CDELT2", "0.001"}, {"CROTA2", "90"}};
    a = axes_of(turned, 4);
    check_near(a.east_rad, -NW_PI / 2.0, 1e-12, "-y");
    check_near(fabs(a.north_rad), NW_PI, 1e-12, "-x");
    static const char *const none[][2] = {{"ROTATANG", "30"}};
    a = axes_of(none, 1);
    assert_true(isnan(a.north_rad) && isnan(a.east_rad));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_without_noise_it_is_exact),
        cmocka_unit_test(test_errors_are_true_with_outliers),
        cmocka_unit_test(test_too_few_stars_are_refused),
        cmocka_unit_test(test_axes_of_simple_matrices),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
