/* test_changes.c - settings that differ from one night to the next, in whatever order they come. */
#include "book_support.h"

static struct nw_book_change *changes_of(const struct place *place, size_t *n) {
    struct nw_book_change *changes = NULL;
    struct nw_err err = {0};
    ok(nw_book_changes(place->book, NULL, NULL, &changes, n, &err), &err);
    return changes;
}

static const struct words OLD = {.date = "2026-05-14T21:40:00",
                                 .use = "LIGHT",
                                 .filter = "L",
                                 .gain = "100",
                                 .software = "capture 1.0"};
static const struct words NEW = {.date = "2026-05-16T21:40:00",
                                 .use = "LIGHT",
                                 .filter = "L",
                                 .gain = "200",
                                 .software = "capture 1.0",
                                 .seed = 3};
static const struct words BETWEEN = {
    .date = "2026-05-15T21:40:00", .use = "LIGHT", .filter = "L", .gain = "200.0", .seed = 4};

static void test_a_setting_is_noticed_once(void **state) {
    const struct place *const place = *state;
    size_t n = 0;
    write_frame(place, "a.fits", &OLD);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_changes, 0); /* the first night has none before it */
    nw_book_added_done(&added);
    write_frame(place, "b.fits", &NEW);
    added = add_all(place);
    assert_int_equal(added.n_changes, 1);
    nw_book_added_done(&added);
    struct nw_book_change *changes = changes_of(place, &n);
    assert_int_equal(n, 1);
    assert_string_equal(changes[0].what, "gain");
    assert_string_equal(changes[0].old_value, "100");
    assert_string_equal(changes[0].new_value, "200");
    assert_string_equal(changes[0].date, "2026-05-16");
    assert_false(changes[0].is_owners);
    free(changes);
    added = add_all(place); /* nothing new, nothing noticed again */
    assert_int_equal(added.n_changes, 0);
    nw_book_added_done(&added);
}

/* A night in between that comes last moves the change to itself: "200.0" is 200, and what it does
 * not say of its software differs on both sides of it. */
static void test_nights_may_come_in_any_order(void **state) {
    const struct place *const place = *state;
    size_t n = 0;
    write_frame(place, "b.fits", &NEW);
    write_frame(place, "a.fits", &OLD);
    take_all(place);
    write_frame(place, "c.fits", &BETWEEN);
    take_all(place);
    struct nw_book_change *changes = changes_of(place, &n);
    assert_int_equal(n, 3);
    assert_string_equal(changes[0].date, "2026-05-15");
    assert_string_equal(changes[0].what, "gain");
    assert_string_equal(changes[1].what, "software");
    assert_string_equal(changes[1].new_value, "");
    assert_string_equal(changes[2].date, "2026-05-16");
    assert_string_equal(changes[2].what, "software");
    assert_string_equal(changes[2].old_value, "");
    free(changes);
}

static void test_the_owners_words_stay(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    int64_t id = 0;
    size_t n = 0;
    ok(nw_book_note(place->book, "2026-05-16", "shimmed screw B", "half first", &id, &err), &err);
    write_frame(place, "a.fits", &OLD);
    write_frame(place, "b.fits", &NEW);
    take_all(place);
    struct nw_book_change *changes = changes_of(place, &n);
    assert_int_equal(n, 2);
    assert_true(changes[0].is_owners);
    assert_string_equal(changes[0].note, "half first");
    free(changes);
    assert_int_equal(nw_book_forget_note(place->book, id + 1, &err), NW_NOTFOUND); /* noticed */
    ok(nw_book_forget_note(place->book, id, &err), &err);
    changes = changes_of(place, &n);
    assert_int_equal(n, 1);
    free(changes);
    static const char *const DATES[] = {"yesterday", "2026-13-01", "2026-02-30", "2026-5-1", ""};
    for (size_t i = 0; i < sizeof DATES / sizeof DATES[0]; i++) {
        assert_int_equal(nw_book_note(place->book, DATES[i], "x", "", &id, &err), NW_DOMAIN);
    }
    assert_int_equal(nw_book_note(place->book, "2026-05-16", "", "", &id, &err), NW_DOMAIN);
}

