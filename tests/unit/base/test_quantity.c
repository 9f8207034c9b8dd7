/* test_quantity.c - numbers with units: factors, compounds, and what each refusal says. */
#include "base/quantity.h"

#include <stdbool.h>

#include "base/constants.h"
#include "check.h"

static double read_ok(const char *text, enum nw_dim dim) {
    struct nw_err err = {0};
    double value = (double)NAN;
    if (nw_quantity_read(text, dim, &value, &err) != NW_OK) {
        print_error("\"%s\": %s\n", text, err.text);
        fail();
    }
    return value;
}

static void refused(const char *text, enum nw_dim dim, enum nw_status want, const char *message) {
    struct nw_err err = {0};
    double value = 42.0;
    assert_int_equal(nw_quantity_read(text, dim, &value, &err), want);
    assert_int_equal(err.status, want);
    assert_string_equal(err.text, message);
    assert_true(value > 41.0 && value < 43.0); /* written only on NW_OK */
}

static const struct {
    const char *text;
    enum nw_dim dim;
    double want;
    const char *source;
} readings[] = {
    {"448 mm", NW_DIM_LENGTH, 0.448, "SI prefix"},
    {"3.76um", NW_DIM_LENGTH, 3.76e-6, "SI prefix, no blank"},
    {" 3.76 \xC2\xB5m ", NW_DIM_LENGTH, 3.76e-6, "micro sign U+00B5"},
    {"3.76 \xCE\xBCm", NW_DIM_LENGTH, 3.76e-6, "Greek mu U+03BC"},
    {"8 in", NW_DIM_LENGTH, 0.2032, "NIST SP 811 (2008) B.8: 1 in = 2.54e-2 m exactly"},
    {"1 ft", NW_DIM_LENGTH, 0.3048, "NIST SP 811 B.8: 3.048e-1 m exactly"},
    {"1 lb", NW_DIM_MASS, 0.45359237, "NIST SP 811 B.8: 4.535924e-1, exact value note 22"},
    {"1 oz", NW_DIM_MASS, 2.8349523125e-2, "NIST SP 811 B.8: 2.834952e-2 kg"},
    {"1 mmHg", NW_DIM_PRESSURE, 133.3224, "NIST SP 811 B.8: 1.333224e2 Pa"},
    {"1013.25 hPa", NW_DIM_PRESSURE, 101325.0, "NIST SP 811 B.8: 1 atm"},
    {"206264.806247 arcsec", NW_DIM_ANGLE, 1.0, "180 * 3600 / pi"},
    {"180 deg", NW_DIM_ANGLE, NW_PI, "definition"},
    {"1.7\"", NW_DIM_ANGLE, 1.7 / 206264.806247, "double prime sign as seconds of arc"},
    {"60 \xE2\x80\xB2", NW_DIM_ANGLE, NW_PI / 180.0, "prime sign U+2032 as minutes of arc"},
    {"15.04106864 arcsec/s", NW_DIM_ANGULAR_RATE, 7.292115855e-5, "REFERENCES EPH-21"},
    {"1 yr", NW_DIM_TIME, 31557600.0, "Julian year, IAU: 365.25 d"},
    {"-10 degC", NW_DIM_TEMPERATURE, 263.15, "SI Brochure 2.3.1"},
    {"-40 degF", NW_DIM_TEMPERATURE, 233.15, "-40 degF = -40 degC"},
    {"14 degF", NW_DIM_TEMPERATURE, 263.15, "NIST SP 811 B.8: (t - 32) / 1.8"},
    {"5 K", NW_DIM_TEMPERATURE, 5.0, "kelvin is absolute"},
    {"0.5 K", NW_DIM_TEMPERATURE_DIFFERENCE, 0.5, "kelvin is a difference too"},
    {"-1.2 degC/h", NW_DIM_TEMPERATURE_RATE, -1.2 / 3600.0, "a rate is a difference"},
    {"23.6 um/m/K", NW_DIM_EXPANSION, 23.6e-6, "definition"},
    {"23.6 ppm/K", NW_DIM_EXPANSION, 23.6e-6, "definition"},
    {"23.6 um.m^-1.K-1", NW_DIM_EXPANSION, 23.6e-6, "definition"},
    {"16 um/degC", NW_DIM_LENGTH_PER_TEMPERATURE, 16e-6, "definition"},
    {"36 km/h", NW_DIM_SPEED, 10.0, "3.6 km/h = 1 m/s"},
    {"2 A V", NW_DIM_POWER, 2.0, "W = V A"},
    {"25 N.m/s", NW_DIM_POWER, 25.0, "W = N m / s"},
    {"3 V/ohm", NW_DIM_CURRENT, 3.0, "A = V / ohm"},
    {"10 Wh/h", NW_DIM_POWER, 10.0, "definition"},
    {"5 A ohm/km * km", NW_DIM_VOLTAGE, 5.0, "V = A ohm"},
    {"1.6 e", NW_DIM_ELECTRONS, 1.6, "counted as such"},
    {"1.6e", NW_DIM_ELECTRONS, 1.6, "an e without digits is the unit"},
    {"1.6e-", NW_DIM_ELECTRONS, 1.6, "e- is the electron too"},
    {"1e3 e-", NW_DIM_ELECTRONS, 1000.0, "number with exponent, then the unit"},
    {"0.25 e-/ADU", NW_DIM_ELECTRONS_PER_ADU, 0.25, "counted as such"},
    {"3.6 e/h", NW_DIM_ELECTRONS_PER_TIME, 0.001, "definition"},
    {"21.2 mag/arcsec2", NW_DIM_SURFACE_BRIGHTNESS, 21.2, "kept as it is"},
    {"21.2 mag/arcsec^2", NW_DIM_SURFACE_BRIGHTNESS, 21.2, "kept as it is"},
    {"50 mmag", NW_DIM_MAGNITUDE, 0.05, "SI prefix"},
    {"2.5 m2", NW_DIM_AREA, 2.5, "SI"},
    {"250 cm2", NW_DIM_AREA, 0.025, "SI prefix"},
    {"12 m^3", NW_DIM_VOLUME, 12.0, "SI"},
    {"0.5 1/h", NW_DIM_RATE, 0.5 / 3600.0, "h = 3600 s"},
    {"0.15 kg/h", NW_DIM_MASS_RATE, 0.15 / 3600.0, "h = 3600 s"},
    {"9 kJ/K", NW_DIM_HEAT_CAPACITY, 9000.0, "SI prefix"},
    {"5 W/K", NW_DIM_CONDUCTANCE, 5.0, "SI"},
    {"0.5 m2 K/W", NW_DIM_INSULATION, 0.5, "SI"},
    {"5 kJ/g", NW_DIM_SPECIFIC_ENERGY, 5e6, "SI prefix"},
    {"1.4 kWh/kg", NW_DIM_SPECIFIC_ENERGY, 5.04e6, "kWh = 3.6 MJ"},
    {"1 MiB", NW_DIM_DATA_SIZE, 1048576.0, "IEC 80000-13"},
    {"52 MB", NW_DIM_DATA_SIZE, 52e6, "SI prefix"},
    {"80 %", NW_DIM_NUMBER, 0.8, "definition"},
    {"-.5e1", NW_DIM_NUMBER, -5.0, "number form"},
    {"+5.", NW_DIM_NUMBER, 5.0, "number form"},
};

