/* test_book.c - what goes into the book, once and whole. */
#include <sys/stat.h>

#include "book_support.h"

static void test_a_night_turns_at_noon_of_the_site(void **state) {
    (void)state;
    static const struct {
        const char *utc;
        double longitude_deg;
        const char *want;
    } rows[] = {
        {"2026-05-14T21:40:00Z", 0.0, "2026-05-14"},    {"2026-05-15T03:00:00Z", 0.0, "2026-05-14"},
        {"2026-05-15T11:59:59Z", 0.0, "2026-05-14"},    {"2026-05-15T12:00:00Z", 0.0, "2026-05-15"},
        {"2026-06-14T11:16:00Z", 150.0, "2026-06-14"},  /* 21:16 there */
        {"2026-06-14T08:00:00Z", -150.0, "2026-06-13"}, /* 22:00 of the day before there */
        {"2026-06-14T08:00:00Z", 210.0, "2026-06-13"},  /* the same place */
        {"2024-02-29T20:00:00Z", 15.0, "2024-02-29"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        double t_s = 0.0;
        char date[NW_BOOK_DATE];
        struct nw_err err = {0};
        ok(nw_time_read_iso(rows[i].utc, 0.0, &t_s, &err), &err);
        nw_book_night_date(t_s, rows[i].longitude_deg * NW_RAD_PER_DEG, date);
        assert_string_equal(date, rows[i].want);
    }
    char date[NW_BOOK_DATE] = "x";
    nw_book_night_date(NAN, 0.0, date);
    assert_string_equal(date, "");
}

static void test_what_is_no_book_is_refused(void **state) {
    const struct place *const place = *state;
    char path[200];
    struct nw_err err = {0};
    struct nw_book *book = NULL;
    ok(nw_file_write_atomic(in(place, "words.txt", path), "no database, long enough to be read", 35,
                            &err),
       &err);
    assert_int_equal(nw_book_open(path, NW_BOOK_READ, &book, &err), NW_FORMAT);
    assert_non_null(strstr(err.text, "is no book (not a database)"));
    assert_int_equal(nw_book_open(in(place, "none", path), NW_BOOK_READ, &book, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "no book there"));
    assert_int_equal(nw_book_open("/proc/nw-book", NW_BOOK_CREATE, &book, &err), NW_IO);
    assert_null(book);
}

static void test_the_same_content_is_taken_once(void **state) {
    const struct place *const place = *state;
    const struct words light = {.date = "2026-05-14T21:40:00", .use = "LIGHT", .filter = "L"};
    const struct words dark = {.date = "2026-05-14T22:40:00", .use = "DARK", .seed = 5};
    write_frame(place, "a.fits", &light);
    write_frame(place, "copy.fits", &light); /* in the same batch */
    write_frame(place, "dark.fits", &dark);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_ADDED], 2);
    assert_int_equal(added.n_fate[NW_BOOK_KNOWN], 1);
    assert_int_equal(added.n_lights, 1);
    assert_int_equal(added.n_calibration, 1);
    nw_book_added_done(&added);
    added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_ADDED], 0);
    assert_int_equal(added.n_fate[NW_BOOK_KNOWN], 3);
    nw_book_added_done(&added);
    char from[200];
    char to[200];
    assert_int_equal(rename(in(place, "a.fits", from), in(place, "moved.fits", to)), 0);
    added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_ADDED], 0);
    nw_book_added_done(&added);
}

static void test_a_second_file_of_an_exposure_counts_once(void **state) {
    const struct place *const place = *state;
    const struct words one = {.date = "2026-05-14T21:40:00", .use = "LIGHT", .filter = "L"};
    const struct words edited = {
        .date = "2026-05-14T21:40:00", .use = "LIGHT", .filter = "L", .software = "other"};
    write_frame(place, "a.fits", &one);
    write_frame(place, "edited.fits", &edited);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_ADDED], 2);
    assert_int_equal(added.n_doubles, 1);
    nw_book_added_done(&added);
    struct nw_book_night *nights = NULL;
    size_t n = 0;
    struct nw_err err = {0};
    ok(nw_book_nights(place->book, NULL, NULL, &nights, &n, &err), &err);
    assert_int_equal(n, 1);
    assert_int_equal(nights[0].n_lights, 1);
    check_near(nights[0].exposure_s, 60.0, 1e-9, "one exposure of 60 s");
    assert_string_equal(nights[0].date, "2026-05-14");
    free(nights);
}

static void test_the_same_name_with_new_content(void **state) {
    const struct place *const place = *state;
    const struct words first = {.date = "2026-05-14T21:40:00", .use = "LIGHT", .filter = "L"};
    const struct words edited = {
        .date = "2026-05-14T21:40:00", .use = "LIGHT", .filter = "L", .gain = "100"};
    const struct words later = {.date = "2026-05-15T21:40:00", .use = "LIGHT", .filter = "L"};
    write_frame(place, "a.fits", &first);
    struct nw_book_added added = add_all(place);
    nw_book_added_done(&added);
    write_frame(place, "a.fits", &edited); /* the same exposure: takes its place */
    added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_REPLACED], 1);
    nw_book_added_done(&added);
    write_frame(place, "a.fits", &later); /* another exposure: both are kept */
    added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_ADDED], 1);
    nw_book_added_done(&added);
    struct nw_book_health health = {0};
    struct nw_err err = {0};
    ok(nw_book_check(place->book, &health, &err), &err);
    assert_int_equal(health.n_frames, 2);
    assert_int_equal(health.n_problems, 0);
}

