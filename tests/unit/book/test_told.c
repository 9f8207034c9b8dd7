/* test_told.c - trials and advice, there and back; what is told again takes its own place. */
#include <math.h>

#include "book/book_internal.h"
#include "book/told.h"
#include "book_support.h"

static const struct nw_book_add_opts OPTS = {
    .now_utc_s = 1.8e9, .longitude_rad = NAN, .n_threads = 1};

/* Two frames of 20 s, 60 s apart. */
static double add_frames(const struct place *place) {
    struct nw_book_added added = {0};
    struct nw_err err = {0};
    const char *const folder = place->folder;
    double t_s = NAN;
    write_frame(place, "a.fits",
                &(struct words){.date = "2026-05-14T21:40:00", .use = "LIGHT", .exposure = "20"});
    write_frame(place, "b.fits",
                &(struct words){
                    .date = "2026-05-14T21:41:00", .use = "LIGHT", .exposure = "20", .seed = 5});
    ok(nw_book_add(place->book, &folder, 1, &OPTS, NULL, &added, &err), &err);
    assert_int_equal(added.n_lights, 2);
    nw_book_added_done(&added);
    assert_int_equal(nw_time_read_iso("2026-05-14T21:40:00Z", 0.0, &t_s, &err), NW_OK);
    return t_s;
}

static struct nw_book_trial trail(double t_s) {
    return (struct nw_book_trial){.name = "drive-off-trail",
                                  .quantity = "seeing",
                                  .unit = "rad",
                                  .rig_name = "shed",
                                  .setup = "deep",
                                  .filter = "luminance",
                                  .origin = NW_BOOK_FROM_WATCH,
                                  .t_first_s = t_s,
                                  .t_last_s = t_s,
                                  .value = 8e-6,
                                  .sigma = 1e-6,
                                  .low = NAN,
                                  .high = NAN,
                                  .foretold = 9e-6,
                                  .foretold_sigma = 2e-6,
                                  .n_frames = 1,
                                  .verdict = "as it came"};
}

static void test_trials_there_and_back(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    bool is_new = false;
    const double t_s = add_frames(place);
    struct nw_book_trial put = trail(t_s);
    ok(nw_book_put_trial(place->book, &put, &t_s, 1, &is_new, &err), &err);
    assert_true(is_new);
    put.value = 8.5e-6;
    put.t_last_s = t_s + 60.0; /* one more frame of it came */
    ok(nw_book_put_trial(place->book, &put, (double[]){t_s, t_s + 60.0}, 2, &is_new, &err), &err);
    assert_false(is_new);
    struct nw_book_trial *all = NULL;
    size_t n = 0;
    ok(nw_book_trials(place->book, NULL, NULL, &all, &n, &err), &err);
    assert_int_equal(n, 1);
    assert_string_equal(all[0].name, "drive-off-trail");
    assert_string_equal(all[0].verdict, "as it came");
    assert_int_equal(all[0].origin, NW_BOOK_FROM_WATCH);
    check_near(all[0].value, 8.5e-6, 0.0, "the later word");
    check_near(all[0].t_first_s, t_s + 30.0, 1e-6, "the middle");
    assert_true(isnan(all[0].low) && all[0].rig_version == 0);
    free(all);
    /* its night is that of the frames, and another one has none */
    ok(nw_book_trials(place->book, "2026-05-15", NULL, &all, &n, &err), &err);
    assert_int_equal(n, 0);
    free(all);
    struct nw_book_starts starts = {.n = 0};
    ok(nw_book_trial_starts(place->book, &starts, &err), &err);
    assert_int_equal(starts.n, 2);
    check_near(starts.items[1], t_s + 60.0, 1e-3, "second frame");
    nw_book_starts_done(&starts);
}

