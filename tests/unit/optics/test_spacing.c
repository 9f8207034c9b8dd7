/* test_spacing.c - glass, spacing against scale, rings: published values, a ray trace, brute
 * force. */
#include <gsl/gsl_rng.h>
#include <math.h>

#include "check.h"
#include "optics/spacing.h"

static void test_index_of_glasses(void **state) {
    (void)state;
    const double d = 587.5618e-9; /* helium d line */
    check_near(nw_glass_index(NW_GLASS_N_BK7, d), 1.51680, 1e-5, "REFERENCES FOC-07");
    check_near(nw_glass_index(NW_GLASS_FUSED_SILICA, d), 1.45846, 1e-5,
               "Malitson 1965, table of fitted indices, from memory");
    check_near(nw_glass_index(NW_GLASS_SAPPHIRE, d), 1.7682, 1e-4,
               "handbook n_o of sapphire at 588 nm, from memory");
    /* normal dispersion: blue is bent more */
    for (int g = 0; g < NW_N_GLASSES; g++) {
        assert_true(nw_glass_index((enum nw_glass)g, 450e-9) >
                    nw_glass_index((enum nw_glass)g, 650e-9));
        assert_true(isnan(nw_glass_index((enum nw_glass)g, 100e-9)));
        assert_true(isnan(nw_glass_index((enum nw_glass)g, NAN)));
    }
    enum nw_glass glass = NW_GLASS_SAPPHIRE;
    assert_true(nw_glass_find("n-bk7", &glass));
    assert_int_equal(glass, NW_GLASS_N_BK7);
    assert_false(nw_glass_find("bottle", &glass));
}

static void test_glass_shift(void **state) {
    (void)state;
    check_near(nw_optics_glass_shift_m(2e-3, 1.5168), 0.681435e-3, 1e-8, "REFERENCES FOC-08");
    check_near(nw_optics_glass_shift_m(3e-3, 1.5168), 1.022148e-3, 1e-8, "REFERENCES FOC-08");
    check_near(nw_optics_glass_shift_m(1.1e-3, 1.52), 0.376316e-3, 1e-8, "REFERENCES FOC-08");
    check_near(nw_optics_glass_shift_m(2e-3, 1.0), 0.0, 1e-15, "air moves nothing");
}

/* A near-axial ray through a plate: the focus goes out by t - t tan(i')/tan(i), Snell's law. */
static void test_glass_shift_is_what_a_traced_ray_does(void **state) {
    (void)state;
    const double slopes[] = {1e-4, 0.5 / 5.6};
    const double tolerances[] = {1e-9, 4e-6}; /* the second: the note in spacing.h */
    for (int i = 0; i < 2; i++) {
        const double angle = atan(slopes[i]);
        const double inside = asin(sin(angle) / 1.5168);
        const double shift = 2e-3 - 2e-3 * tan(inside) / tan(angle);
        check_near(nw_optics_glass_shift_m(2e-3, 1.5168), shift, tolerances[i], "Snell's law");
    }
}

/* Effective focal length behind two thin lenses, by a paraxial ray of height 1. */
static double traced_focal_length(double f1, double f2, double apart, double *ret_back) {
    const double height = 1.0 - apart / f1;
    const double slope = -1.0 / f1 - height / f2;
    *ret_back = -height / slope;
    return -1.0 / slope;
}

