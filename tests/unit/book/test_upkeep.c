/* test_upkeep.c - what is due when: intervals, what was done, what the nights say, own tasks. */
#include <sqlite3.h>

#include "book/upkeep.h"
#include "book_support.h"

static void say(const struct place *place, const char *sql) {
    char path[200];
    char *why = NULL;
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(in(place, "book.sqlite", path), &db), SQLITE_OK);
    if (sqlite3_exec(db, sql, NULL, NULL, &why) != SQLITE_OK) {
        print_error("%s: %s\n", sql, why);
        fail();
    }
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

static double moment(const char *iso) {
    double t_s = NAN;
    assert_int_equal(nw_time_read_iso(iso, 0.0, &t_s, NULL), NW_OK);
    return t_s;
}

/* A book of two evenings with a light each, in May and August. */
static void begin(const struct place *place) {
    write_frame(place, "a.fits",
                &(struct words){.date = "2026-05-01T21:00:00", .use = "LIGHT", .gain = "100"});
    write_frame(
        place, "b.fits",
        &(struct words){.date = "2026-08-01T21:00:00", .use = "LIGHT", .gain = "100", .seed = 2});
    take_all(place);
}

static struct nw_upkeep find(const struct place *place, const char *name, const char *now) {
    struct nw_upkeep *tasks = NULL;
    size_t n = 0;
    struct nw_err err = {0};
    ok(nw_upkeep_list(place->book, moment(now), &tasks, &n, &err), &err);
    struct nw_upkeep found = {.every_s = NAN};
    for (size_t i = 0; i < n; i++) {
        if (nw_text_equal_nocase(tasks[i].name, name)) {
            found = tasks[i];
        }
        if (i > 0 && isfinite(tasks[i].due_s) && isfinite(tasks[i - 1].due_s)) {
            assert_true(tasks[i - 1].due_s <= tasks[i].due_s); /* in order */
        }
    }
    free(tasks);
    assert_string_not_equal(found.name, "");
    return found;
}

static void done(const struct place *place, const char *name, const char *date) {
    struct nw_err err = {0};
    ok(nw_upkeep_done(place->book, name, date, "", moment("2026-09-01T00:00:00Z"), &err), &err);
}

static void test_intervals_count_from_what_was_noted(void **state) {
    const struct place *const place = *state;
    begin(place);
    struct nw_upkeep task = find(place, "battery", "2026-09-01T00:00:00Z");
    assert_string_equal(task.due, "2026-10-28"); /* 180 days after 1 May, by a calendar */
    assert_false(task.is_due);
    assert_non_null(strstr(task.why, "never noted"));
    done(place, "BATTERY", "2026-07-15");
    done(place, "battery", "2026-06-01"); /* older notes do not count backwards */
    task = find(place, "battery", "2027-01-11T00:00:00Z");
    assert_string_equal(task.last_done, "2026-07-15");
    assert_string_equal(task.due, "2027-01-11");
    assert_true(task.is_due); /* on its day */
    assert_string_not_equal(task.caution, "");
}

static void test_a_damp_room_comes_first(void **state) {
    const struct place *const place = *state;
    begin(place);
    say(place,
        "INSERT INTO content VALUES (99, randomblob(32), 'climate-log', 1, 0, ''); INSERT INTO "
        "night (id, date, is_stale) VALUES (51, '2026-06-01', 0), (52, '2026-06-02', 0), (53, "
        "'2026-06-03', 0), (54, '2026-06-04', 0); INSERT INTO climate_run (content_id, number, "
        "night_id, start_utc_s, end_utc_s, n_samples, gap_s, columns, samples, "
        "room_humidity_high) VALUES (99, 1, 51, 0, 1, 1, 0, '', x'', 0.7), (99, 2, 52, 0, 1, 1, 0, "
        "'', x'', 0.5), (99, 3, 53, 0, 1, 1, 0, '', x'', 0.8), (99, 4, 54, 0, 1, 1, 0, '', x'', "
        "0.65)");
    struct nw_upkeep task = find(place, "desiccant", "2026-06-10T00:00:00Z");
    assert_string_equal(task.due, "2026-06-04");
    assert_non_null(strstr(task.why, "3 of the last 6 nights"));
    done(place, "desiccant", "2026-06-03"); /* two damp nights before it do not count any more */
    task = find(place, "desiccant", "2026-06-10T00:00:00Z");
    assert_string_equal(task.due, "2026-08-02");
}

static void test_frost_brings_the_axis_up_in_spring(void **state) {
    const struct place *const place = *state;
    begin(place);
    assert_string_equal(find(place, "polar axis", "2026-09-01T00:00:00Z").due, "2027-05-01");
    say(place,
        "INSERT INTO content VALUES (99, randomblob(32), 'climate-log', 1, 0, ''); INSERT INTO "
        "night (id, date, is_stale) VALUES (51, '2026-12-20', 0); INSERT INTO climate_run "
        "(content_id, number, night_id, start_utc_s, end_utc_s, n_samples, gap_s, columns, "
        "samples, air_low_K) VALUES (99, 1, 51, 0, 1, 1, 0, '', x'', 268.0); UPDATE frame SET "
        "latitude_rad = 0.8");
    struct nw_upkeep task = find(place, "polar axis", "2027-01-01T00:00:00Z");
    assert_string_equal(task.due, "2027-04-01");
    assert_non_null(strstr(task.why, "1 nights of frost"));
    say(place,
        "UPDATE frame SET latitude_rad = -0.8; UPDATE night SET date = '2026-07-20' WHERE id "
        "= 51");
    assert_string_equal(find(place, "polar axis", "2026-09-01T00:00:00Z").due, "2026-10-01");
}

