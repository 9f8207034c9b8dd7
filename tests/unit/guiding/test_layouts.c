/* test_layouts.c - described logs of five invented forms, each with known numbers; and the
 * messages. The layouts are our own; no program writes them. */
#include <stdlib.h>
#include <string.h>

#include "check.h"
#include "guiding/runs.h"

#define ARCSEC (1.0 / NW_ARCSEC_PER_RAD)
#define WRITTEN "as written in the log above"

static enum nw_status parse(const char *layout, const char *log, const char *which,
                            struct nw_guide_runs **ret, struct nw_err *err) {
    struct nw_log_layout *items = NULL;
    size_t n = 0;
    *ret = NULL;
    if (nw_rig_parse_layouts("l.yaml", layout, strlen(layout), &items, &n, err) != NW_OK) {
        fail_msg("layout refused: %s", err->text);
    }
    const struct nw_guide_layouts layouts = {items, n, which};
    const enum nw_status status =
        nw_guide_parse_runs("night.txt", log, strlen(log), &layouts, ret, err);
    free(items);
    return status;
}

static struct nw_guide_runs *must_parse(const char *layout, const char *log) {
    struct nw_guide_runs *runs = NULL;
    struct nw_err err = {0};
    if (parse(layout, log, NULL, &runs, &err) != NW_OK) {
        fail_msg("refused: %s", err.text);
    }
    return runs;
}

static double utc(const char *iso) {
    double t = NAN;
    assert_int_equal(nw_time_read_iso(iso, 0.0, &t, NULL), NW_OK);
    return t;
}

/* ---- 1: sections, several runs, header in each, seconds since the start, events ---- */

static const char SECTIONS[] =
    "logs:\n"
    "  sections:\n"
    "    run_start: \"[run * from {time}]\"\n"
    "    run_stop: \"[end of run*]\"\n"
    "    time_zone: +02:00\n"
    "    pulse_acts: after\n"
    "    settings: \"side, RA speed, damping\"\n"
    "    header:\n"
    "      exposure: {name: shutter, unit: ms}\n"
    "      guide_scale: image scale\n"
    "      ra_rate: {name: RA speed, unit: sidereal}\n"
    "      declination: decl\n"
    "      hour_angle: HA\n"
    "      tube_side: side\n"
    "    columns:\n"
    "      time: {column: dt, unit: s}\n"
    "      ra_error: {column: east, unit: arcsec}\n"
    "      dec_error: north\n"
    "      ra_pulse: {column: ra ms, direction: ra way, plus: E, minus: W}\n"
    "      dec_pulse: {column: n ms, minus_column: s ms}\n"
    "      snr: snr\n"
    "      note: remark\n"
    "    events:\n"
    "      dither: \"* dither of *\"\n"
    "      settled: \"settled*\"\n"
    "      lost: \"*star lost*\"\n";
static const char SECTIONS_LOG[] = "Log of the little hut\n"
                                   "image scale = 1.75 arcsec/px, shutter = 2000 ms\n"
                                   "[run 1 from 2026-05-14 22:10:00]\n"
                                   "decl: +41:16:30; HA: -1h30m; side = east\n"
                                   "RA speed = 0.5x\n"
                                   "no,dt,east,north,ra ms,ra way,n ms,s ms,snr,remark\n"
                                   "1,1.0,0.50,-0.25,120,W,0,40,31.5,\n"
                                   "2,3.0,-0.20,0.10,80,E,30,0,30.1,\n"
                                   "3,5.0,,,0,,0,0,2.0,star lost\n"
                                   "at 6 s dither of 3 px\n"
                                   "4,7.0,4.00,3.00,0,,0,0,29,\n"
                                   "5,9.0,0.10,0.00,0,,0,0,29,\"settled, good\"\n"
                                   "[end of run 1]\n"
                                   "6,11.0,9,9,0,,0,0,1,\n"
                                   "[run 2 from 2026-05-15 00:10:00]\n"
                                   "shutter = 4000 ms\n"
                                   "1,4.0,0.30,0.30,0,,0,0,20,\n"
                                   "2,8.0,0.40,x.y,0,,0,0,20,\n"
                                   "3,12.0,0.50,0.50,10,N,0,0,20,\n"
                                   "4,16.0,0.60\n"
                                   "5,20.0,0.70,0.70,0,,0,0,20,\n";

