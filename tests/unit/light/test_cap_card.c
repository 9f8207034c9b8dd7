/* test_cap_card.c - leak and shade that were put in come back; what cannot be told says so. */
#include "check.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#include "light/cap_card.h"

enum { W = 96, H = 64 };

struct picture {
    float px[W * H];
    char path[8];
    struct nw_frame frame;
};

static void make(struct picture *p, double level, double slope_x, double slope_y, double noise,
                 gsl_rng *rng) {
    *p = (struct picture){.path = "flat"};
    for (size_t i = 0; i < (size_t)W * H; i++) {
        const double u = ((double)(i % W) + 0.5) / W - 0.5;
        const double v = ((double)(i / W) + 0.5) / H - 0.5;
        p->px[i] = (float)(100.0 + level * (1.0 + slope_x * u + slope_y * v) +
                           gsl_ran_gaussian(rng, noise));
    }
    p->frame = (struct nw_frame){
        .path = p->path, .width_px = W, .height_px = H, .n_planes = 1, .px = p->px};
}

static void test_the_dark_edge(void **state) {
    (void)state;
    static struct picture flat;
    static struct picture plain;
    static const struct {
        double x, y;
        const char *edge;
    } CASES[] = {
        {-0.12, 0.02, "right"}, {0.12, 0.0, "left"}, {0.01, -0.2, "top"}, {0, 0.1, "bottom"}};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
        struct nw_card_shade shade;
        struct nw_err err;
        make(&flat, 10000.0, CASES[i].x, CASES[i].y, 50.0, rng);
        assert_int_equal(nw_card_shade(&flat.frame, NULL, 100.0, &shade, &err), NW_OK);
        check_near(shade.slope_x, CASES[i].x, 5.0 * shade.sigma, "as put in");
        check_near(shade.slope_y, CASES[i].y, 5.0 * shade.sigma, "as put in");
        check_near(shade.slope, hypot(CASES[i].x, CASES[i].y), 5.0 * shade.sigma, "Pythagoras");
        assert_string_equal(shade.dark_edge, CASES[i].edge);
        assert_true(shade.sigma < 0.003);
    }
    /* what the flat has anyway divides out; without it the light falls to the left */
    struct nw_card_shade shade;
    struct nw_err err;
    make(&plain, 8000.0, 0.3, 0.0, 0.0, rng);
    make(&flat, 10000.0, 0.3, 0.0, 0.0, rng);
    assert_int_equal(nw_card_shade(&flat.frame, &plain.frame, 100.0, &shade, &err), NW_OK);
    check_near(shade.slope, 0.0, 1e-6, "the same flat twice");
    plain.frame.width_px = W - 1;
    assert_int_equal(nw_card_shade(&flat.frame, &plain.frame, 100.0, &shade, &err), NW_DOMAIN);
    assert_string_equal(err.text, "flat: 96 x 64 pixels, expected 95 x 64 as in flat");
    make(&flat, 0.0, 0.0, 0.0, 0.0, rng);
    assert_int_equal(nw_card_shade(&flat.frame, NULL, 100.0, &shade, &err), NW_DATA);
    assert_string_equal(err.text, "flat: no light above the offset of 100 adu");
    gsl_rng_free(rng);
}

#define DEG (NW_PI / 180.0)
static void test_a_leak_by_day(void **state) {
    (void)state;
    struct nw_cap_dark darks[] = {{60, 506.0, 263, -30 * DEG},  {60, 506.2, 263, -30 * DEG},
                                  {300, 530.0, 263, -30 * DEG}, {300, 530.4, 263, -30 * DEG},
                                  {300, 529.6, 263, -30 * DEG}, {300, 533.0, 263, 40 * DEG},
                                  {300, 536.0, 263, 40 * DEG}};
    struct nw_cap_leak leak;
    struct nw_err err;
    assert_int_equal(nw_cap_leak(darks, 7, &leak, &err), NW_OK);
    assert_true(leak.is_by_sun && leak.n_base == 3 && leak.n_lit == 2 && leak.brightest == 6);
    check_near(leak.leak_adu_s, 6.0 / 300.0, 1e-12, "536 over 530 in 300 s");
    check_near(leak.sigma_adu_s, 0.4 * sqrt(1.0 + 1.0 / 3.0) / 300.0, 1e-12,
               "scatter of three and of one");
    const double t = 6.0 / (0.4 * sqrt(1.0 + 1.0 / 3.0)); /* two degrees of freedom: closed form */
    check_near(leak.chance, 2.0 * 0.5 * (1.0 - t / sqrt(2.0 + t * t)), 1e-9, "Student 1908");
    check_near(leak.dark_adu_s, (530.0 - 506.1) / 240.0, 1e-12, "between the two lengths");
    check_near(leak.warmer_K, 0.0, 1e-12, "all at 263 K");
    darks[6].temperature_K = 266.0; /* a warm chip looks like a leak */
    darks[2].temperature_K = 263.3;
    assert_int_equal(nw_cap_leak(darks, 7, &leak, &err), NW_OK);
    check_near(leak.warmer_K, 2.9, 1e-9, "266 over the mean of 263.3, 263 and 263");
    darks[4].temperature_K = NAN;
    assert_int_equal(nw_cap_leak(darks, 7, &leak, &err), NW_OK);
    assert_true(isnan(leak.warmer_K));
    for (size_t i = 0; i < 7; i++) { /* no site: the three darkest stand for the night */
        darks[i].sun_altitude_rad = NAN;
    }
    assert_int_equal(nw_cap_leak(darks, 7, &leak, &err), NW_OK);
    assert_true(!leak.is_by_sun && leak.brightest == 6);
    check_near(leak.leak_adu_s, 6.0 / 300.0, 1e-12, "as before");
    assert_int_equal(nw_cap_leak(darks, 2, &leak, &err), NW_DATA);
    assert_string_equal(err.text, "2 darks: no length has 3 without light outside and one with it");
    assert_int_equal(nw_cap_leak(darks, 0, &leak, &err), NW_DATA);
}

static void test_darks_alike_are_seldom_a_leak(void **state) {
    (void)state;
    enum { SETS = 2000, FEW = 30, N = 8 };
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 12);
    int n_told = 0;
    int n_of_darkest = 0;
    for (int i = 0; i < SETS; i++) {
        struct nw_cap_dark darks[N];
        struct nw_cap_leak leak;
        struct nw_err err;
        for (int k = 0; k < N; k++) {
            darks[k] = (struct nw_cap_dark){300, 530.0 + gsl_ran_gaussian(rng, 0.3), 263, NAN};
        }
        if (i < FEW) { /* 20,000 sets are drawn for each */
            assert_int_equal(nw_cap_leak(darks, N, &leak, &err), NW_OK);
            n_of_darkest += leak.chance < 0.10;
        }
        for (int k = 0; k < N; k++) {
            darks[k].sun_altitude_rad = k < 3 ? -30 * DEG : 40 * DEG;
        }
        assert_int_equal(nw_cap_leak(darks, N, &leak, &err), NW_OK);
        n_told += leak.chance < 0.05;
    }
    gsl_rng_free(rng);
    /* at most 5 % by Bonferroni's bound; the five share their base, so that it is less */
    assert_in_range(n_told, 20, 100);
    assert_in_range(n_of_darkest, 0, 8); /* 3 of 30: binomial, 3 sigma; the darkest by
                                          * themselves would have 25 */
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_darks_alike_are_seldom_a_leak),
        cmocka_unit_test(test_the_dark_edge),
        cmocka_unit_test(test_a_leak_by_day),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
