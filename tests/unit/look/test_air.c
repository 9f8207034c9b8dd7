/* test_air.c - dispersion in pixels against published values; which way is up on a frame. */
#include "check.h"
#include "look/causes.h"

/* Conditions of the paper's table: 600 mmHg, 7 deg C, 8 mmHg of water vapour (saturation at 7 deg
 * C: 7.513 mmHg by the usual formulas, so humidity is a little over 1). */
static struct nw_frame_air table_air(double sec_z) {
    return (struct nw_frame_air){.zenith_rad = acos(1.0 / sec_z),
                                 .scale_rad_px = 1.0 / NW_ARCSEC_PER_RAD,
                                 .air = {.pressure_Pa = 600.0 * 133.322387,
                                         .temperature_K = 280.15,
                                         .relative_humidity = 1.065},
                                 .up_rad = NAN};
}

static void test_between_colours_as_filippenko_printed_it(void **state) {
    (void)state;
    const struct nw_frame_air air = table_air(1.5);
    check_near(nw_dispersion_between(&air, 400e-9, 500e-9).px, 0.71, 0.01, "ATM-01.2, 4000 A");
    check_near(nw_dispersion_between(&air, 650e-9, 500e-9).px, -0.50, 0.01, "ATM-01.2, 6500 A");
    check_near(nw_dispersion_between(&air, 400e-9, 650e-9).px, 1.21, 0.015, "their difference");
    assert_true(nw_dispersion_between(&air, 400e-9, 500e-9).sigma_px > 0.02);
    const struct nw_frame_air none = {.zenith_rad = NAN, .scale_rad_px = 1e-6};
    assert_true(isnan(nw_dispersion_between(&none, 400e-9, 500e-9).px));
}

static void test_variance_of_a_band(void **state) {
    (void)state;
    const struct nw_frame_air air = table_air(2.0);
    /* a narrow band is a line as long as the difference of its ends: length^2 / 12 */
    const double length = nw_dispersion_between(&air, 540e-9, 560e-9).px;
    check_near(nw_dispersion_variance_px2(&air, 540e-9, 560e-9), length * length / 12.0,
               0.01 * length * length / 12.0, "uniform line: length^2 / 12");
    assert_true(isnan(nw_dispersion_variance_px2(&air, NAN, NAN)));
}

static void test_up_is_north_on_the_meridian(void **state) {
    (void)state;
    struct nw_card cards[4];
    memset(cards, 0, sizeof cards);
    static const char *const texts[4][2] = {
        {"CTYPE1", "RA---TAN"}, {"CD1_1", "-0.0003"}, {"CD2_2", "0.0003"}, {"CD1_2", "0"}};
    for (int i = 0; i < 4; i++) {
        nw_text_copy(cards[i].key, sizeof cards[i].key, texts[i][0]);
        nw_text_copy(cards[i].value, sizeof cards[i].value, texts[i][1]);
    }
    struct nw_frame frame = {.cards = cards, .n_cards = 4};
    struct nw_frame_facts *const f = &frame.facts;
    const double t = 1.78e9;
    *f = (struct nw_frame_facts){.t_start_utc_s = t - 30.0,
                                 .exposure_s = 60.0,
                                 .latitude_rad = 48.0 * NW_RAD_PER_DEG,
                                 .longitude_rad = 0.2,
                                 .elevation_m = 400.0,
                                 .airmass = NAN,
                                 .altitude_rad = NAN};
    f->dec_rad = 10.0 * NW_RAD_PER_DEG;
    f->ra_rad = nw_sky_sidereal_time_rad(t, 0.2);
    struct nw_frame_air air = nw_frame_air_of(&frame);
    /* precession turns the pole by less than 0.2 deg in these years */
    check_near(air.up_rad, NW_PI / 2.0, 0.01, "on the meridian up is north: +y here");
    check_near(air.zenith_rad, 38.0 * NW_RAD_PER_DEG, 0.005, "latitude - declination");
    f->ra_rad -= 0.8; /* three hours west: the zenith lies north and east of it */
    air = nw_frame_air_of(&frame);
    /* east is -x here */
    assert_true(air.up_rad > NW_PI / 2.0 + 0.2 && air.up_rad < NW_PI);
    f->latitude_rad = NAN;
    air = nw_frame_air_of(&frame);
    assert_true(isnan(air.up_rad) && isnan(air.zenith_rad));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_between_colours_as_filippenko_printed_it),
        cmocka_unit_test(test_variance_of_a_band),
        cmocka_unit_test(test_up_is_north_on_the_meridian),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
