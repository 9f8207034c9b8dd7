/* test_logs.c - descriptions of text logs: what is read, and each message. */
#include <stdlib.h>

#include "rig/logs.h"
#include "support.h"

#define LOG(text) "logs:\n  cellar:\n" text
#define ROWS                                                                                       \
    "    columns: {time: Clock, ra_error: {column: 2, unit: px, factor: -1}, dec_error: Y}\n"

static void test_a_layout_is_read_with_its_defaults(void **state) {
    (void)state;
    static const char TEXT[] =
        LOG("    run_start: \"== begun {time} ==\"\n"
            "    separator: semicolon\n"
            "    decimal: comma\n"
            "    header: {exposure: {name: Shutter, unit: ms}, guide_scale: {value: 1.3 arcsec},\n"
            "             tube_side: {name: Side, east: O, west: W}}\n" ROWS
            "    events: {dither: \"*moved on purpose*\"}\n"
            "    clock_offset: -2.5 s\n"
            "  other:\n" ROWS);
    struct nw_log_layout *logs = NULL;
    size_t n = 0;
    struct nw_err err = {0};
    if (nw_rig_parse_layouts("logs.yaml", TEXT, strlen(TEXT), &logs, &n, &err) != NW_OK) {
        fail_msg("refused: %s", err.text);
    }
    assert_int_equal(n, 2);
    assert_string_equal(logs[0].name, "cellar");
    assert_string_equal(logs[0].run_start, "== begun {time} ==");
    assert_string_equal(logs[0].separator, "semicolon");
    assert_string_equal(logs[0].axes, "sky");
    assert_string_equal(logs[0].events[NW_LOG_EVENT_DITHER], "*moved on purpose*");
    assert_string_equal(logs[0].events[NW_LOG_EVENT_PAUSE], "");
    check_near(logs[0].clock_offset_s.v, -2.5, 0.0, "as written");
    const struct nw_log_field *f = &logs[0].header[NW_LOG_EXPOSURE];
    assert_string_equal(f->name.name, "Shutter");
    assert_string_equal(f->unit, "ms");
    check_near(f->factor, 1.0, 0.0, "default");
    assert_string_equal(logs[0].header[NW_LOG_GUIDE_SCALE].value, "1.3 arcsec");
    assert_string_equal(logs[0].header[NW_LOG_TUBE_SIDE].east, "O");
    assert_false(logs[0].header[NW_LOG_DECLINATION].is_given);
    f = &logs[0].columns[NW_LOG_COLUMN_RA_ERROR];
    assert_int_equal(f->name.number, 2);
    check_near(f->factor, -1.0, 0.0, "as written");
    assert_int_equal(logs[0].columns[NW_LOG_COLUMN_TIME].name.number, 0);
    assert_true(isnan(logs[1].clock_offset_s.v));
    free(logs);
}

static void test_a_rig_file_may_hold_layouts(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(SMALL_RIG LOG(ROWS), NULL);
    assert_int_equal(rig->n_logs, 1);
    assert_string_equal(rig->logs[0].name, "cellar");
    const size_t n_assumptions = rig->n_assumptions;
    nw_rig_free(rig);
    rig = must_read(SMALL_RIG, NULL); /* a layout assumes nothing about the rig */
    assert_int_equal(rig->n_logs, 0);
    assert_int_equal(rig->n_assumptions, n_assumptions);
    nw_rig_free(rig);
}

struct fault {
    const char *text;
    enum nw_status status;
    const char *message;
};

static void check_faults(const struct fault *rows, size_t n_rows) {
    for (size_t i = 0; i < n_rows; i++) {
        struct nw_log_layout *logs = NULL;
        size_t n = 0;
        struct nw_err err = {0};
        const enum nw_status status =
            nw_rig_parse_layouts("l.yaml", rows[i].text, strlen(rows[i].text), &logs, &n, &err);
        if (status != rows[i].status || logs ||
            (rows[i].message && strcmp(err.text, rows[i].message) != 0)) {
            print_error("row %zu\ngot  %d %s\nwant %d %s\n", i, (int)status, err.text,
                        (int)rows[i].status, rows[i].message ? rows[i].message : "");
            fail();
        }
    }
}

