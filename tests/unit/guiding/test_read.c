/* test_read.c - the guide log as a file: units, signs, times, and every refusal with its place */
#include "guiding/guiding.h"

#include "check.h"

#define AS NW_ARCSEC_PER_RAD

static struct nw_guide_log *parse(const char *text) {
    struct nw_guide_log *log = NULL;
    struct nw_err err = {0};
    if (nw_guide_parse("night.csv", text, strlen(text), &log, &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return log;
}

static void refuse(const char *text, enum nw_status want_status, const char *want) {
    struct nw_guide_log *log = NULL;
    struct nw_err err = {0};
    const enum nw_status status = nw_guide_parse("night.csv", text, strlen(text), &log, &err);
    if (status != want_status || !strstr(err.text, want)) {
        print_error("got %d \"%s\", want %d \"%s\"\n", (int)status, err.text, (int)want_status,
                    want);
        fail();
    }
    assert_null(log);
}

static const char *const FULL = "# exposure_s: 2.0\n"
                                "# guide_scale_arcsec_per_px: 3.2\n"
                                "# ra_rate_arcsec_per_s: 7.5\n"
                                "# dec_rate_arcsec_per_s: 6.0\n"
                                "# declination_deg: 60\n"
                                "# hour_angle_h: -2\n"
                                "# latitude_deg: 51.5\n"
                                "# elevation_m: 1200\n"
                                "# worm_period_s: 480\n"
                                "# setting_a_name_longer_than_thirty-one_letters: 0.1 px\n"
                                "# setting_a_name_longer_than_thirty-one_of_them: 0.2 px\n"
                                "# pulse_acts: after\n"
                                "# observer: somebody\n"
                                "t_s,ra_err_arcsec,dec_err_arcsec,ra_pulse_ms,dec_pulse_ms,snr,"
                                "event,lock_x_px,lock_y_px\n"
                                "0,1.0,-0.5,-120,,30,,100,200\n"
                                "2,,,,,,dither,105.5,203\n"
                                "4,0.5,-0.25,0,40,28,,105.5,203\n";

static void test_units_and_absent_values(void **state) {
    (void)state;
    struct nw_guide_log *log = parse(FULL);
    assert_int_equal(log->n, 3);
    assert_false(log->has_dates);
    check_near(log->rows[0].ra_rad * AS, 1.0, 1e-12, "as written");
    check_near(log->rows[0].dec_rad * AS, -0.5, 1e-12, "as written");
    check_near(log->rows[0].ra_pulse_s, -0.12, 1e-15, "ms to s");
    check_near(log->rows[0].dec_pulse_s, 0.0, 1e-15, "empty cell: no pulse");
    assert_true(isnan(log->rows[1].ra_rad));
    assert_true(log->rows[1].is_event && !log->rows[0].is_event);
    assert_string_equal(log->rows[1].event, "dither");
    check_near(log->rows[1].lock_x_px, 105.5, 0.0, "as written");
    assert_int_equal(log->rows[2].line, 17);
    check_near(log->elevation_m, 1200.0, 0.0, "as written");
    assert_string_equal(log->settings, "a_name_longer_than_thirty-one_letters=0.1 px\n"
                                       "a_name_longer_than_thirty-one_of_them=0.2 px\n");
    check_near(log->ra_rate_rad_s * AS, 7.5, 1e-12, "as written");
    check_near(log->declination_rad, NW_PI / 3.0, 1e-15, "60 deg");
    check_near(log->hour_angle_rad, -NW_PI / 6.0, 1e-15, "2 h east");
    check_near(log->guide_scale_rad_px * AS, 3.2, 1e-12, "as written");
    assert_int_equal(log->pulse_acts, NW_PULSE_ACTS_AFTER);
    nw_guide_free(log);
    log = parse("t_s,ra_err_arcsec,dec_err_arcsec\n0,0.1,0.2\n");
    assert_true(isnan(log->rows[0].ra_pulse_s) && isnan(log->rows[0].snr));
    assert_true(isnan(log->ra_rate_rad_s) && isnan(log->declination_rad));
    assert_int_equal(log->pulse_acts, NW_PULSE_ACTS_UNKNOWN);
    assert_true(log->is_dec_sign_known);
    nw_guide_free(log);
}

static void test_dates_zones_and_clock(void **state) {
    (void)state;
    /* 2026-05-14 00:00 UTC is day 20587 (56 years, 14 leap days, day 134 of the year) */
    const double midnight = 20587.0 * 86400.0;
    struct nw_guide_log *log = parse("# time_zone: +02:00\n# clock_offset_s: -1.5\n"
                                     "time,ra_err_arcsec,dec_err_arcsec\n"
                                     "2026-05-14T21:40:07.25,0,0\n"
                                     "2026-05-14T21:40:09.25,0,0\n");
    assert_true(log->has_dates && log->has_zone);
    check_near(log->rows[0].t_s, midnight + 19 * 3600 + 40 * 60 + 7.25 - 1.5, 1e-6, "by hand");
    nw_guide_free(log);
    log = parse("time,ra_err_arcsec,dec_err_arcsec\n2026-05-14T21:40:07Z,0,0\n");
    assert_true(log->has_zone);
    check_near(log->rows[0].t_s, midnight + 21 * 3600 + 40 * 60 + 7, 1e-6, "by hand");
    nw_guide_free(log);
    log = parse("# time_zone: -0330\ntime,ra_err_arcsec,dec_err_arcsec\n2026-05-14 21:40,0,0\n");
    check_near(log->rows[0].t_s, midnight + 25 * 3600 + 10 * 60, 1e-6, "by hand, half-hour zone");
    nw_guide_free(log);
    log = parse("time,ra_err_arcsec,dec_err_arcsec\n2026-05-14T21:40:07,0,0\n");
    assert_false(log->has_zone);
    nw_guide_free(log);
}

static void test_axes_of_the_mount(void **state) {
    (void)state;
    static const char *const body = "t_s,ra_err_arcsec,dec_err_arcsec,ra_pulse_ms,dec_pulse_ms\n"
                                    "0,1,2,30,40\n";
    char text[400];
    (void)snprintf(text, sizeof text, "# axes: mount\n# tube_side: west\n%s", body);
    struct nw_guide_log *log = parse(text);
    check_near(log->rows[0].dec_rad * AS, 2.0, 1e-12, "tube west: as written");
    assert_true(log->is_dec_sign_known);
    nw_guide_free(log);
    (void)snprintf(text, sizeof text, "# axes: mount\n# tube_side: EAST\n%s", body);
    log = parse(text);
    check_near(log->rows[0].dec_rad * AS, -2.0, 1e-12, "tube east: declination turned over");
    check_near(log->rows[0].dec_pulse_s, -0.04, 1e-12, "and its pulses");
    check_near(log->rows[0].ra_rad * AS, 1.0, 1e-12, "right ascension keeps its sense");
    nw_guide_free(log);
    (void)snprintf(text, sizeof text, "# axes: mount\n%s", body);
    log = parse(text);
    assert_false(log->is_dec_sign_known);
    nw_guide_free(log);
    (void)snprintf(text, sizeof text, "# axes: sky\n# tube_side: east\n%s", body);
    log = parse(text);
    check_near(log->rows[0].dec_rad * AS, 2.0, 1e-12, "axes of the sky: never turned");
    nw_guide_free(log);
}

#define HEAD "t_s,ra_err_arcsec,dec_err_arcsec\n"

static void test_header_keys_are_refused_by_line(void **state) {
    (void)state;
    refuse("# declinaton_deg: 60\n" HEAD "0,0,0\n", NW_FORMAT,
           "night.csv:1: unknown header key \"declinaton_deg\"; did you mean declination_deg?");
    refuse("# exposure_s: two\n" HEAD "0,0,0\n", NW_FORMAT,
           "night.csv:1: exposure_s: \"two\" is not a number");
    refuse("# declination_deg: 95\n" HEAD "0,0,0\n", NW_FORMAT,
           "declination_deg: 95 is outside -90 to 90");
    refuse("# axes: pier\n" HEAD "0,0,0\n", NW_FORMAT, "axes: \"pier\" is neither sky nor mount");
    refuse("# pulse_acts: now\n" HEAD "0,0,0\n", NW_FORMAT, "neither before nor after");
    refuse("# tube_side: north\n" HEAD "0,0,0\n", NW_FORMAT, "neither east nor west");
    refuse("# time_zone: Berlin\n" HEAD "0,0,0\n", NW_FORMAT,
           "time_zone: \"Berlin\" is not UTC or a number of hours");
    refuse("# time_zone: +15:00\n" HEAD "0,0,0\n", NW_FORMAT, "time_zone");
    refuse("# exposure_s: 2\n# exposure_s: 3\n" HEAD "0,0,0\n", NW_FORMAT,
           "night.csv:2: header key exposure_s stands here and on line 1");
}

static void test_rows_are_refused_by_line(void **state) {
    (void)state;
    refuse("t_s,ra_error_arcsec,dec_err_arcsec\n0,0,0\n", NW_FORMAT, "ra_err_arcsec");
    refuse("t_s,dec_err_arcsec\n0,0\n", NW_NOTFOUND, "ra_err_arcsec");
    refuse("when,ra_err_arcsec,dec_err_arcsec\n0,0,0\n", NW_FORMAT,
           "neither a column t_s nor a column time");
    refuse("t_s,ra_err_arcsec,dec_err_arcsec,ra_puls_ms\n0,0,0,0\n", NW_FORMAT,
           "unknown column \"ra_puls_ms\"; did you mean ra_pulse_ms?");
    refuse(HEAD "0,0,0\n2,abc,0\n", NW_FORMAT, "night.csv:3");
    refuse(HEAD "0,0,0\n4,0,0\n2,0,0\n", NW_FORMAT,
           "night.csv:4: time runs backwards: 2.000 s after the 4.000 s of line 3");
    refuse(HEAD ",0,0\n", NW_FORMAT, "night.csv:2: t_s: no time in this row");
    refuse(HEAD "0,4000,0\n", NW_FORMAT, "ra_err_arcsec: 4000 is outside -3600 to 3600");
    refuse("t_s,ra_err_arcsec,dec_err_arcsec,ra_pulse_ms\n0,0,0,70000\n", NW_FORMAT,
           "ra_pulse_ms: 70000 is outside -60000 to 60000");
    refuse("t_s,ra_err_arcsec,dec_err_arcsec,snr\n0,0,0,-3\n", NW_FORMAT, "snr: -3 is outside 0");
    refuse(HEAD, NW_DATA, "no rows below the column names");
    refuse(HEAD "0,,\n2,0.1,\n", NW_DATA, "none of 2 rows has both errors");
    refuse("time,ra_err_arcsec,dec_err_arcsec\nyesterday,0,0\n", NW_FORMAT, "night.csv:2: time");
}

static void test_missing_file(void **state) {
    (void)state;
    struct nw_guide_log *log = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_read("/nowhere/night.csv", &log, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "/nowhere/night.csv"));
    nw_guide_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_units_and_absent_values),
        cmocka_unit_test(test_dates_zones_and_clock),
        cmocka_unit_test(test_axes_of_the_mount),
        cmocka_unit_test(test_header_keys_are_refused_by_line),
        cmocka_unit_test(test_rows_are_refused_by_line),
        cmocka_unit_test(test_missing_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
