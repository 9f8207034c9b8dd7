/* test_sets.c - calibration frames in the book: which belong together, what they say. */
#include <math.h>

#include "book/sets.h"
#include "book_ask.h"

/* `n` frames alike, a minute apart. */
static void write_some(const struct place *place, const char *name, struct words words, size_t n) {
    for (size_t i = 0; i < n; i++) {
        char file[64];
        char date[32];
        (void)snprintf(file, sizeof file, "%s_%zu.fits", name, i);
        (void)snprintf(date, sizeof date, "%.15s%zu:00", words.date, i);
        struct words one = words;
        one.date = date;
        one.seed = words.seed + (unsigned)i;
        write_frame(place, file, &one);
    }
}

static void test_what_is_alike_is_one_set(void **state) {
    const struct place *const place = *state;
    const struct words dark = {.date = "2026-05-14T21:00:00",
                               .use = "DARK",
                               .gain = "100",
                               .exposure = "300",
                               .temperature = "-10",
                               .seed = 1};
    struct words other = dark;
    write_some(place, "dark", dark, 3);
    other.exposure = "301"; /* within 2 % */
    other.temperature = "-10.4";
    other.date = "2026-05-14T22:00:00";
    other.seed = 11;
    write_some(place, "alike", other, 2);
    other = dark;
    other.date = "2026-05-14T23:00:00";
    other.exposure = "60";
    other.seed = 21;
    write_some(place, "short", other, 2);
    other = dark;
    other.date = "2026-05-15T00:00:00";
    other.temperature = "-20";
    other.seed = 31;
    write_some(place, "cold", other, 2);
    other = dark;
    other.date = "2026-05-15T01:00:00";
    other.gain = "0";
    other.seed = 41;
    write_some(place, "gain", other, 2);
    other = dark;
    other.date = "2026-05-16T21:00:00"; /* another session */
    other.seed = 51;
    write_some(place, "later", other, 2);
    other = dark;
    other.use = "LIGHT"; /* is in none */
    other.seed = 61;
    write_some(place, "light", other, 1);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_calibration, 13);
    nw_book_added_done(&added);
    check_near(ask(place, "SELECT count(*) FROM calibration"), 5.0, 0.0,
               "five things to differ in");
    check_near(ask(place, "SELECT frames FROM calibration WHERE set_id = (SELECT "
                          "calibration_set_id FROM frame WHERE t_start_utc_s = (SELECT "
                          "min(t_start_utc_s) FROM frame WHERE exposure_s = 301))"),
               5.0, 0.0, "three and two that are alike");
    check_near(ask(place, "SELECT sum(frames) FROM calibration"), 13.0, 0.0, "each once");
    is_sound(place);
}

static void test_flats_by_filter_and_angle(void **state) {
    const struct place *const place = *state;
    struct words flat = {.date = "2026-05-14T21:00:00",
                         .use = "FLAT",
                         .filter = "L",
                         .rotator = "359.8",
                         .exposure = "1",
                         .seed = 1};
    write_some(place, "a", flat, 2);
    flat.rotator = "0.3"; /* half a degree on, over the turn */
    flat.exposure = "2";  /* a flat's exposure is no matter */
    flat.seed = 11;
    flat.date = "2026-05-14T22:00:00";
    write_some(place, "b", flat, 2);
    flat.date = "2026-05-14T22:10:00";
    flat.rotator = "180";
    flat.seed = 21;
    write_some(place, "c", flat, 2);
    flat.date = "2026-05-14T22:20:00";
    flat.rotator = NULL;
    flat.seed = 31;
    write_some(place, "d", flat, 2);
    flat.date = "2026-05-14T22:30:00";
    flat.filter = "R";
    flat.seed = 41;
    write_some(place, "e", flat, 2);
    take_all(place);
    check_near(ask(place, "SELECT count(*) FROM calibration"), 4.0, 0.0,
               "two angles, none said, another filter");
    check_near(ask(place, "SELECT max(frames) FROM calibration"), 4.0, 0.0, "359.8 and 0.3 deg");
    is_sound(place);
}