static void test_units_agree_with_published_factors(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof readings / sizeof readings[0]; i++) {
        const double tol = 1e-9 * fabs(readings[i].want);
        const bool is_rounded =
            strstr(readings[i].text, "mmHg") || strstr(readings[i].text, "15.04");
        check_near(read_ok(readings[i].text, readings[i].dim), readings[i].want,
                   is_rounded ? 1e3 * tol : tol, readings[i].source);
    }
}

static void test_every_example_reads_as_its_own_dimension(void **state) {
    (void)state;
    static const enum nw_dim dims[] = {
#define X(name, words, example) NW_DIM_##name,
        NW_DIM_LIST(X)
#undef X
    };
    for (size_t i = 0; i < sizeof dims / sizeof dims[0]; i++) {
        for (size_t j = 0; j < sizeof dims / sizeof dims[0]; j++) {
            double value = 0.0;
            const bool is_ok =
                nw_quantity_read(nw_dim_example(dims[j]), dims[i], &value, NULL) == NW_OK;
            /* kelvin alone serves both; everything else reads as itself only */
            const bool is_kelvin =
                dims[i] == NW_DIM_TEMPERATURE && dims[j] == NW_DIM_TEMPERATURE_DIFFERENCE;
            assert_int_equal(is_ok, i == j || is_kelvin);
        }
    }
}