static void test_scale_against_spacing_by_ray_trace(void **state) {
    (void)state;
    /* corrector with the focal length that gives m at s: fc = s / (1 - m) */
    const struct {
        double m, s_m;
    } rows[] = {{0.8, 55e-3}, {0.79, 55e-3}, {0.65, 63e-3}, {1.05, 75e-3}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const double fc = rows[i].s_m / (1.0 - rows[i].m);
        const double f1 = 0.7;
        double apart = f1 - rows[i].s_m / rows[i].m; /* corrector that far inside the focus */
        double back = 0.0;
        const double f = traced_focal_length(f1, fc, apart, &back);
        check_near(f / f1, rows[i].m, 1e-12, "m = s'/s of a thin lens");
        check_near(back, rows[i].s_m, 1e-12, "conjugates of a thin lens");
        /* one step farther out, focused again: the corrector goes in until its image is there */
        const double step = 1e-5;
        const double m2 = 1.0 - (rows[i].s_m + step) / fc;
        apart = f1 - (rows[i].s_m + step) / m2;
        const double f2 = traced_focal_length(f1, fc, apart, &back);
        check_near(back, rows[i].s_m + step, 1e-12, "focused again");
        const double rate = nw_optics_scale_per_spacing_per_m(rows[i].m, rows[i].s_m);
        check_near((f2 / f - 1.0) / step, rate, 1e-3 * fabs(rate), "ray trace of two thin lenses");
        check_near(nw_optics_spacing_of_magnification_m(rows[i].m, rows[i].s_m, f2 / f1),
                   rows[i].s_m + step, 1e-12, "there and back");
    }
    check_near(nw_optics_scale_per_spacing_per_m(0.8, 55e-3) * 1e-3, -0.0045454545, 1e-9,
               "0.45 % a millimetre, 0.8x at 55 mm; more spacing, shorter focal length");
    check_near(nw_optics_scale_per_spacing_per_m(1.0, 55e-3), 0.0, 1e-15,
               "a flattener of 1x shows nothing");
}

/* All multisets, no cutting. */
struct brute {
    const struct nw_ring *rings;
    size_t n;
    double gap_m, tolerance_m;
    size_t n_fitting, fewest;
    double best_m;
};
static void brute_force(struct brute *b, size_t at, size_t left, double length_m, size_t n_rings) {
    if (at == b->n) {
        const double off = fabs(length_m - b->gap_m);
        if (off <= b->tolerance_m + 1e-9) {
            b->n_fitting++;
            if (n_rings < b->fewest || (n_rings == b->fewest && off < b->best_m)) {
                b->fewest = n_rings;
                b->best_m = off;
            }
        }
        return;
    }
    for (size_t k = 0; k <= b->rings[at].count && k <= left; k++) {
        brute_force(b, at + 1, left - k, length_m + (double)k * b->rings[at].length_m, n_rings + k);
    }
}

static void test_rings_are_exact_against_brute_force(void **state) {
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 4);
    size_t n_with = 0;
    for (int trial = 0; trial < 300; trial++) {
        struct nw_ring rings[7];
        const size_t n = 1 + gsl_rng_uniform_int(rng, 7);
        for (size_t i = 0; i < n; i++) {
            rings[i] =
                (struct nw_ring){.length_m = 1e-4 * (double)(1 + gsl_rng_uniform_int(rng, 200)),
                                 .sigma_m = 2e-5,
                                 .count = 1 + gsl_rng_uniform_int(rng, 3)};
        }
        const double gap_m = 1e-4 * (double)gsl_rng_uniform_int(rng, 400);
        const double tolerance_m = 1e-4 * (double)gsl_rng_uniform_int(rng, 6);
        struct brute b = {rings, n, gap_m, tolerance_m, 0, SIZE_MAX, 0.0};
        struct nw_ring_answer answer;
        struct nw_err err = {0};
        brute_force(&b, 0, 6, 0.0, 0);
        assert_int_equal(nw_rings_solve(rings, n, gap_m, tolerance_m, 6, &answer, &err), NW_OK);
        assert_int_equal(answer.n_sets > 0, b.n_fitting > 0);
        if (b.n_fitting > 0) {
            n_with++;
            assert_int_equal(answer.sets[0].n_rings, b.fewest);
            check_near(fabs(answer.sets[0].error_m), b.best_m, 1e-9, "brute force");
            assert_true(isnan(answer.shim_m));
        } else if (answer.below.n_rings != SIZE_MAX) {
            check_near(answer.below.length_m + answer.shim_m, gap_m, 1e-12, "the shim closes it");
            /* in the band from there to as far above the gap lies `above`, if anything */
            struct brute nearer = {rings, n, gap_m, answer.shim_m - 1e-8, 0, SIZE_MAX, 0.0};
            brute_force(&nearer, 0, 6, 0.0, 0);
            if (nearer.n_fitting > 0) {
                check_near(answer.above.error_m, nearer.best_m, answer.shim_m, "brute force");
                assert_true(answer.above.error_m < answer.shim_m);
            }
        }
    }
    assert_in_range(n_with, 60, 290); /* both outcomes were tried */
    gsl_rng_free(rng);
}