static void test_sets_grow_shrink_and_go(void **state) {
    const struct place *const place = *state;
    const struct words bias = {.date = "2026-05-14T21:00:00", .use = "BIAS", .exposure = "0"};
    write_some(place, "bias", bias, 3);
    struct nw_book_added added = add_all(place);
    nw_book_added_done(&added);
    check_near(ask(place, "SELECT frames FROM calibration"), 3.0, 0.0, "three");
    check_near(ask(place, "SELECT level_adu FROM calibration"), 1015.5, 0.3,
               "1000 and 0 to 31 evenly: mean 15.5, error 9.2 / sqrt(8 x 9216)");
    check_near(ask(place, "SELECT noise_adu FROM calibration"), sqrt((32.0 * 32.0 - 1.0) / 12.0),
               0.2, "of 32 even steps");
    write_some(place, "bias", bias, 5); /* two more */
    added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_ADDED], 2);
    nw_book_added_done(&added);
    check_near(ask(place, "SELECT frames FROM calibration"), 5.0, 0.0, "five");
    check_near(ask(place, "SELECT count(*) FROM calibration"), 1.0, 0.0, "the same set");
    struct nw_err err = {0}; /* a frame that goes takes itself along, no more */
    ok(book_run(place->book, "DELETE FROM content WHERE id = (SELECT max(id) FROM content)", NULL,
                0, &err),
       &err);
    write_some(
        place, "more",
        (struct words){.date = "2026-05-14T22:00:00", .use = "BIAS", .exposure = "0", .seed = 9},
        1);
    take_all(place);
    check_near(ask(place, "SELECT frames = (SELECT count(*) FROM frame) FROM calibration"), 1.0,
               0.0, "as many as there are");
    ok(book_run(place->book, "UPDATE night SET is_stale = 0", NULL, 0, &err), &err);
    ok(book_run(place->book, "DELETE FROM content WHERE id = (SELECT max(id) FROM content)", NULL,
                0, &err),
       &err);
    ok(book_group_sets(place->book, &err), &err); /* nothing came, on no night */
    check_near(ask(place, "SELECT frames FROM calibration"), 5.0, 0.0,
               "one less: the one that had gone was taken again");
    check_near(ask(place, "SELECT is_stale FROM calibration_set"), 1.0, 0.0, "to be measured anew");
    ok(book_run(place->book, "DELETE FROM content", NULL, 0, &err), &err);
    ok(book_group_sets(place->book, &err), &err);
    check_near(ask(place, "SELECT count(*) FROM calibration_set"), 0.0, 0.0, "none is left");
    check_near(ask(place, "SELECT count(*) FROM sensor_result"), 0.0, 0.0, "nor what it said");
    is_sound(place);
}

static void test_a_session_that_is_too_small_says_why(void **state) {
    const struct place *const place = *state;
    const struct words flat = {.date = "2026-05-14T21:00:00", .use = "FLAT", .filter = "L"};
    write_some(place, "flat", flat, 1);
    take_all(place);
    check_near(ask(place, "SELECT count(*) FROM sensor"), 0.0, 0.0, "one flat says nothing");
    check_near(ask(place, "SELECT why_null <> '' AND NOT is_stale FROM sensor_result"), 1.0, 0.0,
               "and that is written");
    is_sound(place);
}

/* While a session is under way it waits: a frame now, by the clock that the caller gives. */
static void test_a_session_in_the_making_waits(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    struct nw_book_added added = {0};
    const char *const paths[] = {place->folder};
    double now_s = 0.0;
    ok(nw_time_read_iso("2026-05-14T21:10:00Z", 0.0, &now_s, &err), &err);
    const struct words bias = {.date = "2026-05-14T21:00:00", .use = "BIAS", .exposure = "0"};
    write_some(place, "bias", bias, 3);
    struct nw_book_add_opts opts = {.longitude_rad = NAN, .n_threads = 1, .now_utc_s = now_s};
    ok(nw_book_add(place->book, paths, 1, &opts, NULL, &added, &err), &err);
    nw_book_added_done(&added);
    check_near(ask(place, "SELECT frames FROM calibration"), 3.0, 0.0, "grouped at once");
    check_near(ask(place, "SELECT level_adu IS NULL FROM calibration"), 1.0, 0.0,
               "not yet measured");
    opts.now_utc_s = now_s + 7200.0;
    ok(nw_book_add(place->book, paths, 1, &opts, NULL, &added, &err), &err);
    nw_book_added_done(&added);
    check_near(ask(place, "SELECT level_adu IS NULL FROM calibration"), 0.0, 0.0,
               "half an hour after the last");
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_what_is_alike_is_one_set),
        in_place(test_flats_by_filter_and_angle),
        in_place(test_sets_grow_shrink_and_go),
        in_place(test_a_session_that_is_too_small_says_why),
        in_place(test_a_session_in_the_making_waits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
