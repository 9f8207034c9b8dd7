/* test_readings.c - climate and power logs in the book: rows there and back, nights, summaries. */
#include <math.h>

#include "book/evidence.h"
#include "book_ask.h"

static void write_text(const struct place *place, const char *name, const struct nw_buf *text) {
    char path[200];
    struct nw_err err = {0};
    ok(nw_file_write_atomic(in(place, name, path), text->data, text->len, &err), &err);
}

/* Two evenings at longitude 0 in one file, a row every ten minutes from 18:00 to 06:00. The lens is
 * 1 K over the dew point of 5 degC at its coldest, at 02:00 of the first night. */
static void write_climate(const struct place *place, const char *name, size_t n_rows) {
    struct nw_buf text;
    nw_buf_init(&text, 1 << 20);
    nw_buf_printf(&text, "# a shed\n# time_zone: +02:00\ntime,temperature_c,dew_point_c,"
                         "wind_m_per_s,front lens_c,tube_c,roof_open,heater_w\n");
    for (size_t i = 0; i < n_rows; i++) {
        const size_t day = i / 73; /* 20:00 +02:00 and on */
        const double hours = 20.0 + (double)(i % 73) / 6.0;
        const double lens = 6.0 + fabs(hours - 28.0) * 0.5;
        char time[40];
        nw_time_write_iso(
            1780185600.0 + 86400.0 * (double)day + 3600.0 * hours, 0, time,
            sizeof time); /* midnight of 2026-05-31 by name: the zone makes it 18:00 */
        time[19] = '\0';
        nw_buf_printf(&text, "%s,%.2f,5.0,%.1f,%.3f,%.3f,%d,3.0\n", time,
                      12.0 - 0.5 * (hours - 20.0), i % 2 ? 1.0 : 2.0, day == 0 ? lens : lens + 3.0,
                      lens + 1.0, hours > 21.0 ? 1 : 0);
    }
    write_text(place, name, &text);
    nw_buf_done(&text);
}

static void test_a_climate_log_is_cut_into_nights(void **state) {
    const struct place *const place = *state;
    write_climate(place, "climate.csv", 146);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_ADDED], 1);
    assert_int_equal(added.n_climate, 2);
    nw_book_added_done(&added);
    check_near(ask(place, "SELECT count(*) FROM climate"), 2.0, 0.0, "two evenings");
    check_near(ask(place, "SELECT samples FROM climate WHERE night = '2026-05-31'"), 73.0, 0.0,
               "rows of the first evening");
    /* the lens at 02:00 +02:00 is at 6 degC: 1 K over the dew point; the quantile of 1 % lies a
     * little above the lowest of 67 rows */
    check_near(ask(place, "SELECT dew_margin_k FROM climate WHERE night = '2026-05-31'"), 1.0, 0.1,
               "6 degC over a dew point of 5 degC");
    check_near(ask(place, "SELECT dew_margin_k FROM climate WHERE night = '2026-06-01'"), 2.0, 0.1,
               "the tube at 7 degC over a dew point of 5 degC");
    check_near(ask(place,
                   "SELECT dew_margin_at_utc = '2026-05-31T24:00:00Z' OR dew_margin_at_utc = "
                   "'2026-06-01T02:00:00Z' FROM climate WHERE night = '2026-05-31'"),
               1.0, 0.0, "04:00 by the clock of +02:00");
    check_near(ask(place, "SELECT air_rate_k_per_h FROM climate LIMIT 1"), -0.5, 1e-3,
               "written with 0.5 K an hour");
    check_near(ask(place, "SELECT dew_point_c FROM climate LIMIT 1"), 5.0, 0.01, "written so");
    check_near(ask(place, "SELECT heater_wh FROM climate LIMIT 1"), 36.0, 1e-6, "3 W for 12 h");
    check_near(ask(place, "SELECT wind_m_per_s FROM climate LIMIT 1"), 1.5, 0.01,
               "1 and 2 in turn");
    check_near(ask(place, "SELECT mean FROM climate_reading WHERE name = 'tube' AND unit = 'K' "
                          "LIMIT 1") -
                   ask(place, "SELECT mean FROM climate_reading WHERE name = 'front lens' LIMIT 1"),
               1.0, 1e-3, "the tube is 1 K warmer in every row");
    is_sound(place);
}

