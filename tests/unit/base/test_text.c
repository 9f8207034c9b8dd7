/* test_text.c - strict numbers, nearest names, UTF-8, ISO 8601 times. */
#include "base/text.h"

#include <float.h>
#include <limits.h>

#include "check.h"

static void test_numbers_are_the_nearest_doubles(void **state) {
    (void)state;
    const struct {
        const char *text;
        double want;
        const char *source;
    } rows[] = {
        {"0", 0.0, "definition"},
        {" -12.5 ", -12.5, "exact in binary"},
        {"1e3", 1000.0, "exact in binary"},
        {".5", 0.5, "exact in binary"},
        {"5.", 5.0, "exact in binary"},
        {"0.0001e4", 1.0, "exact in binary"},
        {"000000000000000000000000000000000000000001", 1.0, "leading zeros"},
        {"0.1", 0.1, "C17 6.4.4.2: the compiler's nearest double"},
        {"3.141592653589793238462643383279502884", 3.141592653589793, "compiler"},
        {"2.2250738585072014e-308", DBL_MIN, "C17 5.2.4.2.2"},
        {"1.7976931348623157e308", DBL_MAX, "C17 5.2.4.2.2"},
        {"4.9e-324", 0x1p-1074, "IEEE 754 smallest subnormal"},
        {"1e-400", 0.0, "rounds to zero"},
        {"9007199254740993", 9007199254740992.0, "2^53 + 1 is a tie: even (IEEE 754)"},
        {"9007199254740993.00000000000000000000000000000000001", 9007199254740994.0,
         "just above the tie"},
        {"1E+2", 100.0, "exact in binary"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        double value = 7.0;
        if (!nw_text_to_double(rows[i].text, &value)) {
            print_error("refused \"%s\"\n", rows[i].text);
            fail();
        }
        check_near(value, rows[i].want, 0.0, rows[i].source);
    }
}

static void test_digits_past_800_still_decide(void **state) {
    (void)state;
    char text[1200] = "9007199254740993.";
    const size_t len = strlen(text);
    memset(text + len, '0', 1000);
    text[len + 1000] = '\0';
    double value = 0.0;
    assert_true(nw_text_to_double(text, &value));
    check_near(value, 9007199254740992.0, 0.0, "a tie rounds to even (IEEE 754)");
    text[len + 999] = '1';
    assert_true(nw_text_to_double(text, &value));
    check_near(value, 9007199254740994.0, 0.0, "above a tie rounds up");
    memset(text, '1', 1100);
    text[1100] = '\0';
    assert_false(nw_text_to_double(text, &value)); /* 1.1e1099 is not finite */
}

static void test_what_is_no_finite_number_is_refused(void **state) {
    (void)state;
    static const char *const texts[] = {
        "",    " ",     "abc",   "1a",  "1 2",          "nan",
        "inf", "0x10",  "1e",    "1e+", "1,5",          "--1",
        "+-1", "1e999", ".",     "e5",  "1.2.3",        "1e5.5",
        "-",   "+",     "1_000", "1d3", "\xC2\xA0\x31", "1e99999999999999999999"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        double value = 7.0;
        if (nw_text_to_double(texts[i], &value)) {
            print_error("accepted \"%s\"\n", texts[i]);
            fail();
        }
        check_near(value, 7.0, 0.0, "written only on success");
    }
}

static void test_whole_numbers(void **state) {
    (void)state;
    long value = 0;
    assert_true(nw_text_to_long(" -42 ", &value));
    assert_int_equal(value, -42);
    assert_true(nw_text_to_long("9223372036854775807", &value));
    assert_true(value == LONG_MAX);
    assert_true(nw_text_to_long("010", &value)); /* decimal, not octal */
    assert_int_equal(value, 10);
    static const char *const texts[] = {"", "1.0", "1e3", "0x1", "9223372036854775808", "- 1", "x"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        assert_false(nw_text_to_long(texts[i], &value));
    }
}

static void test_case_is_ignored_where_said(void **state) {
    (void)state;
    assert_true(nw_text_equal_nocase("BayerPat", "BAYERPAT"));
    assert_false(nw_text_equal_nocase("a", "ab"));
    assert_false(nw_text_equal_nocase("ab", "a"));
    assert_true(nw_text_equal_nocase("", ""));
    assert_true(nw_text_ends_nocase("night.FITS", ".fits"));
    assert_false(nw_text_ends_nocase("fits", ".fits"));
    assert_true(nw_text_ends_nocase("x", ""));
}

static void test_nearest_name(void **state) {
    (void)state;
    static const char *const names[] = {"focal_length", "aperture", "pixel", "gain", "mm", "s"};
    const size_t n = sizeof names / sizeof names[0];
    assert_string_equal(nw_text_nearest("focal_lenght", names, n), "focal_length"); /* a swap */
    assert_string_equal(nw_text_nearest("Aperature", names, n), "aperture");
    assert_string_equal(nw_text_nearest("pixels", names, n), "pixel");
    assert_string_equal(nw_text_nearest("gian", names, n), "gain");
    assert_null(nw_text_nearest("temperature", names, n));
    assert_null(nw_text_nearest("qq", names, n)); /* distance 2, but nothing in common */
    assert_null(nw_text_nearest("", names, n));
    assert_null(nw_text_nearest("pixel", names, 0));
    char word[300];
    memset(word, 'a', sizeof word - 1);
    word[sizeof word - 1] = '\0';
    assert_null(nw_text_nearest(word, names, n));
}

static void test_utf8_as_the_standard_draws_it(void **state) {
    (void)state;
    const struct {
        const char *bytes;
        bool want;
    } rows[] = {
        /* Unicode 15, table 3-7 and the examples of section 3.9 */
        {"plain", true},
        {"\xC2\xB5m", true},
        {"\xE2\x80\xB3", true},
        {"\xF0\x9F\x94\xAD", true},
        {"\xC0\xAF", false},
        {"\xE0\x9F\xBF", false},
        {"\xED\xA0\x80", false},
        {"\xF4\x90\x80\x80", false},
        {"\xF5\x80\x80\x80", false},
        {"\xE2\x80", false},
        {"\x80", false},
        {"\xC2", false},
        {"\xF0\x8F\xBF\xBF", false},
        {"\xEF\xBF\xBF", true},
        {"\xFF", false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_int_equal(nw_text_is_utf8(rows[i].bytes, strlen(rows[i].bytes)), rows[i].want);
    }
}

static void test_copy_cuts_between_characters(void **state) {
    (void)state;
    char to[6];
    nw_text_copy(to, sizeof to, "abc\xE2\x80\xB3");
    assert_string_equal(to, "abc");
    nw_text_copy(to, sizeof to, "ab\xE2\x80\xB3");
    assert_string_equal(to, "ab\xE2\x80\xB3");
    nw_text_copy(to, 1, "abc");
    assert_string_equal(to, "");
    to[0] = 'x';
    nw_text_copy(to, 0, "abc");
    assert_int_equal(to[0], 'x');
}

static void test_times_agree_with_published_values(void **state) {
    (void)state;
    const struct {
        const char *text;
        double zone_s, want;
        const char *source;
    } rows[] = {
        {"1970-01-01T00:00:00Z", 0.0, 0.0, "POSIX epoch"},
        {"2024-03-20T03:06:00Z", 0.0, (60389.12916667 - 40587.0) * 86400.0, "REFERENCES FIT-05"},
        {"2000-01-01T12:00:00Z", 0.0, (2451545.0 - 2440587.5) * 86400.0, "J2000.0 = JD 2451545.0"},
        {"2001-09-09 01:46:40", 0.0, 1e9, "POSIX count 1e9, common knowledge"},
        {"2026-05-14T21:40:07.25+02:00", 0.0, 1778787607.25, "GNU date -u -d ... +%s"},
        {"2026-05-14T21:40:07.25", 7200.0, 1778787607.25, "the zone given by the caller"},
        {"2026-05-14T21:40:07.25Z", 7200.0, 1778794807.25, "Z overrides the caller's zone"},
        {"2026-05-14T16:10:07,25-03:30", 0.0, 1778787607.25, "comma mark and -03:30"},
        {"2026-05-14T21:40+0200", 0.0, 1778787600.0, "seconds may be left out"},
        {" 2026-05-14t19:40:00z ", 0.0, 1778787600.0, "blanks around, small letters"},
        {"2016-12-31T23:59:60.5Z", 0.0, 1483228800.0, "leap second is the next midnight"},
        {"1858-11-17T00:00:00Z", 0.0, -40587.0 * 86400.0, "MJD 0"},
        {"2024-02-29T00:00:00Z", 0.0, 1709164800.0, "GNU date -u -d 2024-02-29 +%s"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_err err = {0};
        double t = 0.0;
        if (nw_time_read_iso(rows[i].text, rows[i].zone_s, &t, &err) != NW_OK) {
            print_error("%s\n", err.text);
            fail();
        }
        /* FIT-05 gives 8 decimals of a day, 0.9 ms; doubles of this size step by 2.4e-7 s */
        check_near(t, rows[i].want, i == 1 ? 9e-4 : 1e-6, rows[i].source);
    }
}

static void test_bad_times_say_why(void **state) {
    (void)state;
    const struct {
        const char *text, *want;
    } rows[] = {
        {"yesterday", "\"yesterday\" is not a date and time, expected a time such as "
                      "2026-05-14T21:40:07.25Z"},
        {"2026-02-29T00:00:00", "\"2026-02-29T00:00:00\" names no day of the calendar"},
        {"2026-13-01T00:00:00", "\"2026-13-01T00:00:00\" names no day of the calendar"},
        {"2026-05-14", "\"2026-05-14\" has no time of day, expected a time such as "
                       "2026-05-14T21:40:07.25Z"},
        {"2026-05-14T24:00:00", "\"2026-05-14T24:00:00\" has no valid time of day, expected a "
                                "time such as 2026-05-14T21:40:07.25Z"},
        {"2026-05-14T21:40:60", "\"2026-05-14T21:40:60\" has no valid time of day, expected a "
                                "time such as 2026-05-14T21:40:07.25Z"},
        {"2026-05-14T21:40:07+2", "\"2026-05-14T21:40:07+2\" has no valid zone, expected Z or "
                                  "+hh:mm"},
        {"2026-05-14T21:40:07 pm", "\"2026-05-14T21:40:07 pm\" goes on after the time, expected "
                                   "a time such as 2026-05-14T21:40:07.25Z"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_err err = {0};
        double t = 7.0;
        assert_int_equal(nw_time_read_iso(rows[i].text, 0.0, &t, &err), NW_FORMAT);
        assert_string_equal(err.text, rows[i].want);
        check_near(t, 7.0, 0.0, "written only on NW_OK");
    }
}

static void test_times_there_and_back(void **state) {
    (void)state;
    char text[40];
    nw_time_write_iso(1778787607.25, 2, text, sizeof text);
    assert_string_equal(text, "2026-05-14T19:40:07.25Z");
    nw_time_write_iso(1778787607.75, 0, text, sizeof text);
    assert_string_equal(text, "2026-05-14T19:40:08Z");
    nw_time_write_iso(1483228799.9999, 3, text, sizeof text); /* rounds into the next year */
    assert_string_equal(text, "2017-01-01T00:00:00.000Z");
    nw_time_write_iso(-0.25, 2, text, sizeof text);
    assert_string_equal(text, "1969-12-31T23:59:59.75Z");
    nw_time_write_iso((double)NAN, 0, text, sizeof text);
    assert_string_equal(text, "-");
    nw_time_write_iso(1e18, 0, text, sizeof text);
    assert_string_equal(text, "-");
    for (double t = -62e9; t < 250e9; t += 86400.0 * 365.1234) { /* years 6 to 9892 */
        double back = 0.0;
        nw_time_write_iso(t, 6, text, sizeof text);
        assert_int_equal(nw_time_read_iso(text, 0.0, &back, NULL), NW_OK);
        check_near(back, t, 4e-5, "there and back; doubles of 2.5e11 step by 3e-5");
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_numbers_are_the_nearest_doubles),
        cmocka_unit_test(test_digits_past_800_still_decide),
        cmocka_unit_test(test_what_is_no_finite_number_is_refused),
        cmocka_unit_test(test_whole_numbers),
        cmocka_unit_test(test_case_is_ignored_where_said),
        cmocka_unit_test(test_nearest_name),
        cmocka_unit_test(test_utf8_as_the_standard_draws_it),
        cmocka_unit_test(test_copy_cuts_between_characters),
        cmocka_unit_test(test_times_agree_with_published_values),
        cmocka_unit_test(test_bad_times_say_why),
        cmocka_unit_test(test_times_there_and_back),
    };
    return cmocka_run_group_tests_name("base_text", tests, NULL, NULL);
}
