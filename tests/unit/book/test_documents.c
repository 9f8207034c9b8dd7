/* test_documents.c - results of our commands in the book: once each, in SI, under their night. */
#include <math.h>

#include "book/documents.h"
#include "book_ask.h"

static const struct nw_book_add_opts OPTS = {.longitude_rad = 0.0, .n_threads = 1};

#define ABOUT                                                                                      \
    "\"about\":{\"rig\":\"shed\",\"setup\":\"deep\",\"frames\":2,"                                 \
    "\"start_utc\":\"2026-05-14T21:40:00Z\",\"end_utc\":\"2026-05-14T21:43:00Z\","                 \
    "\"camera\":\"cooled mono\",\"telescope\":\"refractor 115/805\",\"filter\":\"L\","             \
    "\"tube_side\":\"east\",\"rotator_deg\":90.0,\"focuser_temperature_c\":7.5}"

static enum nw_status keep(const struct place *place, const char *text, struct nw_book_kept *kept,
                           struct nw_err *err) {
    json_error_t where;
    json_t *const document = json_loads(text, 0, &where);
    assert_non_null(document);
    const enum nw_status status = nw_book_keep(place->book, document, &OPTS, kept, err);
    json_decref(document);
    return status;
}

static void test_a_surface_stands_in_si_under_its_night(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    struct nw_book_kept kept;
    ok(keep(place,
            "{\"schema\":\"nightwright.surface.1\",\"method\":\"pair\",\"frames_used\":2,"
            "\"sign_known\":true,\"a_um\":-15.0,\"a_sigma_um\":0.8,\"b_um\":18.0,\"c_um\":null,"
            "\"tilt_corner_to_corner_um\":47.0,\"tilt_direction_deg\":130.0,"
            "\"corner_growth_percent\":-1.5," ABOUT "}",
            &kept, &err),
       &err);
    assert_int_equal(kept.fate, NW_BOOK_ADDED);
    assert_string_equal(kept.date, "2026-05-14");
    check_near(ask(place, "SELECT a_m FROM focal_surface"), -15e-6, 1e-18, "-15 um");
    check_near(ask(place, "SELECT tilt_direction_rad FROM focal_surface"), 130.0 * NW_RAD_PER_DEG,
               1e-12, "130 deg");
    check_near(ask(place, "SELECT temperature_K FROM focal_surface"), 280.65, 1e-9, "7.5 degC");
    check_near(ask(place, "SELECT c_m IS NULL FROM focal_surface"), 1.0, 0.0, "null stays unknown");
    /* and people read what was printed */
    check_near(ask(place, "SELECT tilt_um FROM surface WHERE night = '2026-05-14'"), 47.0, 1e-9,
               "as printed");
    check_near(ask(place, "SELECT corner_growth_percent FROM surface"), -1.5, 1e-12, "as printed");
    is_sound(place);
}

static void test_the_same_twice_counts_once_and_a_later_one_replaces(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    struct nw_book_kept kept;
    static const char FIRST[] = "{\"schema\":\"nightwright.surface.1\",\"method\":\"single\","
                                "\"frames_used\":1,\"a_um\":1.0,\"elapsed_s\":1.5," ABOUT "}";
    static const char SAME[] =
        "{\"elapsed_s\":2.5,\"schema\":\"nightwright.surface.1\",\"a_um\":1.0,"
        "\"method\":\"single\",\"frames_used\":1," ABOUT "}";
    static const char LATER[] = "{\"schema\":\"nightwright.surface.1\",\"method\":\"single\","
                                "\"frames_used\":1,\"a_um\":2.0," ABOUT "}";
    static const char OTHER[] = "{\"schema\":\"nightwright.surface.1\",\"method\":\"pair\","
                                "\"frames_used\":2,\"a_um\":3.0," ABOUT "}";
    ok(keep(place, FIRST, &kept, &err), &err);
    assert_int_equal(kept.fate, NW_BOOK_ADDED);
    ok(keep(place, SAME, &kept, &err), &err); /* keys in another order, another elapsed time */
    assert_int_equal(kept.fate, NW_BOOK_KNOWN);
    ok(keep(place, LATER, &kept, &err), &err);
    assert_int_equal(kept.fate, NW_BOOK_REPLACED);
    check_near(ask(place, "SELECT count(*) FROM surface"), 1.0, 0.0, "one evaluation of one frame");
    check_near(ask(place, "SELECT a_um FROM surface"), 2.0, 1e-9, "the later");
    ok(keep(place, OTHER, &kept, &err), &err);
    assert_int_equal(kept.fate, NW_BOOK_ADDED);
    check_near(ask(place, "SELECT count(*) FROM content"), 2.0, 0.0, "nothing is left behind");
    is_sound(place);
}