/* The computer is warmer or colder, it is no surface under the sky; without any the air stands in.
 */
static void test_one_meaning_of_the_dew_margin(void **state) {
    const struct place *const place = *state;
    static const char *const HEADS[] = {"PC case_c,tube_c", "PC case_c,computer disk_c"};
    static const double WANT[] = {3.0, 5.0};
    static const char *const OF[] = {"tube", "air"};
    for (int k = 0; k < 2; k++) {
        struct nw_buf text;
        char name[20];
        char question[120];
        nw_buf_init(&text, 1 << 16);
        nw_buf_printf(&text, "# time_zone: +00:00\ntime,temperature_c,dew_point_c,%s\n", HEADS[k]);
        for (int i = 0; i < 30; i++) {
            nw_buf_printf(&text, "2026-06-%02dT20:%02d:00,10,5,1,8\n", 10 + k, i);
        }
        (void)snprintf(name, sizeof name, "c%d.csv", k);
        write_text(place, name, &text);
        nw_buf_done(&text);
        take_all(place);
        (void)snprintf(question, sizeof question,
                       "SELECT dew_margin_k FROM climate WHERE night = '2026-06-%d' AND "
                       "dew_margin_of = '%s'",
                       10 + k, OF[k]);
        check_near(ask(place, question), WANT[k], 0.01, "10 or 8 degC over a dew point of 5 degC");
    }
}

static void test_rows_come_back_as_they_were(void **state) {
    const struct place *const place = *state;
    char path[200];
    struct nw_err err = {0};
    struct nw_table *table = NULL;
    struct nw_air_log file = {.n = 0};
    struct nw_air_log book = {.n = 0};
    write_climate(place, "climate.csv", 73);
    take_all(place);
    ok(nw_table_read(in(place, "climate.csv", path), &table, &err), &err);
    ok(nw_air_log_read_plain(table, &file, &err), &err);
    ok(nw_book_climate(place->book, "2026-05-31", &book, &err), &err);
    assert_int_equal(book.n, file.n);
    assert_int_equal(book.n_surfaces, 2);
    for (size_t i = 0; i < file.n; i++) {
        check_near(book.t_s[i], file.t_s[i], 0.0, "times in double precision");
        check_near(nw_air_log_surface_K(&book, 0, i), nw_air_log_surface_K(&file, 0, i), 2e-5,
                   "a float of 280 K is exact to 1.5e-5");
        check_near(nw_air_log_at(&book, NW_AIR_VAPOUR, i), nw_air_log_at(&file, NW_AIR_VAPOUR, i),
                   1e-4, "a float of 872 Pa");
        assert_true(isnan(nw_air_log_at(&book, NW_AIR_ROOM, i)));
    }
    assert_string_equal(book.surface_names[0], "front lens");
    nw_air_log_done(&book);
    ok(nw_book_climate(place->book, "2026-07-01", &book, &err), &err); /* no such night: no rows */
    assert_int_equal(book.n, 0);
    nw_air_log_done(&book);
    nw_air_log_done(&file);
    nw_table_free(table);
}

/* The longest piece is read first: what came before it stands before it all the same. */
static void test_two_logs_of_a_night_in_order_of_time(void **state) {
    const struct place *const place = *state;
    struct nw_buf text;
    struct nw_err err = {0};
    struct nw_air_log book = {.n = 0};
    for (int log = 0; log < 2; log++) {
        nw_buf_init(&text, 1 << 12);
        nw_buf_printf(&text, "time,temperature_c,humidity_percent\n");
        for (int i = 0; i < 10 + 20 * log; i++) {
            nw_buf_printf(&text, "2026-05-14T2%d:%02d:00Z,%d,70\n", 1 + log, i, 10 * log + i);
        }
        write_text(place, log ? "late.csv" : "early.csv", &text);
        nw_buf_done(&text);
    }
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_climate, 2);
    nw_book_added_done(&added);
    ok(nw_book_climate(place->book, "2026-05-14", &book, &err), &err);
    assert_int_equal(book.n, 40);
    for (size_t i = 0; i < book.n; i++) {
        check_near(nw_air_log_at(&book, NW_AIR_AIR, i), 273.15 + (double)i, 1e-4,
                   "0 to 9 degC in the first log, 10 to 39 in the second");
        assert_true(i == 0 || book.t_s[i] > book.t_s[i - 1]);
    }
    nw_air_log_done(&book);
}