/* A guide log of an evening with these header lines. */
static void write_log(const struct place *place, const char *name, int day, const char *header) {
    struct nw_buf text;
    char path[200];
    struct nw_err err = {0};
    nw_buf_init(&text, 1 << 16);
    nw_buf_printf(&text, "%s# time_zone: UTC\ntime,ra_err_arcsec,dec_err_arcsec\n", header);
    for (size_t i = 0; i < 60; i++) {
        nw_buf_printf(&text, "2026-05-%02dT21:%02zu:%02zu,%.2f,%.2f\n", day, i / 30, i % 30 * 2,
                      0.1 * (double)(i * 7 % 11) - 0.5, 0.1 * (double)(i * 5 % 13) - 0.6);
    }
    ok(nw_file_write_atomic(in(place, name, path), text.data, text.len, &err), &err);
    nw_buf_done(&text);
}

static void test_guide_logs_tell_changes_too(void **state) {
    const struct place *const place = *state;
    size_t n = 0;
    write_log(place, "1.csv", 14,
              "# exposure_s: 2\n# guide_scale_arcsec_per_px: 3.35\n# setting_aggression: 0.7\n");
    write_log(place, "3.csv", 18,
              "# exposure_s: 3\n# guide_scale_arcsec_per_px: 3.35\n# setting_aggression: 0.5\n"
              "# setting_algorithm: lowpass\n");
    take_all(place);
    struct nw_book_change *changes = changes_of(place, &n);
    static const char *const ROWS[][3] = {{"guide exposure, s", "2", "3"},
                                          {"guiding: aggression", "0.7", "0.5"},
                                          {"guiding: algorithm", "", "lowpass"}};
    assert_int_equal(n, 3);
    for (size_t i = 0; i < 3; i++) {
        assert_string_equal(changes[i].what, ROWS[i][0]);
        assert_string_equal(changes[i].old_value, ROWS[i][1]);
        assert_string_equal(changes[i].new_value, ROWS[i][2]);
        assert_string_equal(changes[i].date, "2026-05-18");
    }
    free(changes);
    /* a night between that comes later takes the changes to itself */
    write_log(place, "2.csv", 16,
              "# exposure_s: 3\n# guide_scale_arcsec_per_px: 3.35\n# setting_aggression: 0.5\n"
              "# setting_algorithm: lowpass\n");
    take_all(place);
    changes = changes_of(place, &n);
    assert_int_equal(n, 3);
    for (size_t i = 0; i < n; i++) {
        assert_string_equal(changes[i].date, "2026-05-16");
    }
    free(changes);
}

/* Two long names with one beginning are two settings, and told whole. */
static void test_long_names_of_settings_stay_whole(void **state) {
    const struct place *const place = *state;
    size_t n = 0;
    write_log(place, "1.csv", 14,
              "# setting_right_ascension_minimum_move_before_correction: 0.1\n"
              "# setting_right_ascension_minimum_move_before_anything_else: 0.2\n");
    write_log(place, "2.csv", 18,
              "# setting_right_ascension_minimum_move_before_correction: 0.1\n"
              "# setting_right_ascension_minimum_move_before_anything_else: 0.3\n");
    take_all(place);
    struct nw_book_change *const changes = changes_of(place, &n);
    assert_int_equal(n, 1);
    assert_string_equal(changes[0].what,
                        "guiding: right_ascension_minimum_move_before_anything_else");
    assert_string_equal(changes[0].old_value, "0.2");
    assert_string_equal(changes[0].new_value, "0.3");
    free(changes);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_a_setting_is_noticed_once),
        in_place(test_nights_may_come_in_any_order),
        in_place(test_the_owners_words_stay),
        in_place(test_guide_logs_tell_changes_too),
        in_place(test_long_names_of_settings_stay_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
