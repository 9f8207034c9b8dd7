/* test_zone.c - local clocks and written date-times. Checked against Python 3.11's zoneinfo
 * (values below, tzdata 2024a or later: rules unchanged since 1996, 2007 and 2008) and the
 * calendar. */
#include "base/base.h"
#include "check.h"

#define ZONEINFO "Python zoneinfo"

static double utc(const char *iso) {
    double t = NAN;
    assert_int_equal(nw_time_read_iso(iso, 0.0, &t, NULL), NW_OK);
    return t;
}

static void test_offsets_and_rules_are_read(void **state) {
    (void)state;
    static const struct {
        const char *text;
        double standard_h, summer_h;
    } rows[] = {
        {"UTC", 0.0, 0.0},
        {"+02:00", 2.0, 2.0},
        {"-0330", -3.5, -3.5},
        {"+5", 5.0, 5.0},
        {"CET-1CEST,M3.5.0,M10.5.0/3", 1.0, 2.0},
        {"<+0330>-3:30", 3.5, 3.5},
        {"NST3:30NDT,M3.2.0,M11.1.0", -3.5, -2.5},
        {"LHST-10:30LHDT-11,M10.1.0,M4.1.0", 10.5, 11.0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_time_zone zone = {0};
        struct nw_err err = {0};
        if (nw_time_zone_read(rows[i].text, NULL, &zone, &err) != NW_OK) {
            print_error("%s\n", err.text);
            fail();
        }
        check_near(zone.standard_s, rows[i].standard_h * 3600.0, 0.0, rows[i].text);
        check_near(zone.summer_s, rows[i].summer_h * 3600.0, 0.0, rows[i].text);
    }
}

static void test_other_zones_are_refused(void **state) {
    (void)state;
    static const char *const texts[] = {"",
                                        "Vienna",
                                        "+15:00",
                                        "+02:60",
                                        "+2:0x",
                                        "CET-1CEST",
                                        "CET-1CEST,M13.5.0,M10.5.0",
                                        "CET-1CEST,M3.6.0,M10.5.0",
                                        "../etc/passwd",
                                        "/etc/passwd",
                                        "Europe/../../x",
                                        "CET-1CEST,M3.5.0,M10.5.0x",
                                        "CET",
                                        "+",
                                        "<x-1"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct nw_time_zone zone = {0};
        struct nw_err err = {0};
        if (nw_time_zone_read(texts[i], NULL, &zone, &err) == NW_OK) {
            print_error("\"%s\" was taken\n", texts[i]);
            fail();
        }
        assert_non_null(strstr(err.text, texts[i]));
    }
}

static void test_clocks_change_when_zoneinfo_says(void **state) {
    (void)state;
    static const struct {
        const char *rule, *last_standard, *first_summer, *last_summer, *first_standard;
    } rows[] = {
        {"CET-1CEST,M3.5.0,M10.5.0/3", "2026-03-29T00:59:59Z", "2026-03-29T01:00:00Z",
         "2026-10-25T00:59:59Z", "2026-10-25T01:00:00Z"},
        {"EST5EDT,M3.2.0,M11.1.0", "2026-03-08T06:59:59Z", "2026-03-08T07:00:00Z",
         "2026-11-01T05:59:59Z", "2026-11-01T06:00:00Z"},
        {"AEST-10AEDT,M10.1.0,M4.1.0/3", "2026-10-03T15:59:59Z", "2026-10-03T16:00:00Z",
         "2026-04-04T15:59:59Z", "2026-04-04T16:00:00Z"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_time_zone zone = {0};
        assert_int_equal(nw_time_zone_read(rows[i].rule, NULL, &zone, NULL), NW_OK);
        assert_false(nw_time_zone_is_summer(&zone, utc(rows[i].last_standard)));
        assert_true(nw_time_zone_is_summer(&zone, utc(rows[i].first_summer)));
        assert_true(nw_time_zone_is_summer(&zone, utc(rows[i].last_summer)));
        assert_false(nw_time_zone_is_summer(&zone, utc(rows[i].first_standard)));
    }
}

static void test_local_time_has_one_two_or_no_utc(void **state) {
    (void)state;
    struct nw_time_zone zone = {0};
    double t[2] = {NAN, NAN};
    assert_int_equal(nw_time_zone_read("CET-1CEST,M3.5.0,M10.5.0/3", NULL, &zone, NULL), NW_OK);
    assert_int_equal(nw_time_zone_utc(&zone, utc("2026-05-14T22:00:00Z"), t), 1);
    check_near(t[0], utc("2026-05-14T20:00:00Z"), 0.0, ZONEINFO);
    assert_int_equal(nw_time_zone_utc(&zone, utc("2026-10-25T02:30:00Z"), t), 2);
    check_near(t[0], utc("2026-10-25T00:30:00Z"), 0.0, ZONEINFO);
    check_near(t[1], utc("2026-10-25T01:30:00Z"), 0.0, ZONEINFO);
    assert_int_equal(nw_time_zone_utc(&zone, utc("2026-03-29T02:30:00Z"), t), 0);
    assert_int_equal(nw_time_zone_utc(&zone, utc("2026-12-31T23:30:00Z"), t), 1);
    check_near(t[0], utc("2026-12-31T22:30:00Z"), 0.0, ZONEINFO);
}

static void test_stamps_are_read_in_many_forms(void **state) {
    (void)state;
    static const struct {
        const char *text;
        enum nw_date_order order;
        const char *iso; /* as if UTC */
        double zone_h;   /* NaN: none said */
    } rows[] = {
        {"2026-05-14T21:40:07.25Z", NW_DATE_DMY, "2026-05-14T21:40:07.25Z", 0.0},
        {"2026-05-14 21:40:07,25", NW_DATE_YMD, "2026-05-14T21:40:07.25Z", NAN},
        {"14.05.2026 21:40", NW_DATE_DMY, "2026-05-14T21:40:00Z", NAN},
        {"05/14/26 09:40:07 PM", NW_DATE_MDY, "2026-05-14T21:40:07Z", NAN},
        {"5/14/2026 12:00:07 am", NW_DATE_MDY, "2026-05-14T00:00:07Z", NAN},
        {"Thu May 14 21:40:07 2026", NW_DATE_YMD, "2026-05-14T21:40:07Z", NAN},
        {"14 May 2026, 21:40:07 +02:00", NW_DATE_YMD, "2026-05-14T21:40:07Z", 2.0},
        {"21:40:07 2026-05-14", NW_DATE_YMD, "2026-05-14T21:40:07Z", NAN},
        {"20260514T21:40:07-0330", NW_DATE_YMD, "2026-05-14T21:40:07Z", -3.5},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_stamp stamp = {0};
        if (!nw_stamp_read(rows[i].text, strlen(rows[i].text), rows[i].order, &stamp)) {
            print_error("\"%s\" was refused\n", rows[i].text);
            fail();
        }
        assert_true(stamp.has_date && stamp.has_time);
        check_near(stamp.date_s + stamp.time_s, utc(rows[i].iso), 1e-6, rows[i].text);
        assert_int_equal(stamp.has_zone, !isnan(rows[i].zone_h));
        if (stamp.has_zone) {
            check_near(stamp.zone_s, rows[i].zone_h * 3600.0, 0.0, rows[i].text);
        }
    }
    struct nw_stamp stamp = {0};
    assert_true(nw_stamp_read("00:05:00.125", 12, NW_DATE_YMD, &stamp));
    assert_true(stamp.has_time && !stamp.has_date);
    check_near(stamp.time_s, 300.125, 1e-9, "closed form");
}

static void test_what_is_no_stamp_is_refused(void **state) {
    (void)state;
    static const char *const texts[] = {"",
                                        "abc",
                                        "2026-02-30 10:00",
                                        "25:00:00",
                                        "10:61",
                                        "10:00:75",
                                        "2026-05",
                                        "12.3",
                                        "1 2 3 4",
                                        "10:00 11:00",
                                        "2026-05-14 x",
                                        "13:00 pm",
                                        "14.05.2026 21:40"}; /* as year, month, day */
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct nw_stamp stamp = {0};
        if (nw_stamp_read(texts[i], strlen(texts[i]), NW_DATE_YMD, &stamp)) {
            print_error("\"%s\" was taken\n", texts[i]);
            fail();
        }
    }
}

static void test_a_named_zone_is_its_rule(void **state) {
    (void)state;
    struct nw_time_zone named = {0};
    struct nw_time_zone rule = {0};
    struct nw_err err = {0};
    if (nw_time_zone_read("Europe/Vienna", NULL, &named, &err) == NW_NOTFOUND) {
        assert_non_null(strstr(err.text, "CET-1CEST")); /* says what to write instead */
        skip();
    }
    assert_int_equal(nw_time_zone_read("CET-1CEST,M3.5.0,M10.5.0/3", NULL, &rule, NULL), NW_OK);
    check_near(named.standard_s, rule.standard_s, 0.0, "tzdata");
    check_near(named.summer_s, rule.summer_s, 0.0, "tzdata");
    assert_int_equal(named.to_summer.month, 3);
    assert_int_equal(named.to_standard.week, 5);
    assert_int_equal(nw_time_zone_read("Europe/Nowhere", NULL, &named, &err), NW_NOTFOUND);
    assert_int_equal(nw_time_zone_read("Europe/Vienna", "/nonexistent", &named, &err), NW_NOTFOUND);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_offsets_and_rules_are_read),
        cmocka_unit_test(test_other_zones_are_refused),
        cmocka_unit_test(test_clocks_change_when_zoneinfo_says),
        cmocka_unit_test(test_local_time_has_one_two_or_no_utc),
        cmocka_unit_test(test_stamps_are_read_in_many_forms),
        cmocka_unit_test(test_what_is_no_stamp_is_refused),
        cmocka_unit_test(test_a_named_zone_is_its_rule),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