static void test_sections_become_runs(void **state) {
    (void)state;
    struct nw_guide_runs *runs = must_parse(SECTIONS, SECTIONS_LOG);
    assert_string_equal(runs->layout, "sections");
    assert_int_equal(runs->n, 2);
    assert_int_equal(runs->n_outside, 1);
    assert_int_equal(runs->names_line, 6);
    assert_int_equal(runs->columns[NW_LOG_COLUMN_RA_ERROR].number, 3);
    assert_string_equal(runs->columns[NW_LOG_COLUMN_RA_ERROR].heading, "east");
    const struct nw_guide_run *run = &runs->items[0];
    const struct nw_guide_log *log = run->log;
    assert_int_equal(run->first_line, 3);
    assert_int_equal(run->last_line, 13);
    assert_int_equal(log->n, 6); /* five rows and a line that is an event */
    assert_string_equal(log->settings, "side=east\nRA speed=0.5x\n");
    assert_string_equal(runs->items[1].log->settings, "");
    assert_int_equal(run->n_events, 3);
    assert_true(log->has_dates && log->has_zone);
    check_near(log->rows[0].t_s, utc("2026-05-14T20:10:01Z"), 1e-6, WRITTEN);
    check_near(log->rows[0].ra_rad, 0.50 * ARCSEC, 1e-15, WRITTEN);
    check_near(log->rows[0].dec_rad, -0.25 * ARCSEC, 1e-15, WRITTEN);
    check_near(log->rows[0].ra_pulse_s, -0.120, 1e-12, "W is minus");
    check_near(log->rows[0].dec_pulse_s, -0.040, 1e-12, "minus_column");
    check_near(log->rows[1].ra_pulse_s, 0.080, 1e-12, "E is plus");
    check_near(log->rows[1].dec_pulse_s, 0.030, 1e-12, "n ms");
    check_near(log->rows[1].snr, 30.1, 1e-12, WRITTEN);
    assert_true(isnan(log->rows[2].ra_rad) && log->rows[2].is_event);
    assert_string_equal(log->rows[3].event, "dither");
    check_near(log->rows[3].t_s, log->rows[2].t_s, 0.0, "time of the row above");
    assert_string_equal(log->rows[5].event, "settled");
    check_near(log->exposure_s, 2.0, 1e-12, WRITTEN);
    check_near(log->guide_scale_rad_px, 1.75 * ARCSEC, 1e-15, "outside of runs");
    check_near(log->ra_rate_rad_s, 0.5 * NW_SIDEREAL_RATE_RAD_S, 1e-12, "half of sidereal");
    check_near(log->declination_rad, (41.0 + 16.5 / 60.0) * NW_RAD_PER_DEG, 1e-12, "41:16:30");
    check_near(log->hour_angle_rad, -22.5 * NW_RAD_PER_DEG + 1.0 * NW_SIDEREAL_RATE_RAD_S, 1e-12,
               "-1h30m at the run's start, the first row 1 s later");
    assert_string_equal(log->tube_side, "east");
    assert_int_equal(log->pulse_acts, NW_PULSE_ACTS_AFTER);

    run = &runs->items[1];
    check_near(run->log->exposure_s, 4.0, 1e-12, "of this run");
    assert_true(isnan(run->log->declination_rad)); /* said in run 1 alone */
    assert_int_equal(run->log->n, 2);
    assert_int_equal(run->n_rejected, 3);
    assert_int_equal(run->rejects[0].line, 18);
    assert_string_equal(run->rejects[0].reason, "dec_error: \"x.y\" is not a number");
    assert_string_equal(run->rejects[1].reason, "ra_pulse: direction \"N\" is neither E nor W");
    assert_string_equal(run->rejects[2].reason, "3 cells, dec_error is column 4");
    nw_guide_runs_free(runs);
}

/* ---- 2: semicolons and decimal commas, dates as day.month.year, columns by number ---- */