static void test_what_came_since(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    struct nw_book_dates dates = {.n = 0};
    struct nw_book_blanks blanks = {.n = 0};
    const double t_s = add_frames(place);
    ok(nw_book_dates_since(place->book, 1.8e9, &dates, &err), &err);
    assert_int_equal(dates.n, 1);
    assert_string_equal(dates.items[0], "2026-05-14");
    nw_book_dates_done(&dates);
    ok(nw_book_dates_since(place->book, 1.8e9 + 1.0, &dates, &err), &err);
    assert_int_equal(dates.n, 0);
    nw_book_dates_done(&dates);
    ok(nw_book_blank_frames(place->book, "2026-05-14", 1.8e9, &blanks, &err), &err);
    assert_int_equal(blanks.n, 2); /* one square star is not enough to measure */
    check_near(blanks.items[0].t_start_utc_s, t_s, 1e-3, "in order of time");
    assert_non_null(strstr(blanks.items[0].path, "a.fits"));
    nw_book_blanks_done(&blanks);
}

static void test_advice_there_and_back(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    (void)add_frames(place);
    struct nw_book_advice put = {.date = "2026-05-14",
                                 .rig_name = "shed",
                                 .setup = "deep",
                                 .what = "stay high",
                                 .line = "air_above",
                                 .path = "setups.deep.habits.airmass",
                                 .old_value = "1.25",
                                 .new_value = "1.1",
                                 .text = "goes down",
                                 .made_utc_s = 1.8e9,
                                 .before_rad = 14e-6,
                                 .predicted_rad = 13e-6,
                                 .sigma_rad = 2e-7,
                                 .refuted_below_rad = 6e-7};
    ok(nw_book_put_advice(place->book, &put, &err), &err);
    put.predicted_rad = 12e-6; /* the same of the same night */
    ok(nw_book_put_advice(place->book, &put, &err), &err);
    struct nw_book_advice *all = NULL;
    size_t n = 0;
    ok(nw_book_advice(place->book, "shed", "deep", &all, &n, &err), &err);
    assert_int_equal(n, 1);
    assert_string_equal(all[0].line, "air_above");
    assert_string_equal(all[0].path, "setups.deep.habits.airmass");
    assert_string_equal(all[0].date, "2026-05-14");
    check_near(all[0].predicted_rad, 12e-6, 0.0, "the later word");
    assert_int_equal(all[0].outcome, NW_BOOK_OPEN);
    all[0].outcome = NW_BOOK_REFUTED;
    all[0].came_rad = 1e-6;
    all[0].came_sigma_rad = 3e-7;
    nw_text_copy(all[0].outcome_text, sizeof all[0].outcome_text, "it did not");
    ok(nw_book_judge_advice(place->book, &all[0], 1.81e9, &err), &err);
    free(all);
    put.predicted_rad = 11e-6; /* what is judged stays */
    ok(nw_book_put_advice(place->book, &put, &err), &err);
    ok(nw_book_advice(place->book, "shed", "deep", &all, &n, &err), &err);
    assert_int_equal(n, 1);
    assert_int_equal(all[0].outcome, NW_BOOK_REFUTED);
    assert_string_equal(all[0].outcome_text, "it did not");
    check_near(all[0].predicted_rad, 12e-6, 0.0, "as it was judged");
    free(all);
    ok(nw_book_advice(place->book, "shed", "other", &all, &n, &err), &err);
    assert_int_equal(n, 0);
    free(all);
}

static void test_rig_files_by_number(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    char path[200];
    char *text = NULL;
    int64_t version = 9;
    ok(nw_book_last_rig(place->book, &text, &version, &err), &err);
    assert_true(text == NULL && version == 0);
    ok(nw_book_rig_text(place->book, 1, &text, NULL, &err), &err);
    assert_null(text);
    FILE *const file = fopen(in(place, "bad.yaml", path), "w");
    assert_non_null(file);
    assert_true(fputs("this is: no rig\n", file) >= 0 && fclose(file) == 0);
    ok(nw_book_rig_version(place->book, path, &OPTS, &version, &err), &err);
    assert_int_equal(version, 0); /* skipped: it is no rig file */
    assert_int_equal(nw_book_rig_version(place->book, "/nowhere.yaml", &OPTS, &version, &err),
                     NW_NOTFOUND);
}