static void test_calibration_frames_grow_old_or_do_not_fit(void **state) {
    const struct place *const place = *state;
    begin(place);
    struct nw_upkeep task = find(place, "dark frames of cooled mono", "2026-09-01T00:00:00Z");
    assert_true(task.is_due);
    assert_non_null(strstr(task.why, "none in the book"));
    write_frame(
        place, "d.fits",
        &(struct words){.date = "2026-07-01T12:30:00", .use = "DARK", .gain = "100", .seed = 3});
    take_all(place);
    task = find(place, "dark frames of cooled mono", "2026-09-01T00:00:00Z");
    assert_string_equal(task.due, "2026-12-28"); /* 180 days after 1 July */
    say(place, "UPDATE frame SET set_temperature_K = CASE use WHEN 'dark' THEN 263.15 ELSE 268.15 "
               "END");
    task = find(place, "dark frames of cooled mono", "2026-09-01T00:00:00Z");
    assert_string_equal(task.due, "2026-08-01");
    assert_non_null(strstr(task.why, "at -5 degC, no darks within 1 K"));
    say(place, "UPDATE frame SET set_temperature_K = 267.5 WHERE use = 'dark'");
    assert_string_equal(find(place, "dark frames of cooled mono", "2026-09-01T00:00:00Z").due,
                        "2026-12-28");
}

static void test_a_changed_train_wants_its_leaks_looked_for(void **state) {
    const struct place *const place = *state;
    begin(place);
    say(place,
        "INSERT INTO change (origin, date, what, new_value) VALUES ('headers', '2026-08-01', "
        "'camera and telescope', 'x')");
    struct nw_upkeep task = find(place, "light leak with the cap on", "2026-09-01T00:00:00Z");
    assert_string_equal(task.due, "2026-08-01");
    done(place, "light leak with the cap on", "2026-08-05");
    task = find(place, "light leak with the cap on", "2026-09-01T00:00:00Z");
    assert_string_equal(task.due, "2027-08-05");
}

static void test_a_book_without_a_night(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    ok(nw_upkeep_add(place->book,
                     &(struct nw_upkeep_own){.name = "mow the path", .every_s = 14.0 * 86400.0},
                     &err),
       &err);
    const struct nw_upkeep task = find(place, "mow the path", "2026-09-01T00:00:00Z");
    assert_true(task.is_due);
    assert_non_null(strstr(task.why, "no night to count from"));
    done(place, "mow the path", "2026-09-01");
    assert_string_equal(find(place, "mow the path", "2026-09-02T00:00:00Z").due, "2026-09-15");
}

static void test_tasks_of_the_owner(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    begin(place);
    ok(nw_upkeep_add(place->book,
                     &(struct nw_upkeep_own){
                         .name = "mow the path", .every_s = 14.0 * 86400.0, .caution = "cables"},
                     &err),
       &err);
    ok(nw_upkeep_add(
           place->book,
           &(struct nw_upkeep_own){.name = "roof bolts", .every_s = NAN, .due = "2026-10-03"},
           &err),
       &err);
    struct nw_upkeep task = find(place, "mow the path", "2026-09-01T00:00:00Z");
    assert_true(task.is_owners && task.is_due);
    assert_string_equal(task.due, "2026-05-15");
    assert_string_equal(find(place, "roof bolts", "2026-09-01T00:00:00Z").due, "2026-10-03");
    done(place, "roof bolts", "2026-10-04");
    assert_string_equal(find(place, "roof bolts", "2026-11-01T00:00:00Z").due, ""); /* once */
    ok(nw_upkeep_forget(place->book, "Mow the path", &err), &err);
#define refused(call, words)                                                                       \
    assert_int_not_equal((call), NW_OK);                                                           \
    assert_non_null(strstr(err.text, words))
    struct nw_book *const book = place->book;
    refused(nw_upkeep_forget(book, "mow the path", &err), "no task of yours");
    refused(nw_upkeep_done(book, "batery", "2026-05-01", "", 1.8e9, &err), "nearest: battery");
    refused(nw_upkeep_done(book, "battery", "1 May", "", 1.8e9, &err), "is no date");
    struct nw_upkeep_own own = {.name = "Battery", .every_s = 1.0};
    refused(nw_upkeep_add(book, &own, &err), "choose another name");
    own = (struct nw_upkeep_own){.name = "x", .every_s = NAN};
    refused(nw_upkeep_add(book, &own, &err), "every how many days, or a day");
    own.due = "soon";
    refused(nw_upkeep_add(book, &own, &err), "is no date");
    own = (struct nw_upkeep_own){.name = "", .every_s = 1.0};
    refused(nw_upkeep_add(book, &own, &err), "wants a name");
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_intervals_count_from_what_was_noted),
        in_place(test_a_damp_room_comes_first),
        in_place(test_frost_brings_the_axis_up_in_spring),
        in_place(test_calibration_frames_grow_old_or_do_not_fit),
        in_place(test_a_changed_train_wants_its_leaks_looked_for),
        in_place(test_a_book_without_a_night),
        in_place(test_tasks_of_the_owner),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