static void test_semicolons_and_decimal_commas(void **state) {
    (void)state;
    struct nw_guide_runs *runs = must_parse(
        "logs:\n  keller:\n    separator: semicolon\n    decimal: comma\n    date_order: dmy\n"
        "    time_zone: UTC\n    comment: '//'\n    missing: '99,9'\n"
        "    header: {exposure: {value: 2.5 s}}\n    time_is: end\n"
        "    columns: {date: 1, time: 2, ra_error: {column: 4, factor: -1}, dec_error: 3}\n",
        "// 01.01.2020;00:00:00;5;5\r\n"
        "Datum;Zeit;Nord;West\r\n"
        "14.05.2026;23:59:59,5;0,25;-0,75\r\n"
        "15.05.2026;00:00:02,0;99,9;0,10\r\n");
    const struct nw_guide_log *log = runs->items[0].log;
    assert_int_equal(runs->n, 1);
    assert_int_equal(log->n, 2);
    check_near(log->rows[0].ra_rad, 0.75 * ARCSEC, 1e-15, "west counts minus: factor -1");
    check_near(log->rows[0].dec_rad, 0.25 * ARCSEC, 1e-15, WRITTEN);
    check_near(log->rows[0].t_s, utc("2026-05-14T23:59:58.25Z"), 1e-6, "end less half of 2.5 s");
    check_near(log->rows[1].t_s - log->rows[0].t_s, 2.5, 1e-6, WRITTEN);
    assert_true(isnan(log->rows[1].dec_rad));
    assert_true(isnan(log->rows[0].ra_pulse_s)); /* not logged */
    nw_guide_runs_free(runs);
}

/* ---- 3: pixels, axes of the mount, right ascension at the axis, blanks between cells ---- */

static const char PIXELS[] =
    "logs:\n  dome:\n    separator: blanks\n    axes: mount\n    ra_error_is: axis\n"
    "    row: \"{number} {number} *\"\n"
    "    header: {guide_scale: Scale, declination: Dec, tube_side: {name: Pier, east: 1, west: "
    "0}}\n"
    "    columns: {time: {column: JD, unit: jd}, ra_error: {column: dRA, unit: px}, "
    "dec_error: {column: dDec, unit: px}, dec_pulse: {column: pDec, unit: s}}\n";

static void test_pixels_and_axes_of_the_mount(void **state) {
    (void)state;
    struct nw_guide_runs *runs = must_parse(PIXELS, "Scale : 2.0 \"/px   Dec : 60.0   Pier : 1\n"
                                                    "  JD            dRA    dDec   pDec\n"
                                                    "  2461175.25    1.0    0.50   0.10\n"
                                                    "  2461175.251  -1.0   -0.25   0\n");
    const struct nw_guide_log *log = runs->items[0].log;
    check_near(log->rows[0].ra_rad, 1.0 * ARCSEC, 1e-12, "1 px of 2 arcsec times cos 60 deg");
    check_near(log->rows[0].dec_rad, -1.0 * ARCSEC, 1e-12, "turned over: tube east");
    check_near(log->rows[0].dec_pulse_s, -0.1, 1e-12, "turned over: tube east");
    check_near(log->rows[0].t_s, utc("2026-05-14T18:00:00Z"), 1e-3, "JD 2461175.25, astropy");
    assert_string_equal(log->tube_side, "east");
    assert_true(log->is_dec_sign_known && log->axes_mount);
    nw_guide_runs_free(runs);
    runs = must_parse(PIXELS, "Scale : 2.0   Dec : 60.0   Pier : 0\n"
                              "JD dRA dDec pDec\n"
                              "2461175.25 1.0 0.50 0.10\n");
    check_near(runs->items[0].log->rows[0].dec_rad, 1.0 * ARCSEC, 1e-12, "tube west: as it is");
    nw_guide_runs_free(runs);
}

/* ---- 4: a local clock over midnight and over the change of autumn ---- */

static const char CLOCK[] =
    "logs:\n  clock:\n    run_start: \"Start {time}\"\n"
    "    time_zone: CET-1CEST,M3.5.0,M10.5.0/3\n"
    "    columns: {time: at, ra_error: x, dec_error: y}\n"
    "    events: {pause: \"{time} * holds\", resume: \"{time} * goes on\"}\n";

