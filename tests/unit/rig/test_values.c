/* test_values.c - what a value may be: sigma and from, ranges, words, parts; every message. */
#include "support.h"

/* SMALL_RIG with one value replaced through an override: the message then begins "--set". */
#define REFUSED(setting, status, message) must_refuse(SMALL_RIG, setting, status, message)

static void test_sigma_and_from(void **state) {
    (void)state;
    static const struct {
        const char *setting;
        double v, sigma;
        enum nw_from from;
        const char *source;
    } rows[] = {
        {"site.elevation=437 m", 437.0, NAN, NW_FROM_GIVEN, "plain: given, sigma not stated"},
        {"site.elevation={value: 437 m, sigma: 5 %}", 437.0, 21.85, NW_FROM_GIVEN, "0.05 * 437"},
        {"site.elevation={value: -40 m, sigma: 5%}", -40.0, 2.0, NW_FROM_GIVEN, "0.05 * |-40|"},
        {"site.elevation={value: 0.4 km, sigma: 10 m, from: header}", 400.0, 10.0, NW_FROM_HEADER,
         "as written"},
        {"site.elevation={value: 1 m, from: measured}", 1.0, NAN, NW_FROM_MEASURED, "as written"},
        {"site.elevation={sigma: 2 m, value: 1 m, from: assumed}", 1.0, 2.0, NW_FROM_ASSUMED,
         "order of keys does not count"},
        {"site.elevation={value: 1 m, from: given}", 1.0, NAN, NW_FROM_GIVEN, "as written"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_rig *rig = must_read(SMALL_RIG, rows[i].setting);
        const struct nw_val *const val = &rig->site.elevation_m;
        check_near(val->v, rows[i].v, 1e-12 * fabs(rows[i].v), rows[i].source);
        if (isnan(rows[i].sigma)) {
            assert_true(isnan(val->sigma));
        } else {
            check_near(val->sigma, rows[i].sigma, 1e-12 * rows[i].sigma, rows[i].source);
        }
        assert_int_equal(val->from, rows[i].from);
        nw_rig_free(rig);
    }
}

static void test_the_sigma_of_a_temperature_is_a_difference(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(SMALL_RIG, "site.temperature={value: -5 degC, sigma: 2 K}");
    check_near(rig->site.temperature_K.v, 268.15, 1e-9, "273.15 - 5");
    check_near(rig->site.temperature_K.sigma, 2.0, 1e-12, "a difference has no zero point");
    nw_rig_free(rig);
    REFUSED("site.temperature={value: -5 degC, sigma: 2 degC}", NW_FORMAT,
            "--set: site.temperature.sigma: \"2 degC\" is a temperature, expected a temperature "
            "difference: write \"2 K\"");
    REFUSED("site.temperature={value: -5 degC, sigma: 5 %}", NW_FORMAT,
            "--set: site.temperature.sigma: \"5 %\" of a temperature has no meaning, expected a "
            "difference such as \"0.5 K\"");
}

static void test_wrong_sigma_and_from_are_refused(void **state) {
    (void)state;
    REFUSED("site.elevation={value: 1 m, sigma: -1 m}", NW_DOMAIN,
            "--set: site.elevation.sigma: \"-1 m\" is no standard error, expected 0 or more");
    REFUSED("site.elevation={value: 1 m, sigma: 3 arcsec}", NW_FORMAT,
            "--set: site.elevation.sigma: \"3 arcsec\" is an angle, expected a length, for "
            "example \"448 mm\"");
    REFUSED("site.elevation={value: 1 m, from: guessed}", NW_FORMAT,
            "--set: site.elevation.from: found 'guessed', expected given, header, assumed or "
            "measured");
    REFUSED("site.elevation={value: 1 m, from: asumed}", NW_FORMAT,
            "--set: site.elevation.from: found 'asumed', expected given, header, assumed or "
            "measured; nearest is 'assumed'");
    REFUSED("site.elevation={value: 1 m, sgima: 1 m}", NW_NOTFOUND,
            "--set: site.elevation: unknown key 'sgima', expected value, sigma or from; nearest "
            "is 'sigma'");
    REFUSED("site.elevation={sigma: 1 m}", NW_FORMAT, "--set: site.elevation: 'value' is missing");
}

static void test_wrong_units_and_ranges_say_what_was_expected(void **state) {
    (void)state;
    REFUSED("site.seeing=2", NW_FORMAT,
            "--set: site.seeing: \"2\" has no unit, expected an angle, for example "
            "\"1.7 arcsec\"");
    REFUSED("site.seeing=2 mm", NW_FORMAT,
            "--set: site.seeing: \"2 mm\" is a length, expected an angle, for example "
            "\"1.7 arcsec\"");
    REFUSED("site.seeing=90 arcsec", NW_DOMAIN,
            "--set: site.seeing: 90 arcsec is out of range, expected 0.2 arcsec to 20 arcsec");
    REFUSED("site.humidity=70", NW_DOMAIN,
            "--set: site.humidity: 70 is out of range, expected 0 to 1");
    REFUSED("setups.one.binning=1.5", NW_DOMAIN,
            "--set: setups.one.binning: 1.5 is no whole number, expected 1 to 8");
    REFUSED("cameras.camera.width=100.5", NW_DOMAIN,
            "--set: cameras.camera.width: 100.5 is no whole number, expected 16 to 100000");
    REFUSED("site.seeing=[1 arcsec]", NW_FORMAT,
            "--set: site.seeing: found a list, expected an angle such as \"2.0 arcsec\"");
    REFUSED("site.seeing=''", NW_FORMAT,
            "--set: site.seeing: has no value, expected an angle such as \"2.0 arcsec\"");
    REFUSED("nightwright=2", NW_FORMAT, "--set: nightwright: found '2', expected 1");
}

static void test_faults_in_the_file_have_line_and_column_of_the_value(void **state) {
    (void)state;
    must_refuse("nightwright: 1\nsite:\n  latitude: -32 deg\n  longitude: 147 deg\n"
                "  seeing: 90 arcsec\n",
                NULL, NW_DOMAIN,
                "rig.yaml:5:11: site.seeing: 90 arcsec is out of range, expected 0.2 arcsec to "
                "20 arcsec");
    must_refuse("nightwright: 1\nsite:\n  latitude: -32 deg\n  longitude: 147 deg\n"
                "  seeing:\n    value: 2 arcsec\n    sigma: 1 mm\n",
                NULL, NW_FORMAT,
                "rig.yaml:7:12: site.seeing.sigma: \"1 mm\" is a length, expected an angle, for "
                "example \"1.7 arcsec\"");
}

static void test_limits_of_a_range_belong_to_it(void **state) {
    (void)state;
    nw_rig_free(must_read(SMALL_RIG, "site.seeing=0.2 arcsec"));
    nw_rig_free(must_read(SMALL_RIG, "site.seeing=20 arcsec"));
    nw_rig_free(must_read(SMALL_RIG, "site.latitude=-90 deg"));
    nw_rig_free(must_read(SMALL_RIG, "site.longitude=360 deg"));
    REFUSED("site.latitude=-90.001 deg", NW_DOMAIN,
            "--set: site.latitude: -90.001 deg is out of range, expected -90 deg to 90 deg");
}

static void test_words_and_texts(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(SMALL_RIG, "setups.one.habits.resampling=lanczos3");
    assert_string_equal(rig->setups[0].resampling, "lanczos3");
    nw_rig_free(rig);
    rig = must_read(SMALL_RIG, "cameras.camera.pattern=mono");
    assert_string_equal(rig->setups[0].camera.pattern, "");
    nw_rig_free(rig);
    rig = must_read(SMALL_RIG, "cameras.camera.pattern=GBRG");
    assert_string_equal(rig->setups[0].camera.pattern, "GBRG");
    check_near(rig->setups[0].filter.centre_m.v, 530e-9, 1e-15, "colour camera: judged in green");
    nw_rig_free(rig);
    REFUSED("cameras.camera.pattern=RGBG", NW_FORMAT,
            "--set: cameras.camera.pattern: found 'RGBG', expected mono, RGGB, BGGR, GRBG or "
            "GBRG; nearest is 'RGGB'");
    REFUSED("name=12345678901234567890123456789012345678901234567890", NW_FORMAT,
            "--set: name: text of 50 bytes, expected one line of at most 47");
    REFUSED("name=\"a\\tb\"", NW_FORMAT,
            "--set: name: text of 3 bytes, expected one line of at most 47");
    REFUSED("name={a: b}", NW_FORMAT, "--set: name: found a section, expected a short text");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_sigma_and_from),
        cmocka_unit_test(test_the_sigma_of_a_temperature_is_a_difference),
        cmocka_unit_test(test_wrong_sigma_and_from_are_refused),
        cmocka_unit_test(test_wrong_units_and_ranges_say_what_was_expected),
        cmocka_unit_test(test_faults_in_the_file_have_line_and_column_of_the_value),
        cmocka_unit_test(test_limits_of_a_range_belong_to_it),
        cmocka_unit_test(test_words_and_texts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