static void test_what_cannot_be_read_is_skipped_with_its_reason(void **state) {
    const struct place *const place = *state;
    const struct words light = {.date = "2026-05-14T21:40:00", .use = "LIGHT", .filter = "L"};
    char path[200];
    write_frame(place, "whole.fits", &light);
    write_frame(place, "part.fits", &light);
    assert_int_equal(truncate(in(place, "part.fits", path), 9000), 0);
    struct nw_err err = {0};
    ok(nw_file_write_atomic(in(place, "table.csv", path), "a,b\n1,2\n", 8, &err), &err);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_ADDED], 1);
    assert_int_equal(added.n_skipped, 2);
    assert_non_null(strstr(added.skipped[0].path, "part.fits"));
    assert_null(strstr(added.skipped[0].why, place->folder)); /* the path is told once */
    assert_non_null(strstr(added.skipped[1].why, "neither a column t_s nor a column time"));
    nw_book_added_done(&added);
    const char *const none[] = {"/tmp/nw-test-not-there"};
    const struct nw_book_add_opts opts = {.longitude_rad = NAN};
    assert_int_equal(nw_book_add(place->book, none, 1, &opts, NULL, &added, &err), NW_NOTFOUND);
    nw_book_added_done(&added);
}

static void write_log(const struct place *place, size_t n_rows) {
    struct nw_buf text;
    char path[200];
    struct nw_err err = {0};
    nw_buf_init(&text, 1 << 20);
    nw_buf_printf(&text, "# exposure_s: 1\n# time_zone: UTC\ntime,ra_err_arcsec,dec_err_arcsec\n");
    for (size_t i = 0; i < n_rows; i++) {
        nw_buf_printf(&text, "2026-05-14T21:%02zu:%02zu,%.2f,%.2f\n", i / 60, i % 60,
                      0.1 * (double)(i * 7 % 11) - 0.5, 0.1 * (double)(i * 5 % 13) - 0.6);
    }
    ok(nw_file_write_atomic(in(place, "guide.csv", path), text.data, text.len, &err), &err);
    nw_buf_done(&text);
}

static void test_a_log_that_grows_stays_one(void **state) {
    const struct place *const place = *state;
    write_log(place, 200);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_ADDED], 1);
    nw_book_added_done(&added);
    write_log(place, 400);
    added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_REPLACED], 1);
    nw_book_added_done(&added);
    struct nw_book_health health = {0};
    struct nw_err err = {0};
    ok(nw_book_check(place->book, &health, &err), &err);
    assert_int_equal(health.n_runs, 1);
    assert_int_equal(health.n_samples, 400);
    assert_int_equal(health.n_problems, 0);
}

static void test_a_copy_is_a_book(void **state) {
    const struct place *const place = *state;
    const struct words light = {.date = "2026-05-14T21:40:00", .use = "LIGHT", .filter = "L"};
    write_frame(place, "a.fits", &light);
    take_all(place);
    char path[200];
    struct nw_err err = {0};
    struct nw_book *copy = NULL;
    ok(nw_book_backup(place->book, in(place, "copy.sqlite", path), &err), &err);
    ok(nw_book_backup(place->book, path, &err), &err); /* over an older one */
    ok(nw_book_open(path, NW_BOOK_READ, &copy, &err), &err);
    struct nw_book_health health = {0};
    ok(nw_book_check(copy, &health, &err), &err);
    assert_int_equal(health.n_frames, 1);
    struct nw_book_change *changes = NULL;
    size_t n = 0;
    ok(nw_book_changes(copy, NULL, NULL, &changes, &n, &err), &err);
    assert_int_equal(n, 0);
    free(changes);
    int64_t id = 0;
    assert_int_equal(nw_book_note(copy, "2026-05-14", "x", "", &id, &err), NW_IO); /* read only */
    nw_book_close(copy);
}

static void test_rows_leave_as_csv(void **state) {
    const struct place *const place = *state;
    const struct words light = {
        .date = "2026-05-14T21:40:00", .use = "LIGHT", .filter = "L, \"x\""};
    write_frame(place, "a.fits", &light);
    take_all(place);
    struct nw_buf csv;
    struct nw_err err = {0};
    nw_buf_init(&csv, 1 << 20);
    ok(nw_book_export_csv(place->book, "sub", &csv, &err), &err);
    assert_non_null(strstr(csv.data, ",\"L, \"\"x\"\"\",")); /* RFC 4180, sec. 2, rules 6 and 7 */
    assert_non_null(strstr(csv.data, "2026-05-14T21:40:00.000Z"));
    nw_buf_done(&csv);
    nw_buf_init(&csv, 1 << 20);
    assert_int_equal(nw_book_export_csv(place->book, "subs", &csv, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "nearest: sub"));
    nw_buf_done(&csv);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_night_turns_at_noon_of_the_site),
        in_place(test_what_is_no_book_is_refused),
        in_place(test_the_same_content_is_taken_once),
        in_place(test_a_second_file_of_an_exposure_counts_once),
        in_place(test_the_same_name_with_new_content),
        in_place(test_what_cannot_be_read_is_skipped_with_its_reason),
        in_place(test_a_log_that_grows_stays_one),
        in_place(test_a_copy_is_a_book),
        in_place(test_rows_leave_as_csv),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