static void test_refusals_say_found_and_expected(void **state) {
    (void)state;
    const char *const length = "expected a length, for example \"448 mm\"";
    char text[300];
    (void)snprintf(text, sizeof text, "\"448\" has no unit, %s", length);
    refused("448", NW_DIM_LENGTH, NW_FORMAT, text);
    (void)snprintf(text, sizeof text, "\"25 W\" is a power, %s", length);
    refused("25 W", NW_DIM_LENGTH, NW_FORMAT, text);
    (void)snprintf(text, sizeof text, "\"3 N.m\" is a turning moment, %s", length);
    refused("3 N.m", NW_DIM_LENGTH, NW_FORMAT, text);
    (void)snprintf(text, sizeof text, "unknown unit \"mmm\", the nearest is \"mm\"; %s", length);
    refused("448 mmm", NW_DIM_LENGTH, NW_FORMAT, text);
    (void)snprintf(text, sizeof text, "unknown unit \"qqqqqq\"; %s", length);
    refused("448 qqqqqq", NW_DIM_LENGTH, NW_FORMAT, text);
    (void)snprintf(text, sizeof text, "\"long\" is not a number; %s", length);
    refused("long", NW_DIM_LENGTH, NW_FORMAT, text);
    (void)snprintf(text, sizeof text, "\"\" is not a number; %s", length);
    refused("", NW_DIM_LENGTH, NW_FORMAT, text);
    (void)snprintf(text, sizeof text, "\"nan mm\" is not a number; %s", length);
    refused("nan mm", NW_DIM_LENGTH, NW_FORMAT, text);
    (void)snprintf(text, sizeof text, "\"0x10 mm\": unknown unit");
    refused("1e308 km", NW_DIM_LENGTH, NW_FORMAT, "\"1e308 km\" is too large a number");
    refused("1e999 mm", NW_DIM_LENGTH, NW_FORMAT, "\"1e999 mm\" is too large a number");
    (void)snprintf(text, sizeof text, "\"3,76 um\": write a decimal point, not a comma; %s",
                   length);
    refused("3,76 um", NW_DIM_LENGTH, NW_FORMAT, text);
    refused("-33:27:00", NW_DIM_ANGLE, NW_FORMAT,
            "\"-33:27:00\": sexagesimal numbers are not read; expected an angle, for example "
            "\"1.7 arcsec\"");
    refused("0.8 m", NW_DIM_NUMBER, NW_FORMAT,
            "\"0.8 m\" is a length, expected a plain number, for example \"0.8\"");
    refused("21 mag/arcmin2", NW_DIM_SURFACE_BRIGHTNESS, NW_FORMAT,
            "\"21 mag/arcmin2\" is not per square arcsecond, expected mag/arcsec2");
}