static void test_local_clock_over_midnight_and_summer_time(void **state) {
    (void)state;
    struct nw_guide_runs *runs = must_parse(CLOCK, "at,x,y\n"
                                                   "Start 2026-10-24 23:59:50\n"
                                                   "23:59:58,0.1,0.1\n"
                                                   "00:00:02,0.1,0.1\n"
                                                   "00:00:03 it holds\n"
                                                   "00:00:09 it goes on\n"
                                                   "00:00:10,0.1,0.1\n"
                                                   "02:59:58,0.1,0.1\n"
                                                   "02:00:02,0.1,0.1\n"
                                                   "02:59:59,0.1,0.1\n"
                                                   "03:00:03,0.1,0.1\n");
    const struct nw_guide_run *run = &runs->items[0];
    const struct nw_guide_log *log = run->log;
    assert_int_equal(run->n_rejected, 0);
    assert_int_equal(log->n, 9);
    check_near(log->rows[0].t_s, utc("2026-10-24T21:59:58Z"), 1e-6, "Python zoneinfo");
    check_near(log->rows[1].t_s, utc("2026-10-24T22:00:02Z"), 1e-6, "past midnight");
    assert_string_equal(log->rows[2].event, "pause");
    check_near(log->rows[3].t_s, utc("2026-10-24T22:00:09Z"), 1e-6, "its own time");
    check_near(log->rows[5].t_s, utc("2026-10-25T00:59:58Z"), 1e-6, "still summer time");
    check_near(log->rows[6].t_s, utc("2026-10-25T01:00:02Z"), 1e-6, "the hour once more");
    check_near(log->rows[8].t_s, utc("2026-10-25T02:00:03Z"), 1e-6, "Python zoneinfo");
    nw_guide_runs_free(runs);
}

static void test_clock_without_any_date_counts_from_its_day(void **state) {
    (void)state;
    struct nw_guide_runs *runs =
        must_parse("logs:\n  c:\n    columns: {time: 1, ra_error: 2, dec_error: 3}\n",
                   "23:59:58,0,0\n00:00:01.5,0,0\n");
    const struct nw_guide_log *log = runs->items[0].log;
    assert_false(log->has_dates);
    check_near(log->rows[1].t_s - log->rows[0].t_s, 3.5, 1e-9, WRITTEN);
    nw_guide_runs_free(runs);
}

/* ---- 5: broken rows, and what cannot be read at all ---- */

static void test_broken_rows_are_left_out_with_reasons(void **state) {
    (void)state;
    struct nw_guide_runs *runs =
        must_parse("logs:\n  b:\n    separator: tab\n    columns: {time: {column: t, unit: s}, "
                   "ra_error: x, dec_error: y}\n",
                   "t\tx\ty\n"
                   "0\t0.1\t0.2\n"
                   "2\t0.1\n"
                   "4\t0.1.1\t0.2\n"
                   "1\t0.1\t0.2\n"
                   "-3\t0.1\t0.2\n"
                   "6\t9999\t0.2\n"
                   "-\t1\t1\n"
                   "99999999\t0.1\t0.2\n"
                   "8\t0.1\t0.2\n"
                   "10\tnan\t\n");
    const struct nw_guide_run *run = &runs->items[0];
    static const char *const reasons[] = {
        "2 cells, dec_error is column 3", "ra_error: \"0.1.1\" is not a number",
        "time runs backwards by 4 s",     "ra_error: 9999 is over a degree",
        "time: \"-\" is not a number",    "time jumps by over a day",
    };
    assert_int_equal(run->log->n, 4);
    assert_int_equal(run->n_no_star, 1);
    assert_int_equal(run->n_rejected, 6);
    for (size_t i = 0; i < 6; i++) {
        assert_string_equal(run->rejects[i].reason, reasons[i]);
    }
    nw_guide_runs_free(runs);
}

