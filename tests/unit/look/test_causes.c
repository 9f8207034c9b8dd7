/* test_causes.c - elongation of known causes: each is named first when the evidence is there, and
 * none is called likely when it is not. */
#include "check.h"
#include "look/causes.h"

/* All zones measured, each with its own e from a constant and a radial part q r^2. */
static struct nw_elongation_facts facts_of(double e, double angle, double q, double sigma) {
    struct nw_elongation_facts f = {.e1 = e * cos(2.0 * angle),
                                    .e2 = e * sin(2.0 * angle),
                                    .e_sigma = sigma / 5.0,
                                    .fwhm_px = 3.0,
                                    .moffat_beta = 3.5,
                                    .dispersion_px2 = NAN,
                                    .up_rad = NAN,
                                    .east_rad = NAN,
                                    .scatter = NAN};
    for (int k = 0; k < NW_ZONES_X * NW_ZONES_Y; k++) {
        struct nw_zone *const z = &f.zones[k];
        z->u = (k % NW_ZONES_X - 2) * 0.33;
        z->v = (double)(k / NW_ZONES_X - 2) * 0.22;
        z->e1 = f.e1 + q * (z->u * z->u - z->v * z->v);
        z->e2 = f.e2 + q * 2.0 * z->u * z->v;
        z->e_sigma = sigma;
    }
    return f;
}

static void test_spread_of_a_near_gaussian_star(void **state) {
    (void)state;
    /* Gaussian: widths^2 add: FWHM^2 + 5.545 V along, FWHM^2 across; first order in V */
    const double v = 0.05;
    const double add = 8.0 * log(2.0) * v;
    check_near(nw_spread_e(v, 3.0, 500.0), add / (2.0 * 9.0 + add), 5e-4, "Gaussians: closed form");
    /* luminance at z 60: 2.5 arcsec end to end makes 1.16 of a 2.9 arcsec star */
    const double e = nw_spread_e(2.5 * 2.5 / 12.0, 2.9, 500.0);
    check_near(sqrt((1.0 + e) / (1.0 - e)), 1.16, 0.015, "published example, uniform line");
    assert_true(isnan(nw_spread_e(NAN, 3.0, 3.5)));
}

static void test_dispersion_is_named_and_taken_off(void **state) {
    (void)state;
    const double v = 0.25;
    const double e = nw_spread_e(v, 3.0, 3.5);
    struct nw_elongation_facts f = facts_of(e, 0.6, 0.0, 0.005);
    f.dispersion_px2 = v;
    f.up_rad = 0.6 + NW_PI; /* an axis has no sign */
    f.east_rad = 2.0;
    struct nw_elongation_causes c;
    assert_true(nw_elongation_explain(&f, &c));
    check_near(c.rest, 1.0, 1e-9, "nothing is left");
    assert_int_equal(c.causes[0].id, NW_CAUSE_DISPERSION);
    assert_true(c.is_first_likely);
}

static void test_motion_along_the_axes(void **state) {
    (void)state;
    struct nw_elongation_facts f = facts_of(0.15, 0.3, 0.0, 0.01);
    f.dispersion_px2 = 0.01;
    f.up_rad = 1.3;
    f.east_rad = 0.3 - NW_PI;
    struct nw_elongation_causes c;
    assert_true(nw_elongation_explain(&f, &c));
    assert_int_equal(c.causes[0].id, NW_CAUSE_RIGHT_ASCENSION);
    assert_true(c.is_first_likely);
    f.east_rad = 0.3 + NW_PI / 2.0;
    assert_true(nw_elongation_explain(&f, &c));
    assert_int_equal(c.causes[0].id, NW_CAUSE_DECLINATION);
    f.east_rad = 0.3 + NW_PI / 4.0;
    assert_true(nw_elongation_explain(&f, &c));
    assert_int_equal(c.causes[0].id, NW_CAUSE_OTHER_MOTION);
    assert_false(c.is_first_likely); /* optics could do the same */
}

static void test_a_pattern_is_optics(void **state) {
    (void)state;
    struct nw_elongation_facts f = facts_of(0.06, 0.3, 0.5, 0.01);
    struct nw_elongation_causes c;
    assert_true(nw_elongation_explain(&f, &c));
    assert_int_equal(c.causes[0].id, NW_CAUSE_ASTIGMATISM);
    assert_true(c.is_first_likely);
    check_near(c.constant_e, 0.06, 1e-6, "constant put in");
    double sum = 0.0;
    for (int k = 0; k < NW_ZONES_X * NW_ZONES_Y; k++) {
        const double r2 = f.zones[k].u * f.zones[k].u + f.zones[k].v * f.zones[k].v;
        sum += 0.25 * r2 * r2 / (NW_ZONES_X * NW_ZONES_Y);
    }
    check_near(c.pattern_e, sqrt(sum), 1e-6, "rms of q r^2");
}

static void test_without_orientation_nothing_is_likely(void **state) {
    (void)state;
    struct nw_elongation_facts f = facts_of(0.15, 0.3, 0.0, 0.01);
    struct nw_elongation_causes c;
    assert_true(nw_elongation_explain(&f, &c));
    assert_false(c.is_first_likely);
    assert_true(isnan(c.to_east_rad) && isnan(c.to_up_rad) && isnan(c.dispersion_e));
    check_near(c.rest, c.seen, 1e-12, "nothing was taken off");
    for (int k = 0; k < NW_N_CAUSES; k++) {
        assert_non_null(nw_cause_decides(c.causes[k].id));
    }
    f.e_sigma = 0.05; /* 3 sigma */
    assert_false(nw_elongation_explain(&f, &c));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_spread_of_a_near_gaussian_star),
        cmocka_unit_test(test_dispersion_is_named_and_taken_off),
        cmocka_unit_test(test_motion_along_the_axes),
        cmocka_unit_test(test_a_pattern_is_optics),
        cmocka_unit_test(test_without_orientation_nothing_is_likely),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