static void test_temperature_traps(void **state) {
    (void)state;
    refused("5 degC", NW_DIM_TEMPERATURE_DIFFERENCE, NW_FORMAT,
            "\"5 degC\" is a temperature, expected a temperature difference: write \"5 K\"");
    refused("9 degF", NW_DIM_TEMPERATURE_DIFFERENCE, NW_FORMAT,
            "\"9 degF\" is a temperature, expected a temperature difference: write \"5 K\"");
    refused("-10 C", NW_DIM_TEMPERATURE, NW_FORMAT,
            "unknown unit \"C\", the nearest is \"degC\"; expected a temperature, for example "
            "\"-10 degC\"");
    refused("-10 K", NW_DIM_TEMPERATURE, NW_DOMAIN,
            "\"-10 K\" is below absolute zero, expected a temperature, for example \"-10 degC\"");
    double factor = 0.0;
    double offset = 0.0;
    assert_int_equal(nw_unit_read("degC", NW_DIM_TEMPERATURE, &factor, &offset, NULL), NW_OK);
    check_near(factor, 1.0, 0.0, "SI Brochure 2.3.1");
    check_near(offset, 273.15, 0.0, "SI Brochure 2.3.1");
    assert_int_equal(nw_unit_read("degC", NW_DIM_TEMPERATURE_DIFFERENCE, &factor, &offset, NULL),
                     NW_FORMAT);
}

static void test_malformed_units_are_refused(void **state) {
    (void)state;
    static const char *const texts[] = {
        "1 m/",
        "1 /m",
        "1 m//m",
        "1 m^",
        "1 m^-",
        "1 m0",
        "1 m22",
        "1 m-",
        "1 .m",
        "1 m.",
        "1 (m)",
        "1 m\x01",
        "1 m m m m m m m m m",
        "1 \xFF",
        "1 aaaaaaaaaaaaaaaaaaaaaaaaaaa",
        "0x10 m",
        "1 1",
        "1..2 m",
        "1-2 m",
        "--1 m",
        "1 m 5",
    };
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct nw_err err = {0};
        double value = 0.0;
        if (nw_quantity_read(texts[i], NW_DIM_LENGTH, &value, &err) != NW_FORMAT) {
            print_error("accepted \"%s\"\n", texts[i]);
            fail();
        }
        assert_true(strlen(err.text) > 10);
    }
}

static void test_writing_then_reading_gives_the_value_back(void **state) {
    (void)state;
    const struct {
        double value_si;
        enum nw_dim dim;
        const char *unit, *want;
    } rows[] = {
        {0.448, NW_DIM_LENGTH, "mm", "448 mm"},
        {263.15, NW_DIM_TEMPERATURE, "degC", "-10 degC"},
        {1.7 / NW_ARCSEC_PER_RAD, NW_DIM_ANGLE, "arcsec", "1.7 arcsec"},
        {0.8, NW_DIM_NUMBER, "", "0.8"},
        {52e6, NW_DIM_DATA_SIZE, "MB", "52 MB"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[40];
        assert_int_equal(nw_quantity_write(rows[i].value_si, rows[i].dim, rows[i].unit, 12, text,
                                           sizeof text, NULL),
                         NW_OK);
        assert_string_equal(text, rows[i].want);
        check_near(read_ok(text, rows[i].dim), rows[i].value_si, 1e-11 * rows[i].value_si,
                   "there and back, 12 digits");
    }
    char text[4] = "";
    assert_int_equal(nw_quantity_write(0.448, NW_DIM_LENGTH, "mm", 6, text, sizeof text, NULL),
                     NW_LIMIT);
    assert_int_equal(nw_quantity_write((double)NAN, NW_DIM_LENGTH, "mm", 6, text, 4, NULL),
                     NW_DOMAIN);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_units_agree_with_published_factors),
        cmocka_unit_test(test_every_example_reads_as_its_own_dimension),
        cmocka_unit_test(test_refusals_say_found_and_expected),
        cmocka_unit_test(test_temperature_traps),
        cmocka_unit_test(test_malformed_units_are_refused),
        cmocka_unit_test(test_writing_then_reading_gives_the_value_back),
    };
    return cmocka_run_group_tests_name("base_quantity", tests, NULL, NULL);
}