static void test_a_plan_with_its_blocks(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    struct nw_book_kept kept;
    ok(keep(
           place,
           "{\"schema\":\"nightwright.plan.1\",\"setup\":\"deep\",\"night\":\"2026-06-14\","
           "\"dark\":{\"start\":\"2026-06-14T18:00:00+10:00\",\"end\":"
           "\"2026-06-15T05:00:00+10:00\"},\"unused_h\":1.5,\"blocks\":[{\"target\":\"Lagoon\","
           "\"start\":\"2026-06-14T19:00:00+10:00\",\"end\":\"2026-06-14T21:00:00+10:00\","
           "\"filter\":\"L\",\"exposure_s\":180,\"subs\":36,\"tube_side\":\"west\",\"flip\":true}],"
           "\"about\":{\"rig\":\"shed\"}}",
           &kept, &err),
       &err);
    assert_string_equal(kept.date, "2026-06-14");
    check_near(ask(place, "SELECT dark_h FROM plan"), 11.0, 1e-9, "18 h to 5 h");
    check_near(ask(place, "SELECT start_utc = '2026-06-14T09:00:00Z' FROM plan"), 1.0, 0.0,
               "19:00 at +10:00");
    check_near(ask(place, "SELECT exposure_s FROM night_plan"), 6480.0, 1e-9, "36 x 180 s");
    /* a broken one changes nothing */
    assert_int_equal(keep(place,
                          "{\"schema\":\"nightwright.plan.1\",\"setup\":\"deep\",\"night\":"
                          "\"2026-06-14\",\"blocks\":[{\"target\":\"x\",\"start\":\"soon\"}],"
                          "\"about\":{\"rig\":\"shed\"}}",
                          &kept, &err),
                     NW_FORMAT);
    assert_non_null(strstr(err.text, "block 1 of the plan has no start or end"));
    check_near(ask(place, "SELECT count(*) FROM plan"), 1.0, 0.0, "the good one is still there");
    is_sound(place);
}

static void test_trials_in_square_radians(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    struct nw_book_kept kept;
    ok(keep(place,
            "{\"schema\":\"nightwright.trial.1\",\"trial\":\"short-and-long\",\"result\":"
            "{\"adds_arcsec2\":0.5,\"adds_sigma_arcsec2\":0.1}," ABOUT "}",
            &kept, &err),
       &err);
    ok(keep(place,
            "{\"schema\":\"nightwright.trial.1\",\"trial\":\"drive-off-trail\",\"result\":"
            "{\"seeing_arcsec\":1.7,\"seeing_sigma_arcsec\":0.24}," ABOUT "}",
            &kept, &err),
       &err);
    check_near(ask(place, "SELECT value FROM trial_result WHERE unit = 'rad2'"),
               0.5 / (NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD), 1e-20, "0.5 arcsec2");
    check_near(ask(place, "SELECT value FROM trial WHERE quantity = 'seeing' AND unit = 'arcsec'"),
               1.7, 1e-9, "as printed");
    check_near(ask(place, "SELECT sigma FROM trial WHERE unit = 'arcsec2'"), 0.1, 1e-9,
               "as printed");
    ok(keep(place,
            "{\"schema\":\"nightwright.trial.1\",\"trial\":\"settle\",\"result\":{\"value\":1.0},"
            "\"about\":{\"start_utc\":\"2026-05-14T22:40:00Z\","
            "\"end_utc\":\"2026-05-14T22:43:00Z\"}}",
            &kept, &err),
       &err);
    check_near(ask(place, "SELECT n_frames FROM trial_result WHERE name = 'settle'"), 0.0, 0.0,
               "frames that are not said are none");
    assert_int_equal(keep(place, "{\"schema\":\"nightwright.trial.1\",\"trials\":[]}", &kept, &err),
                     NW_DATA);
    assert_non_null(strstr(err.text, "a trial without result: nothing to keep"));
    is_sound(place);
}