static void test_a_drawer_of_rings(void **state) {
    (void)state;
    const struct nw_ring rings[] = {{10e-3, 20e-6, 1}, {5e-3, 20e-6, 2},  {2e-3, 10e-6, 1},
                                    {1e-3, 10e-6, 1},  {0.5e-3, 5e-6, 1}, {0.3e-3, 5e-6, 2}};
    struct nw_ring_answer answer;
    struct nw_err err = {0};
    assert_int_equal(nw_rings_solve(rings, 6, 16.6e-3, 0.05e-3, 8, &answer, &err), NW_OK);
    assert_int_equal(answer.sets[0].n_rings, 5); /* 10 + 5 + 1 + 0.3 + 0.3 */
    check_near(answer.sets[0].length_m, 16.6e-3, 1e-12, "sum by hand");
    check_near(answer.sets[0].sigma_m, sqrt(400e-12 * 2 + 100e-12 + 25e-12 * 2), 1e-12,
               "tolerances add as squares");
    assert_int_equal(answer.sets[0].n_of[0], 1);
    assert_int_equal(answer.sets[0].n_of[5], 2);
    /* 23.9 of 24.1 at most: a shim is missing */
    assert_int_equal(nw_rings_solve(rings, 3, 23.9e-3, 0.1e-3, 8, &answer, &err), NW_OK);
    assert_int_equal(answer.n_sets, 0);
    check_near(answer.below.length_m, 22e-3, 1e-12, "10 + 5 + 5 + 2");
    check_near(answer.shim_m, 1.9e-3, 1e-12, "what is missing");
    assert_true(answer.above.n_rings == SIZE_MAX);
    /* nothing to fill */
    assert_int_equal(nw_rings_solve(rings, 6, 0.02e-3, 0.05e-3, 8, &answer, &err), NW_OK);
    assert_int_equal(answer.sets[0].n_rings, 0);
    assert_int_equal(nw_rings_solve(NULL, 0, 3e-3, 0.05e-3, 8, &answer, &err), NW_OK);
    check_near(answer.shim_m, 3e-3, 1e-12, "no rings at all: buy the whole gap");
}

static void test_bad_input_and_limits(void **state) {
    (void)state;
    struct nw_ring rings[33] = {{1e-3, 0.0, 1}};
    struct nw_ring_answer answer;
    struct nw_err err = {0};
    assert_int_equal(nw_rings_solve(rings, 1, -1e-3, 0.0, 4, &answer, &err), NW_DOMAIN);
    assert_string_equal(err.text, "gap of -1 mm: rings only make longer");
    assert_int_equal(nw_rings_solve(rings, 1, 1e-3, NAN, 4, &answer, &err), NW_DOMAIN);
    assert_string_equal(err.text, "tolerance nan mm is not >= 0");
    assert_int_equal(nw_rings_solve(rings, 2, 1e-3, 0.0, 4, &answer, &err), NW_DOMAIN);
    assert_string_equal(err.text, "ring 2: length 0 mm is not > 0");
    assert_int_equal(nw_rings_solve(rings, 33, 1e-3, 0.0, 4, &answer, &err), NW_DOMAIN);
    assert_string_equal(err.text, "33 sizes of rings, at most 32 are tried");
    assert_int_equal(nw_rings_solve(rings, 1, 1e-3, 0.0, 13, &answer, &err), NW_DOMAIN);
    assert_string_equal(err.text, "13 rings in a set, expected 1 to 12");
    for (int i = 0; i < 32; i++) { /* a thousand million sets within the tolerance */
        rings[i] = (struct nw_ring){9.5e-3 + 1e-3 * sqrt(i) / 6.0, 0.0, 12};
    }
    assert_int_equal(nw_rings_solve(rings, 32, 100e-3, 2e-3, 12, &answer, &err), NW_LIMIT);
    assert_string_equal(err.text,
                        "more than 5 million sets of rings: fewer sizes, or fewer in a set");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_index_of_glasses),
        cmocka_unit_test(test_glass_shift),
        cmocka_unit_test(test_glass_shift_is_what_a_traced_ray_does),
        cmocka_unit_test(test_scale_against_spacing_by_ray_trace),
        cmocka_unit_test(test_rings_are_exact_against_brute_force),
        cmocka_unit_test(test_a_drawer_of_rings),
        cmocka_unit_test(test_bad_input_and_limits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