static void test_messages_say_what_came_nearest(void **state) {
    (void)state;
    static const char PLAIN[] = "logs:\n  p:\n    columns: {time: {column: t, unit: s}, ra_error: "
                                "dRA, dec_error: dDec}\n";
    static const char START[] =
        "logs:\n  p:\n    run_start: Begin*\n    columns: {time: {column: t, unit: s}, ra_error: "
        "{column: dRA, unit: px}, dec_error: dDec}\n    header: {exposure: Exp}\n";
    static const struct {
        const char *layout, *log, *which;
        enum nw_status status;
        const char *message;
    } rows[] = {
        {PLAIN, "hello\nt,dRA,dDek\n1,2,3\n", NULL, NW_FORMAT,
         "night.txt:2: has most headings of logs.p, but no \"dDec\"; nearest is \"dDek\""},
        {PLAIN, "hello\n", NULL, NW_FORMAT,
         "night.txt: no line holds the headings of logs.p (t, dRA, dDec)"},
        {PLAIN, "", NULL, NW_FORMAT,
         "night.txt: no line holds the headings of logs.p (t, dRA, dDec)"},
        {PLAIN, "t,dRA,dDec\n1,a,b\n", NULL, NW_DATA,
         "night.txt:2: none of 1 rows can be read; here: ra_error: \"a\" is not a number"},
        {PLAIN, "t,dRA,dDec\n1,,\n", NULL, NW_DATA, "night.txt: no row with both errors"},
        {PLAIN, "# t, dRA, dDec\nG1,2,3\n", NULL, NW_DATA,
         "night.txt:2: no row found; this line is none, since it does not begin with a digit, "
         "sign, "
         "point or quote: give a pattern row of logs.p"},
        {START, "t,dRA,dDec\n1,2,3\n", NULL, NW_FORMAT,
         "night.txt: no line fits run_start \"Begin*\" of logs.p"},
        {START, "Begin\nt,dRA,dDec\n1,2,3\n", NULL, NW_FORMAT,
         "night.txt:1: errors are in px and nothing says the guide_scale; give "
         "logs.p.header.guide_scale a name or a value"},
        {START, "Begin\nExp: two\nt,dRA,dDec\n1,2,3\n", NULL, NW_FORMAT,
         "night.txt:2: exposure: \"two\" does not begin with a number"},
        {START, "Begin\nExp: 2000\nt,dRA,dDec\n1,2,3\n", NULL, NW_FORMAT,
         "night.txt:2: exposure: \"2000\" is out of all reason; is its unit right?"},
        {PLAIN, "\xff\xfet", NULL, NW_FORMAT, "night.txt: is UTF-16; save it as UTF-8"},
        {PLAIN, "x", "q", NW_NOTFOUND, "no layout \"q\" under logs"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_guide_runs *runs = NULL;
        struct nw_err err = {0};
        const enum nw_status status =
            parse(rows[i].layout, rows[i].log, rows[i].which, &runs, &err);
        if (status != rows[i].status || runs || strcmp(err.text, rows[i].message) != 0) {
            print_error("row %zu\ngot  %d %s\nwant %d %s\n", i, (int)status, err.text,
                        (int)rows[i].status, rows[i].message);
            fail();
        }
    }
}

static void test_the_layout_that_reads_most_is_taken(void **state) {
    (void)state;
    static const char TWO[] =
        "logs:\n  a: {columns: {time: {column: t, unit: s}, ra_error: x, dec_error: y}}\n"
        "  b: {separator: semicolon, columns: {time: {column: t, unit: s}, ra_error: x, dec_error: "
        "y}}\n";
    struct nw_guide_runs *runs =
        must_parse(TWO, "\xef\xbb\xbft;x;y\n1;2;3\n"); /* with a byte order mark */
    assert_string_equal(runs->layout, "b");
    nw_guide_runs_free(runs);
    runs = must_parse(TWO, "t_s,ra_err_arcsec,dec_err_arcsec\n1,2,3\n2,3,4\n");
    assert_string_equal(runs->layout, ""); /* our own CSV */
    assert_int_equal(runs->items[0].n_rows, 2);
    assert_false(runs->columns[NW_LOG_COLUMN_RA_PULSE].is_used);
    nw_guide_runs_free(runs);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_sections_become_runs),
        cmocka_unit_test(test_semicolons_and_decimal_commas),
        cmocka_unit_test(test_pixels_and_axes_of_the_mount),
        cmocka_unit_test(test_local_clock_over_midnight_and_summer_time),
        cmocka_unit_test(test_clock_without_any_date_counts_from_its_day),
        cmocka_unit_test(test_broken_rows_are_left_out_with_reasons),
        cmocka_unit_test(test_messages_say_what_came_nearest),
        cmocka_unit_test(test_the_layout_that_reads_most_is_taken),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
