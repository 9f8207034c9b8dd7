/* test_spectrum.c - colours of air and sky against published tables and closed forms. */
#include "check.h"
#include "sky/bright.h"
#include "sky/spectrum.h"

static struct nw_sky_passband band_of(double centre_nm, double width_nm) {
    return (struct nw_sky_passband){.centre_m = centre_nm * 1e-9,
                                    .width_m = width_nm * 1e-9,
                                    .extinction_v_mag = 0.12,
                                    .elevation_m = 2400.0,
                                    .airmass = 1.0};
}

static void test_extinction_of_a_good_site(void **state) {
    (void)state;
    static const struct {
        double nm, mag;
    } ROWS[] = {{400, 0.30}, {440, 0.20}, {500, 0.13}, {540, 0.11},
                {600, 0.09}, {640, 0.07}, {700, 0.04}};
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        /* V of that table lies between its 540 and 600 nm */
        check_near(nw_sky_extinction_at(0.11, 2400.0, ROWS[i].nm * 1e-9), ROWS[i].mag, 0.03,
                   "REFERENCES ATM-11v1, La Silla");
    }
    check_near(nw_sky_extinction_at(0.19, 500.0, 545e-9), 0.19, 1e-12, "V is V");
    check_near(nw_sky_extinction_at(0.05, 0.0, 545e-9), 0.05, 1e-12, "clearer than molecules");
    assert_true(nw_sky_extinction_at(0.19, 500.0, 656.3e-9) < 0.14);
    assert_true(nw_sky_extinction_at(0.19, 500.0, 450e-9) > 0.24);
    check_near(nw_sky_extinction_at(0.0, 0.0, 450e-9), 0.0, 1e-12, "no air");
}

static void test_molecules_are_those_of_the_table(void **state) {
    (void)state;
    static const double OZONE_450 = 0.0015, OZONE_545 = 0.02715, OZONE_650 = 0.021;
    /* air of molecules and ozone alone at sea level: V is their sum */
    const double tau =
        0.008569 * pow(0.545, -4) * (1 + 0.0113 * pow(0.545, -2) + 0.00013 * pow(0.545, -4));
    const double v = 1.0857362 * tau + OZONE_545;
    check_near(nw_sky_extinction_at(v, 0.0, 450e-9), 0.24026 + OZONE_450, 2e-4, "ATM-11");
    check_near(nw_sky_extinction_at(v, 0.0, 650e-9), 0.05355 + OZONE_650, 2e-4, "ATM-11");
    check_near(nw_sky_extinction_at(v + 0.1, 0.0, 450e-9),
               0.24026 + OZONE_450 + 0.1 * pow(450.0 / 545.0, -1.3), 2e-4,
               "dust by Angstrom's law beyond");
}

static void test_air_share_of_a_narrow_band_is_that_of_its_middle(void **state) {
    (void)state;
    struct nw_sky_passband b = band_of(500.7, 0.01);
    b.airmass = 1.7;
    check_near(nw_sky_air_share(&b),
               pow(10.0, -0.4 * 1.7 * nw_sky_extinction_at(0.12, 2400.0, 500.7e-9)), 1e-6,
               "definition");
    struct nw_sky_passband none = band_of(550, 300);
    none.airmass = 0.0;
    check_near(nw_sky_air_share(&none), 1.0, 1e-12, "no air");
}

static void test_dark_sky_has_the_colours_it_was_seen_with(void **state) {
    (void)state;
    const double dark = nw_sky_nl_of_mag(21.6);
    /* photons against V of B 22.6, V 21.6, R 20.9 by their own zero points */
    const struct nw_sky_passband blue = band_of(438, 90);
    const struct nw_sky_passband visual = band_of(545, 90);
    const struct nw_sky_passband red = band_of(641, 140);
    check_near(nw_sky_dark_factor(&blue, dark), pow(10, -0.4 * 1.0) * 1392.6 / 995.5, 0.03,
               "PHO-19v2: B 22.6");
    /* a box has the lines whole, the V curve has 0.95 and less of them */
    check_near(nw_sky_dark_factor(&visual, dark), 1.0, 0.04, "V is V");
    check_near(nw_sky_dark_factor(&red, dark), pow(10, 0.4 * 0.7) * 702.0 / 995.5, 0.12,
               "PHO-19v2: R 20.9");
}

static void test_between_the_lines_it_is_darker(void **state) {
    (void)state;
    const double dark = nw_sky_nl_of_mag(21.6);
    const struct nw_sky_passband oxygen = band_of(500.7, 3.0);
    const struct nw_sky_passband on_line = band_of(557.7, 3.0);
    const double between = nw_sky_dark_factor(&oxygen, dark);
    assert_true(between > 0.5 && between < 0.75);
    /* 250 R in 3 nm over the photons of V 21.6 there: closed form */
    const double line = 250.0 * 0.0187043 / (9.955e16 * pow(10, -0.4 * 21.6) * 3e-9);
    check_near(nw_sky_dark_factor(&on_line, dark), 0.727 + line, 0.02, "one line in 3 nm");
    /* lamps of the town are flat: half of the light is theirs at 0.75 mag more */
    const double town = nw_sky_nl_of_mag(21.6) * 2.0;
    check_near(nw_sky_dark_factor(&oxygen, town), 0.5 * between + 0.5, 1e-6, "half natural");
}

static void test_moonlight_is_bluer_and_twilight_as_seen(void **state) {
    (void)state;
    const struct nw_sky_passband blue = band_of(450, 100);
    const struct nw_sky_passband green = band_of(545, 1);
    const struct nw_sky_passband narrow = band_of(656.3, 3);
    check_near(nw_sky_moon_factor(&green), 1.0, 0.005, "V is V");
    assert_true(nw_sky_moon_factor(&blue) > 1.1 && nw_sky_moon_factor(&narrow) < 0.75);
    const struct nw_sky_passband r = band_of(641, 1);
    const struct nw_sky_passband b = band_of(438, 1);
    check_near(nw_sky_twilight_factor(&r), pow(10, 0.4 * 0.37) * 702.0 / 995.5, 0.01,
               "PHO-19: R 17.635, V 18.005 at 100 deg");
    check_near(nw_sky_twilight_factor(&b), pow(10, 0.4 * 0.135) * 1392.6 / 995.5, 0.01,
               "PHO-19: B 17.870");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_extinction_of_a_good_site),
        cmocka_unit_test(test_molecules_are_those_of_the_table),
        cmocka_unit_test(test_air_share_of_a_narrow_band_is_that_of_its_middle),
        cmocka_unit_test(test_dark_sky_has_the_colours_it_was_seen_with),
        cmocka_unit_test(test_between_the_lines_it_is_darker),
        cmocka_unit_test(test_moonlight_is_bluer_and_twilight_as_seen),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