static void test_sensor_and_flats(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    struct nw_book_kept kept;
    ok(keep(place,
            "{\"schema\":\"nightwright.sensor.1\",\"bias_frames\":10,\"dark_frames\":4,"
            "\"flat_frames\":8,\"gain_setting\":100,\"gain_e_per_adu\":0.25,\"read_noise_e\":1.5,"
            "\"dark_temperature_c\":-10,\"hot_pixels\":123,\"hot_above_e_per_s\":0.5,"
            "\"darks\":[{\"longest_s\":60},{\"longest_s\":300}]," ABOUT "}",
            &kept, &err),
       &err);
    check_near(ask(place, "SELECT dark_temperature_K FROM sensor_result"), 263.15, 1e-9,
               "-10 degC");
    check_near(ask(place, "SELECT dark_exposure_s FROM sensor"), 300.0, 0.0, "the longest");
    check_near(ask(place, "SELECT hot_pixels FROM hot_pixel WHERE above_e_per_s = 0.5"), 123.0, 0.0,
               "as printed");
    ok(keep(place,
            "{\"schema\":\"nightwright.flats.1\",\"level_adu\":30000,\"table\":[{\"filter\":\"L\","
            "\"setting\":20,\"exposure_s\":1.5,\"level_sigma_percent\":1.0,\"flats\":3}]," ABOUT
            "}",
            &kept, &err),
       &err);
    check_near(ask(place, "SELECT level_sigma FROM flat_panel"), 0.01, 1e-12, "1 %");
    is_sound(place);
}

static void test_files_of_folders(void **state) {
    const struct place *const place = *state;
    struct nw_err err = {0};
    char path[200];
    static const char OURS[] = "{\"schema\": \"nightwright.surface.1\",\"method\":\"single\","
                               "\"frames_used\":1," ABOUT "}";
    static const char CUT[] = "{\"schema\": \"nightwright.surface.1\",\"method\":";
    static const char FOREIGN[] = "{\"schema\": \"nightwright.truth.1\"}";
    ok(nw_file_write_atomic(in(place, "surface.json", path), OURS, strlen(OURS), &err), &err);
    ok(nw_file_write_atomic(in(place, "cut.json", path), CUT, strlen(CUT), &err), &err);
    ok(nw_file_write_atomic(in(place, "truth.json", path), FOREIGN, strlen(FOREIGN), &err), &err);
    struct nw_book_added added = add_all(place);
    assert_int_equal(added.n_files, 2); /* truth.json is passed over */
    assert_int_equal(added.n_documents, 1);
    assert_int_equal(added.n_skipped, 1);
    assert_non_null(strstr(added.skipped[0].why, "no JSON document"));
    nw_book_added_done(&added);
    added = add_all(place);
    assert_int_equal(added.n_fate[NW_BOOK_KNOWN], 1); /* by place, size and time */
    nw_book_added_done(&added);
    const char *const named[] = {in(place, "truth.json", path)};
    ok(nw_book_add(place->book, named, 1, &OPTS, NULL, &added, &err), &err);
    assert_int_equal(added.n_skipped, 1);
    assert_non_null(
        strstr(added.skipped[0].why, "'nightwright.truth.1' is none that the book keeps"));
    nw_book_added_done(&added);
    is_sound(place);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_a_surface_stands_in_si_under_its_night),
        in_place(test_the_same_twice_counts_once_and_a_later_one_replaces),
        in_place(test_a_plan_with_its_blocks),
        in_place(test_trials_in_square_radians),
        in_place(test_sensor_and_flats),
        in_place(test_files_of_folders),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
