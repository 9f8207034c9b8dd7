/* test_trend_tables.c - lines through tables that have only the night in common. */
#include <math.h>

#include "book/book_internal.h"
#include "book_support.h"
#include "rig/rig.h"

/* Twelve nights: the least margin rises by 0.25 K a night, the hub's low voltage falls with it by
 * 0.1 V a kelvin, the roof's stays; hot pixels over 1 e/s grow by 5 a night, over 3 by none. */
static void fill(const struct place *place) {
    static const char *const STEPS[] = {
        "INSERT INTO night (date, is_stale) WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + "
        "1 "
        "FROM n WHERE i < 11) SELECT date('2026-05-01', '+' || i || ' days'), 0 FROM n",
        "INSERT INTO content (sha256, kind, size_bytes, added_utc_s, program_version) VALUES "
        "(zeroblob(32), 'climate-log', 1, 1, '')",
        "INSERT INTO climate_run (content_id, number, night_id, start_utc_s, end_utc_s, n_samples, "
        "gap_s, margin_low_K, columns, samples) SELECT 1, id, id, id, id + 1, 1, 0, 1 + 0.25 * id, "
        "'', x'' FROM night",
        "INSERT INTO power_run (content_id, number, night_id, start_utc_s, duration_s, n_samples, "
        "gap_s, columns, samples) SELECT 1, id, id, id, 1, 1, 0, '', x'' FROM night",
        "INSERT INTO power_reading (run_id, circuit, low_V) SELECT id, 'power hub', 13 - 0.1 * (1 "
        "+ "
        "0.25 * night_id) FROM power_run",
        "INSERT INTO power_reading (run_id, circuit, low_V) SELECT id, 'roof motor', 12 FROM "
        "power_run",
        "INSERT INTO sensor_result (camera, night_id, t_utc_s, is_stale, n_bias, n_dark, n_flat, "
        "hot_pixels, hot_above_e_s) SELECT 'cooled mono', id, id, 0, 2, 2, 2, 999, 0.01 FROM night",
        "INSERT INTO hot_pixel_count SELECT id, 1.0, 100 + 5 * id FROM sensor_result",
        "INSERT INTO hot_pixel_count SELECT id, 3.0, 7 FROM sensor_result",
    };
    struct nw_err err = {0};
    for (size_t i = 0; i < sizeof STEPS / sizeof STEPS[0]; i++) {
        ok(book_run(place->book, STEPS[i], NULL, 0, &err), &err);
    }
}

static void test_two_tables_meet_by_night(void **state) {
    const struct place *const place = *state;
    struct nw_book_trend trend = {.n = 0};
    struct nw_err err = {0};
    static const char *const HUB[] = {"circuit=POWER HUB"}; /* case is no matter */
    const struct nw_book_trend_opts opts = {
        .y = "low_v", .x = "dew_margin_k", .is_by_night = true, .where = HUB, .n_where = 1};
    fill(place);
    ok(nw_book_trend(place->book, &opts, &trend, &err), &err);
    assert_int_equal(trend.n, 12);
    check_near(trend.slope, -0.1, 1e-9, "written so");
    nw_book_trend_done(&trend);
}

static void test_rows_of_several_kinds_are_no_series(void **state) {
    const struct place *const place = *state;
    struct nw_book_trend trend = {.n = 0};
    struct nw_err err = {0};
    static const char *const LIMIT[] = {"above_e_per_s=1.0"};
    static const char *const NONSENSE[] = {"above"};
    struct nw_book_trend_opts opts = {.y = "hot_pixels", .x = "night", .is_by_night = true};
    fill(place);
    assert_int_equal(nw_book_trend(place->book, &opts, &trend, &err), NW_DATA);
    assert_non_null(strstr(err.text, "expected --where above_e_per_s=VALUE with one of: 1.0,3.0"));
    opts.where = LIMIT;
    opts.n_where = 1;
    ok(nw_book_trend(place->book, &opts, &trend, &err), &err);
    check_near(trend.slope, 5.0, 1e-9, "five a night");
    nw_book_trend_done(&trend);
    opts.y = "sensor.hot_pixels"; /* by table, which has no such limits */
    assert_int_equal(nw_book_trend(place->book, &opts, &trend, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "no column 'above_e_per_s' beside hot_pixels (table sensor)"));
    opts.where = NONSENSE;
    assert_int_equal(nw_book_trend(place->book, &opts, &trend, &err), NW_USAGE);
    opts.n_where = 0;
    ok(nw_book_trend(place->book, &opts, &trend, &err), &err);
    check_near(trend.points[0].y, 999.0, 0.0, "of the other table");
    nw_book_trend_done(&trend);
    opts.y = "nothing.hot_pixels";
    assert_int_equal(nw_book_trend(place->book, &opts, &trend, &err), NW_NOTFOUND);
    opts.y = "sensor.hot_pixel";
    assert_int_equal(nw_book_trend(place->book, &opts, &trend, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "nearest: hot_pixels"));
}

static void test_values_that_are_not_there(void **state) {
    const struct place *const place = *state;
    struct nw_book_trend trend = {.n = 0};
    struct nw_err err = {0};
    static const char *const WORDS[] = {"above_e_per_s=abc"};
    static const char *const WRONG[] = {"circuit=power hum"};
    struct nw_book_trend_opts opts = {
        .y = "hot_pixels", .x = "night", .where = WORDS, .n_where = 1};
    fill(place);
    assert_int_equal(nw_book_trend(place->book, &opts, &trend, &err), NW_USAGE);
    assert_string_equal(err.text, "--where above_e_per_s=abc: expected a number");
    opts.where = WRONG;
    opts.y = "low_v";
    assert_int_equal(nw_book_trend(place->book, &opts, &trend, &err), NW_NOTFOUND);
    assert_string_equal(err.text, "no circuit 'power hum' in the book (nearest: power hub)");
}

static void test_a_filter_by_all_its_names(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    char path[200];
    struct nw_paths names = {0};
    static const char RIG[] =
        "nightwright: 1\nname: shed\nsite: {latitude: 48 deg, longitude: 15 deg}\n"
        "telescopes:\n  t: {aperture: 115 mm, focal_length: 805 mm}\n"
        "cameras:\n  c: {width: 96, height: 96, pixel: 3.76 um}\n"
        "filters:\n  luminance: {also: [L, Lum], centre: 550 nm, width: 300 nm}\n"
        "  red: {also: [R], centre: 640 nm, width: 100 nm}\n"
        "setups:\n  deep: {telescope: t, camera: c, filters: [luminance, red]}\n";
    ok(nw_file_write_atomic(in(place, "rig.yaml", path), RIG, strlen(RIG), &err), &err);
    struct nw_book_added added = add_all(place);
    if (added.n_skipped > 0) {
        print_error("%s\n", added.skipped[0].why);
    }
    assert_int_equal(added.n_rigs, 1);
    nw_book_added_done(&added);
    ok(nw_book_filter_names(place->book, NULL, "lum", &names, &err), &err);
    assert_int_equal(names.n, 3);
    assert_string_equal(names.items[0], "lum"); /* as asked; "Lum" is the same */
    assert_string_equal(names.items[1], "luminance");
    assert_string_equal(names.items[2], "L");
    nw_paths_done(&names);
    ok(nw_book_filter_names(place->book, NULL, "H-alpha", &names, &err), &err);
    assert_int_equal(names.n, 1); /* nobody knows another */
    nw_paths_done(&names);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_two_tables_meet_by_night),
        in_place(test_rows_of_several_kinds_are_no_series),
        in_place(test_values_that_are_not_there),
        in_place(test_a_filter_by_all_its_names),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