static void test_a_climate_log_that_grows_stays_one(void **state) {
    const struct place *const place = *state;
    for (size_t n = 10; n <= 140; n += 26) {
        write_climate(place, "climate.csv", n);
        struct nw_book_added added = add_all(place);
        assert_int_equal(added.n_fate[n == 10 ? NW_BOOK_ADDED : NW_BOOK_REPLACED], 1);
        nw_book_added_done(&added);
        check_near(ask(place, "SELECT sum(samples) FROM climate"), (double)n, 0.0, "each row once");
    }
    is_sound(place);
}

static void test_a_clock_set_back_loses_only_its_rows(void **state) {
    const struct place *const place = *state;
    static const char TEXT[] = "time,temperature_c,humidity_percent\n"
                               "2026-05-14T21:00:00Z,10,70\n2026-05-14T21:01:00Z,10,70\n"
                               "2026-05-14T21:00:30Z,99,70\n2026-05-14T21:02:00Z,10,70\n";
    struct nw_buf text;
    nw_buf_init(&text, 1 << 12);
    nw_buf_printf(&text, "%s", TEXT);
    write_text(place, "weather.csv", &text);
    nw_buf_done(&text);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_climate, 1);
    nw_book_added_done(&added);
    check_near(ask(place, "SELECT samples FROM climate"), 3.0, 0.0, "one of four steps back");
    check_near(ask(place, "SELECT air_high_c FROM climate"), 10.0, 1e-4, "it is left out");
}

static void test_a_power_log_in_numbers_and_back(void **state) {
    const struct place *const place = *state;
    struct nw_buf text;
    nw_buf_init(&text, 1 << 16);
    nw_buf_printf(&text, "time,hub V,hub A,dryer W,remark\n");
    for (int i = 0; i < 120; i++) {
        const double volts = i == 60 ? 2.0 : i >= 80 && i < 90 ? 11.0 : 13.0; /* one wrong row */
        nw_buf_printf(&text, "2026-05-14T21:%02d:%02dZ,%.2f,2.00,%s,x\n", i / 60, i % 60, volts,
                      i < 60 ? "100" : "");
    }
    write_text(place, "power.csv", &text);
    nw_buf_done(&text);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_power, 1);
    nw_book_added_done(&added);
    check_near(ask(place, "SELECT low_v FROM power WHERE circuit = 'hub'"), 11.0, 1e-9,
               "ten rows of 11 V; the one of 2 V is a slip");
    check_near(ask(place, "SELECT energy_wh FROM power WHERE circuit = 'dryer'"),
               100.0 * 59.0 / 3600.0, 1e-6, "100 W over 59 s");
    check_near(ask(place, "SELECT mean_w FROM power WHERE circuit = 'hub'"),
               2.0 * (109.0 * 13.0 + 10.0 * 11.0 + 2.0) / 120.0, 1e-9, "volts times amps");
    struct nw_power_rows rows = {.n = 0};
    struct nw_err err = {0};
    ok(nw_book_power(place->book, "2026-05-14", &rows, &err), &err);
    assert_int_equal(rows.n, 120);
    assert_int_equal(rows.n_columns, 3);
    assert_string_equal(rows.columns[1], "hub A");
    check_near(rows.data[60], 2.0, 1e-6, "the row as it was logged");
    assert_true(isnan(rows.data[2 * rows.n + 70]));
    struct nw_buf csv;
    struct nw_table *table = NULL;
    struct nw_power_rows again = {.n = 0};
    nw_buf_init(&csv, 1 << 20);
    nw_power_rows_csv(&rows, &csv);
    ok(nw_table_parse("book", csv.data, csv.len, &table, &err), &err);
    ok(nw_power_rows_read(table, &again, &err), &err);
    assert_int_equal(again.n, rows.n);
    for (size_t i = 0; i < rows.n; i++) {
        check_near(again.t_s[i], rows.t_s[i], 1e-3, "written to the millisecond");
        check_near(again.data[i], rows.data[i], 1e-5, "seven digits");
    }
    nw_table_free(table);
    nw_buf_done(&csv);
    nw_power_rows_done(&again);
    nw_text_copy(rows.columns[1], sizeof rows.columns[1], "7\" screen, left A");
    nw_buf_init(&csv, 1 << 20);
    nw_power_rows_csv(&rows, &csv); /* a name of any form comes back as it was */
    ok(nw_table_parse("book", csv.data, csv.len, &table, &err), &err);
    ok(nw_power_rows_read(table, &again, &err), &err);
    assert_string_equal(again.columns[1], "7\" screen, left A");
    nw_power_rows_done(&again);
    nw_power_rows_done(&rows);
    nw_table_free(table);
    nw_buf_done(&csv);
    is_sound(place);
}

