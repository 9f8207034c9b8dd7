/* test_readings.c - climate and power logs of invented programs as our CSV. */
#include <stdlib.h>
#include <string.h>

#include "check.h"
#include "guiding/runs.h"

static struct nw_table *translate(const char *layout, const char *log, enum nw_status *ret,
                                  struct nw_err *err) {
    struct nw_log_layout *items = NULL;
    size_t n = 0;
    struct nw_table *table = NULL;
    struct nw_buf csv;
    if (nw_rig_parse_layouts("l.yaml", layout, strlen(layout), &items, &n, err) != NW_OK) {
        fail_msg("layout refused: %s", err->text);
    }
    nw_buf_init(&csv, 1 << 16);
    *ret = nw_log_readings("box.txt", log, strlen(log), &items[0], &csv, err);
    if (*ret == NW_OK) {
        *ret = nw_table_parse("ours", csv.data, csv.len, &table, err);
    }
    nw_buf_done(&csv);
    free(items);
    return table;
}

static struct nw_table *must(const char *layout, const char *log) {
    enum nw_status status = NW_OK;
    struct nw_err err = {0};
    struct nw_table *const table = translate(layout, log, &status, &err);
    if (!table) {
        fail_msg("refused: %s", err.text);
    }
    return table;
}

static double value(const struct nw_table *table, const char *column, size_t row) {
    double values[16];
    const struct nw_column_map map = {.name = column, .dim = NW_DIM_NUMBER};
    struct nw_err err = {0};
    assert_true(nw_table_n_rows(table) <= 16);
    assert_int_equal(nw_table_numbers(table, &map, values, NULL, &err), NW_OK);
    return values[row];
}

static void test_units_times_and_what_is_missing(void **state) {
    (void)state;
    static const char LAYOUT[] =
        "logs:\n  box:\n    separator: semicolon\n    decimal: comma\n    missing: \"---\"\n"
        "    date_order: dmy\n    time_zone: +10:00\n    clock_offset: -60 s\n"
        "    readings: temperature_c = Outside [degF], humidity_percent = RH, pressure_hpa = P "
        "[kPa], "
        "wind_m_per_s = Wind [km/h], front lens_c = 7, power hub V = Bus\n"
        "    columns: {time: Time, date: Date}\n";
    static const char LOG[] = "Station 7;firmware 2\r\n"
                              "Date;Time;Outside;RH;P;Wind;Probe;Bus\r\n"
                              "14.06.2026;23:59:30;50,0;71,5;95,2;18;3,25;13,2\r\n"
                              "15.06.2026;00:00:30;---;72;95,2;0;3,2;13,1\r\n"
                              "power was lost;;;;;;;\r\n"
                              "15.06.2026;00:01:30;32;;95,2;36;3,1;\r\n";
    struct nw_table *const table = must(LAYOUT, LOG);
    assert_int_equal(nw_table_n_rows(table), 3); /* the line that is no row is left out */
    assert_string_equal(nw_table_cell(table, 0, 0), "2026-06-14T13:58:30.000Z");
    assert_string_equal(nw_table_cell(table, 1, 0), "2026-06-14T13:59:30.000Z");
    check_near(value(table, "temperature_c", 0), 10.0, 1e-9, "50 degF");
    assert_true(isnan(value(table, "temperature_c", 1)));
    check_near(value(table, "temperature_c", 2), 0.0, 1e-9, "32 degF");
    check_near(value(table, "humidity_percent", 0), 71.5, 1e-9, "as it is");
    check_near(value(table, "pressure_hpa", 0), 952.0, 1e-6, "95.2 kPa");
    check_near(value(table, "wind_m_per_s", 0), 5.0, 1e-9, "18 km/h");
    check_near(value(table, "front lens_c", 2), 3.1, 1e-9, "the seventh column");
    check_near(value(table, "power hub V", 1), 13.1, 1e-9, "as it is");
    assert_true(isnan(value(table, "power hub V", 2)));
    nw_table_free(table);
}

static void test_counted_times(void **state) {
    (void)state;
    struct nw_table *const table =
        must("logs:\n  box:\n    comment: \"#\"\n    readings: temperature_c = t\n"
             "    columns: {time: {column: when, unit: unix}}\n",
             "\xef\xbb\xbf# a box\nwhen,t\n1781434800,4.5\n# again\n1781434860.5,4.25\n");
    assert_int_equal(nw_table_n_rows(table), 2);
    assert_string_equal(nw_table_cell(table, 1, 0), "2026-06-14T11:01:00.500Z");
    nw_table_free(table);
}

static void test_what_makes_no_sense_is_said(void **state) {
    (void)state;
#define BOX(readings) "logs:\n  box:\n    readings: " readings "\n    columns: {time: when}\n"
    static const struct {
        const char *layout, *log;
        enum nw_status status;
        const char *words;
    } rows[] = {
        {BOX("temperature_c"), "", NW_FORMAT,
         "logs.box.readings: 'temperature_c', expected OURS ="},
        {BOX("temperature_c ="), "", NW_FORMAT, "expected two names"},
        {BOX("temperature_c = a [bushels]"), "", NW_FORMAT, "logs.box.readings: temperature_c: "},
        {BOX("power hub V = a [mV]"), "", NW_FORMAT, "power hub V has a unit in brackets"},
        {BOX("temperature_c = a"), "when,b\n1,2\n", NW_NOTFOUND,
         "box.txt: no line of headings as in logs.box: no 'a'"},
        {BOX("temperature_c = a"), "when,a\nsoon,2\n", NW_DATA, "no row with a date and time"},
        {BOX("temperature_c = a"), "when,a\n21:00,2\n", NW_DATA, "no row with a date and time"},
        {BOX("temperature_c = a"), "", NW_NOTFOUND, "no line of headings"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        enum nw_status status = NW_OK;
        struct nw_err err = {0};
        struct nw_table *const table = translate(rows[i].layout, rows[i].log, &status, &err);
        assert_null(table);
        if (status != rows[i].status || !strstr(err.text, rows[i].words)) {
            fail_msg("row %zu: %d %s", i, (int)status, err.text);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_units_times_and_what_is_missing),
        cmocka_unit_test(test_counted_times),
        cmocka_unit_test(test_what_makes_no_sense_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