static void test_a_log_is_of_guiding_or_of_readings(void **state) {
    (void)state;
    static const struct fault rows[] = {
        {LOG("    columns: {time: T, ra_error: X}\n"), NW_NOTFOUND,
         "l.yaml:2:3: logs.cellar.columns.dec_error: is missing: a guide log has both errors, a "
         "log of readings `readings`"},
        {LOG("    readings: temperature_c = A\n    columns: {time: T, ra_error: X, dec_error: "
             "Y}\n"),
         NW_FORMAT,
         "l.yaml:2:3: logs.cellar.columns.ra_error: readings and columns of a guide log exclude "
         "each other"},
    };
    check_faults(rows, sizeof rows / sizeof rows[0]);
}

static void test_faults_are_named_with_their_place(void **state) {
    (void)state;
    static const struct fault rows[] = {
        {"site: {}\n", NW_NOTFOUND,
         "l.yaml: no section 'logs': it would describe text logs (docs/formats.md)"},
        {LOG(ROWS "    seperator: tab\n"), NW_NOTFOUND,
         "l.yaml:4:5: logs.cellar: unknown key 'seperator', nearest is 'separator'"},
        {LOG(ROWS "    separator: ';'\n"), NW_FORMAT,
         "l.yaml:4:16: logs.cellar.separator: found ';', expected comma, semicolon, tab, bar or "
         "blanks"},
        {LOG(ROWS "    decimal: comma\n"), NW_FORMAT,
         "l.yaml:2:3: logs.cellar: comma is both separator and decimal mark"},
        {LOG(ROWS "    run_start: \"x {date}\"\n"), NW_FORMAT,
         "l.yaml:4:5: logs.cellar.run_start: pattern \"x {date}\": '{date}' is neither {time} nor "
         "{number}; a brace itself is written \\{"},
        {LOG(ROWS "    header: {exposure: {name: E, unit: mm}}\n"), NW_FORMAT, NULL},
        {LOG(ROWS "    header: {exposure: {name: E, value: 2 s}}\n"), NW_FORMAT,
         "l.yaml:4:14: logs.cellar.header.exposure: name and value exclude each other"},
        {LOG(ROWS "    header: {exposure: {unit: s}}\n"), NW_NOTFOUND,
         "l.yaml:4:14: logs.cellar.header.exposure: name or value is missing"},
        {LOG(ROWS "    header: {exposure: {name: E, factor: 0}}\n"), NW_FORMAT,
         "l.yaml:4:34: logs.cellar.header.exposure.factor: expected a number such as -1, not 0 and "
         "at most 1e9"},
        {LOG("    columns: {time: T, ra_error: X, dec_error: Y, ra_pulse: {column: P, direction: "
             "D}}\n"),
         NW_FORMAT,
         "l.yaml:3:51: logs.cellar.columns.ra_pulse: direction, plus and minus belong together: "
         "the column and what it says for either way"},
        {LOG("    columns: {time: T, ra_error: {colum: X}, dec_error: Y}\n"), NW_NOTFOUND,
         "l.yaml:3:35: logs.cellar.columns.ra_error: unknown key 'colum', expected column, unit, "
         "factor; nearest is 'column'"},
        {LOG("    columns: {time: T, ra_error: 900, dec_error: Y}\n"), NW_DOMAIN,
         "l.yaml:3:24: logs.cellar.columns.ra_error: column 900, expected 1 to 256 or a heading"},
        {LOG("    columns: {time: T, ra_error: [X], dec_error: Y}\n"), NW_FORMAT,
         "l.yaml:3:24: logs.cellar.columns.ra_error: found a list, expected a name or {column: "
         "..., unit: ...}"},
    };
    check_faults(rows, sizeof rows / sizeof rows[0]);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_layout_is_read_with_its_defaults),
        cmocka_unit_test(test_a_rig_file_may_hold_layouts),
        cmocka_unit_test(test_faults_are_named_with_their_place),
        cmocka_unit_test(test_a_log_is_of_guiding_or_of_readings),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
