/* test_table.c - tables: what is read, with which line, and what each refusal says. */
#include "base/table.h"

#include <stdbool.h>

#include "check.h"

static struct nw_table *parse_ok(const char *text) {
    struct nw_err err = {0};
    struct nw_table *table = NULL;
    if (nw_table_parse("night.csv", text, strlen(text), &table, &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return table;
}

static void refused_bytes(const char *bytes, size_t len, enum nw_status want, const char *message) {
    struct nw_err err = {0};
    struct nw_table *table = NULL;
    assert_int_equal(nw_table_parse("night.csv", bytes, len, &table, &err), want);
    assert_null(table);
    assert_string_equal(err.text, message);
}

static void refused(const char *text, const char *message) {
    refused_bytes(text, strlen(text), NW_FORMAT, message);
}

static const char NIGHT[] = "\xEF\xBB\xBF# a guide log\r\n"
                            "# exposure_s: 2.0\r\n"
                            "#time_zone:+02:00 \r\n"
                            "# 21:40 started\r\n"
                            "\r\n"
                            "t_s, ra_err_arcsec ,\"note, free\"\r\n"
                            "0,0.25,\r\n"
                            "   # exposure_s: 4.0\r\n"
                            "2.5,-,\"say \"\"hello\"\", twice\"\r\n"
                            " \t\r\n"
                            "5,NaN, dither \r\n"
                            "7.5,-1e-1,\xC2\xB5";

static void test_cells_lines_and_header_lines(void **state) {
    (void)state;
    struct nw_table *const table = parse_ok(NIGHT);
    assert_string_equal(nw_table_name(table), "night.csv");
    assert_int_equal(nw_table_n_rows(table), 4);
    assert_int_equal(nw_table_n_columns(table), 3);
    assert_string_equal(nw_table_column_name(table, 2), "note, free");
    assert_int_equal(nw_table_column(table, "RA_err_arcsec"), 1);
    assert_int_equal(nw_table_column(table, "dec_err_arcsec"), -1);
    assert_string_equal(nw_table_cell(table, 0, 2), "");
    assert_string_equal(nw_table_cell(table, 1, 2), "say \"hello\", twice");
    assert_string_equal(nw_table_cell(table, 2, 2), "dither");
    assert_string_equal(nw_table_cell(table, 3, 2), "\xC2\xB5");
    const size_t lines[] = {7, 9, 11, 12};
    for (size_t row = 0; row < 4; row++) {
        assert_int_equal(nw_table_line(table, row), lines[row]);
    }
    size_t line = 0;
    assert_string_equal(nw_table_meta(table, "EXPOSURE_s", &line), "2.0");
    assert_int_equal(line, 2);
    assert_string_equal(nw_table_meta(table, "time_zone", NULL), "+02:00");
    assert_null(nw_table_meta(table, "21", NULL));
    /* in the order of the file, a repeated key each time; by name the first is found */
    static const struct {
        const char *key, *value;
        size_t line;
    } metas[] = {{"exposure_s", "2.0", 2}, {"time_zone", "+02:00", 3}, {"exposure_s", "4.0", 8}};
    assert_int_equal(nw_table_n_metas(table), 3);
    for (size_t i = 0; i < 3; i++) {
        const char *value = NULL;
        assert_string_equal(nw_table_meta_at(table, i, &value, &line), metas[i].key);
        assert_string_equal(value, metas[i].value);
        assert_int_equal(line, metas[i].line);
    }
    assert_null(nw_table_meta(table, "a guide log", NULL));
    nw_table_free(table);
    nw_table_free(NULL);
}

static void test_numbers_come_in_si_and_empty_is_nan(void **state) {
    (void)state;
    struct nw_table *const table = parse_ok(NIGHT);
    double values[4];
    bool is_present = false;
    struct nw_column_map map = {.name = "ra_err_arcsec", .dim = NW_DIM_ANGLE, .unit = "arcsec"};
    assert_int_equal(nw_table_numbers(table, &map, values, &is_present, NULL), NW_OK);
    assert_true(is_present);
    check_near(values[0], 0.25 / 206264.806247, 1e-16, "180 * 3600 / pi");
    assert_true(isnan(values[1]));
    assert_true(isnan(values[2]));
    check_near(values[3], -0.1 / 206264.806247, 1e-16, "180 * 3600 / pi");
    map = (struct nw_column_map){
        .name = "t_s", .dim = NW_DIM_TEMPERATURE, .unit = "degC", .scale = 2.0, .offset = 1.0};
    assert_int_equal(nw_table_numbers(table, &map, values, NULL, NULL), NW_OK);
    check_near(values[1], 2.5 * 2.0 + 1.0 + 273.15, 1e-12, "cell * scale + offset, then the unit");
    map = (struct nw_column_map){.name = "snr", .is_optional = true};
    assert_int_equal(nw_table_numbers(table, &map, values, &is_present, NULL), NW_OK);
    assert_false(is_present);
    assert_true(isnan(values[0]) && isnan(values[3]));
    nw_table_free(table);
}

static void test_column_errors_name_line_and_column(void **state) {
    (void)state;
    struct nw_table *const table =
        parse_ok("t_s,dec_err_arcsec,ra_err_arcsec\n1,2,3\n\n2,abc,1e999\n3,inf,4\n");
    double values[3];
    struct nw_err err = {0};
    struct nw_column_map map = {.name = "dec_err_arcsec", .dim = NW_DIM_ANGLE, .unit = "arcsec"};
    assert_int_equal(nw_table_numbers(table, &map, values, NULL, &err), NW_FORMAT);
    assert_string_equal(err.text, "night.csv:4: column dec_err_arcsec: \"abc\" is not a number");
    map.name = "ra_err_arcsec";
    assert_int_equal(nw_table_numbers(table, &map, values, NULL, &err), NW_FORMAT);
    assert_string_equal(err.text, "night.csv:4: column ra_err_arcsec: \"1e999\" is not a number");
    struct nw_table *const spaced = parse_ok("t_s,power hub V\n1,x\n");
    const struct nw_column_map hub = {.name = "power hub V", .dim = NW_DIM_NUMBER};
    assert_int_equal(nw_table_numbers(spaced, &hub, values, NULL, &err), NW_FORMAT);
    assert_string_equal(err.text, "night.csv:2: column \"power hub V\": \"x\" is not a number");
    nw_table_free(spaced);
    map.name = "dec_er_arcsec";
    assert_int_equal(nw_table_numbers(table, &map, values, NULL, &err), NW_NOTFOUND);
    assert_string_equal(err.text, "night.csv:1: no column dec_er_arcsec (nearest: dec_err_arcsec), "
                                  "there are: t_s, dec_err_arcsec, ra_err_arcsec");
    map = (struct nw_column_map){.name = "t_s", .dim = NW_DIM_TIME, .unit = "mm"};
    assert_int_equal(nw_table_numbers(table, &map, values, NULL, &err), NW_FORMAT);
    assert_string_equal(err.text, "night.csv: unit of column t_s: \"mm\" is a length, expected a "
                                  "time, for example \"300 s\"");
    map = (struct nw_column_map){.name = "t_s", .scale = 1e308, .offset = 1e308};
    assert_int_equal(nw_table_numbers(table, &map, values, NULL, &err), NW_FORMAT);
    assert_string_equal(err.text, "night.csv:2: column t_s: \"1\" is too large a number");
    nw_table_free(table);
}

static void test_malformed_tables_are_refused(void **state) {
    (void)state;
    refused("", "night.csv: no header row, expected a line of column names");
    refused("# only: comments\n\n", "night.csv: no header row, expected a line of column names");
    refused("a,b\n1,2\n\n# x\n1,2,3\n",
            "night.csv:5: 3 cells, expected 2 as in the header on line 1");
    refused("a,b\n1\n", "night.csv:2: 1 cells, expected 2 as in the header on line 1");
    refused("a,b,A\n1,2,3\n", "night.csv:1: columns 1 and 3 are both named \"A\"");
    refused("a,,c\n", "night.csv:1: column 2 has no name");
    refused("0.5,1.5\n2,3\n", "night.csv:1: no header row, \"0.5\" is a number where the name of "
                              "column 1 was expected");
    const char *const quote = "night.csv:2: stray or unclosed quote, expected \"...\" around a "
                              "whole cell on one line";
    refused("a,b\n1,2\"3\n", quote);
    refused("a,b\n1,\"2\n3\"\n", quote);
    refused("a,b\n\"1\"x,2\n", quote);
    refused("a\rb\n", "night.csv:1: carriage return inside a line, expected LF or CR LF ends");
    refused("a,b\n1,\xE9\n", "night.csv:2: bytes that are not UTF-8 text");
    refused_bytes("a\0,b\n", 5, NW_FORMAT,
                  "night.csv:1: NUL byte, expected UTF-8 text (is it UTF-16?)");
}

static void test_limits_are_kept(void **state) {
    (void)state;
    char text[3 * 300 * 5];
    size_t len = 0;
    for (int i = 0; i < 257; i++) {
        len += (size_t)snprintf(text + len, sizeof text - len, "%sc%d", i ? "," : "", i);
    }
    refused_bytes(text, len, NW_LIMIT, "night.csv:1: 257 columns, at most 256 are read");
    struct nw_err err = {0};
    struct nw_table *table = NULL;
    assert_int_equal(nw_table_parse("x", text, (size_t)1 << 30, &table, &err), NW_LIMIT);
    assert_string_equal(err.text, "x: 1073741824 bytes, at most 67108864 are read");
    const size_t n_rows = 2000001;
    char *const rows = malloc(2 * n_rows + 2);
    assert_non_null(rows);
    memcpy(rows, "a\n", 2);
    for (size_t i = 0; i < n_rows; i++) {
        memcpy(rows + 2 + 2 * i, "1\n", 2);
    }
    assert_int_equal(nw_table_parse("x", rows, 2 * n_rows, &table, &err), NW_OK);
    assert_int_equal(nw_table_n_rows(table), n_rows - 1);
    nw_table_free(table);
    table = NULL;
    assert_int_equal(nw_table_parse("x", rows, 2 * n_rows + 2, &table, &err), NW_LIMIT);
    assert_string_equal(err.text, "x:2000002: more than 2000000 rows");
    free(rows);
}

static void test_missing_file_is_named(void **state) {
    (void)state;
    struct nw_err err = {0};
    struct nw_table *table = NULL;
    assert_int_equal(nw_table_read("no-such-folder/night.csv", &table, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "no-such-folder/night.csv: "));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cells_lines_and_header_lines),
        cmocka_unit_test(test_numbers_come_in_si_and_empty_is_nan),
        cmocka_unit_test(test_column_errors_name_line_and_column),
        cmocka_unit_test(test_malformed_tables_are_refused),
        cmocka_unit_test(test_limits_are_kept),
        cmocka_unit_test(test_missing_file_is_named),
    };
    return cmocka_run_group_tests_name("base_table", tests, NULL, NULL);
}