/* A trial that was none stays away, whatever is found later, until its owner says otherwise. */
static void test_taken_back(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    bool is_new = false;
    bool has = false;
    const double t_s = add_frames(place);
    struct nw_book_trial put = trail(t_s);
    struct nw_book_trial *all = NULL;
    struct nw_book_starts starts = {.n = 0};
    size_t n = 0;
    ok(nw_book_has_trial(place->book, &put, &has, &err), &err);
    assert_false(has);
    ok(nw_book_put_trial(place->book, &put, &t_s, 1, NULL, &err), &err);
    ok(nw_book_has_trial(place->book, &put, &has, &err), &err);
    assert_true(has);
    put.n_frames = 2; /* one more came: to be evaluated again */
    ok(nw_book_has_trial(place->book, &put, &has, &err), &err);
    assert_false(has);
    nw_text_copy(put.quantity, sizeof put.quantity, "wind"); /* a second one of the same trial */
    ok(nw_book_put_trial(place->book, &put, &t_s, 1, NULL, &err), &err);
    nw_text_copy(put.rig_name, sizeof put.rig_name, "hut"); /* another rig at that time */
    put.t_first_s = put.t_last_s = t_s + 0.25;
    ok(nw_book_put_trial(place->book, &put, &t_s, 1, &is_new, &err), &err);
    assert_true(is_new);
    ok(nw_book_trials(place->book, NULL, NULL, &all, &n, &err), &err);
    assert_int_equal(n, 3);
    const int64_t id = all[0].id;
    free(all);
    ok(nw_book_take_back_trial(place->book, id, "the drive had stopped", &err), &err);
    ok(nw_book_trials(place->book, NULL, NULL, &all, &n, &err), &err);
    assert_int_equal(n, 3);
    for (size_t i = 0; i < n; i++) {
        const bool is_ours = strcmp(all[i].rig_name, "shed") == 0;
        assert_int_equal(all[i].is_taken_back, is_ours);
        assert_int_equal(isnan(all[i].value), is_ours);
        assert_true(!is_ours || strstr(all[i].why_null, "the drive had stopped"));
    }
    free(all);
    put = trail(t_s);
    put.value = 7e-6; /* found again: not written */
    ok(nw_book_put_trial(place->book, &put, &t_s, 1, &is_new, &err), &err);
    assert_false(is_new);
    ok(nw_book_has_trial(place->book, &put, &has, &err), &err);
    assert_true(has);
    ok(nw_book_trial_starts(place->book, &starts, &err), &err);
    assert_int_equal(starts.n, 1); /* the other rig's; its own frames are usual ones again */
    nw_book_starts_done(&starts);
    assert_int_equal(nw_book_take_back_trial(place->book, 9999, "", &err), NW_NOTFOUND);
    ok(nw_book_restore_trial(place->book, id, &err), &err);
    assert_int_equal(nw_book_restore_trial(place->book, id, &err), NW_NOTFOUND);
    ok(nw_book_put_trial(place->book, &put, &t_s, 1, &is_new, &err), &err);
    assert_true(is_new);
}

/* Frames of another camera at the same moment are not its frames. */
static void test_frames_of_its_camera(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    struct nw_book_starts starts = {.n = 0};
    const double t_s = add_frames(place);
    struct nw_book_trial put = trail(t_s);
    nw_text_copy(put.camera, sizeof put.camera, "some other camera");
    ok(nw_book_put_trial(place->book, &put, &t_s, 1, NULL, &err), &err);
    ok(nw_book_trial_starts(place->book, &starts, &err), &err);
    assert_int_equal(starts.n, 0);
    nw_book_starts_done(&starts);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_trials_there_and_back),
        in_place(test_what_came_since),
        in_place(test_taken_back),
        in_place(test_frames_of_its_camera),
        in_place(test_advice_there_and_back),
        in_place(test_rig_files_by_number),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