static void test_what_is_which(void **state) {
    const struct place *const place = *state;
    static const struct {
        const char *name, *text;
        enum book_kind kind;
    } rows[] = {
        {"a.csv", "# x\n\ntime,ra_err_arcsec,dec_err_arcsec\n", BOOK_LOG},
        {"b.csv", "time,temperature_c,humidity_percent\n", BOOK_CLIMATE},
        {"c.csv", "time,lens_c\n", BOOK_CLIMATE},
        {"d.csv", "t_s,hub V\n", BOOK_POWER},
        {"e.csv", "time,position_steps,temperature_c,filter\n",
         BOOK_FOCUS}, /* has temperatures, but is no climate */
        {"f.txt", "some program 1.0 started\n", BOOK_LOG},
        {"g.csv", "", BOOK_LOG},
        {"h.yaml", "name: x\n", BOOK_RIG},
        {"i.jpg", "", BOOK_NOTHING},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char path[200];
        struct nw_err err = {0};
        ok(nw_file_write_atomic(in(place, rows[i].name, path), rows[i].text, strlen(rows[i].text),
                                &err),
           &err);
        assert_int_equal(book_look_kind(path), rows[i].kind);
    }
    assert_int_equal(book_look_kind("/tmp/nw-not-there.csv"), BOOK_LOG);
}

/* One table of another program, described in a rig file: climate and volts both come out of it. */
static void test_a_described_log_of_another_program(void **state) {
    const struct place *const place = *state;
    static const char LAYOUT[] =
        "logs:\n  box:\n    separator: semicolon\n    time_zone: UTC\n"
        "    readings: temperature_c = Out, humidity_percent = RH, hub V = Bus\n"
        "    columns: {time: When}\n";
    static const char TEXT[] = "a box\nWhen;Out;RH;Bus\n2026-05-14 21:00:00;10;70;13.0\n"
                               "2026-05-14 21:01:00;9;71;12.5\n2026-05-14 21:02:00;8;72;12.9\n";
    char path[200];
    struct nw_err err = {0};
    struct nw_log_layout *items = NULL;
    size_t n = 0;
    struct nw_book_added added = {0};
    ok(nw_rig_parse_layouts("l.yaml", LAYOUT, strlen(LAYOUT), &items, &n, &err), &err);
    ok(nw_file_write_atomic(in(place, "box.txt", path), TEXT, strlen(TEXT), &err), &err);
    const struct nw_guide_layouts layouts = {items, n, NULL};
    const struct nw_book_add_opts opts = {
        .layouts = &layouts, .longitude_rad = 0.0, .n_threads = 1};
    const char *const paths[] = {path};
    ok(nw_book_add(place->book, paths, 1, &opts, NULL, &added, &err), &err);
    assert_int_equal(added.n_climate, 1);
    assert_int_equal(added.n_power, 1);
    nw_book_added_done(&added);
    free(items);
    check_near(ask(place, "SELECT air_mean_c FROM climate"), 9.0, 1e-4, "10, 9, 8");
    check_near(ask(place, "SELECT mean_v FROM power WHERE circuit = 'hub'"), 12.8, 1e-9,
               "13, 12.5, 12.9");
    is_sound(place);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_a_climate_log_is_cut_into_nights),
        in_place(test_one_meaning_of_the_dew_margin),
        in_place(test_rows_come_back_as_they_were),
        in_place(test_two_logs_of_a_night_in_order_of_time),
        in_place(test_a_climate_log_that_grows_stays_one),
        in_place(test_a_clock_set_back_loses_only_its_rows),
        in_place(test_a_power_log_in_numbers_and_back),
        in_place(test_what_is_which),
        in_place(test_a_described_log_of_another_program),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
