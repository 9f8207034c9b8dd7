/* test_series.c - Many frames in one call: which planes are measured, what is kept, and that one
 * bad file stops nobody. */
#include "fits_bytes.h"
#include "star_field.h"

enum { SIDE = 160 };

/* Writes a field of 12 stars; bayer: of the header, or NULL. */
static void write_field(const char *bayer, char path[static 64]) {
    struct nw_frame *const frame = field_new(SIDE, SIDE, 500.0);
    const struct true_profile profile = {.fwhm = 5.0, .q = 1.0, .theta = 0.0, .beta = 3.0};
    for (int i = 0; i < 12; i++) {
        const struct true_star star = {20.0 + 40.0 * (i % 4), 25.0 + 50.0 * (i / 4), 60000.0};
        field_add(frame, &star, 1, &profile, 1.0, 0.1);
    }
    gsl_rng *const rng = test_rng(3);
    field_noise(frame, 500.0, 8.0, 0.0, rng);
    struct nw_card card = {.key = "BAYERPAT", .is_text = true};
    nw_text_copy(card.value, sizeof card.value, bayer ? bayer : "");
    const struct nw_frame_out out = {.px = frame->px,
                                     .bitpix = -32,
                                     .width_px = SIDE,
                                     .height_px = SIDE,
                                     .n_planes = 1,
                                     .cards = &card,
                                     .n_cards = bayer ? 1 : 0};
    save_bytes("", 0, path);
    assert_int_equal(nw_frame_write(path, &out, NULL), NW_OK);
    gsl_rng_free(rng);
    field_free(frame);
}

static void test_the_header_wins_over_what_is_taken_when_it_is_silent(void **state) {
    (void)state;
    char silent[64];
    char colour[64];
    write_field(NULL, silent);
    write_field("GRBG", colour);
    const char *const paths[] = {silent, colour};
    const struct nw_series_opts ways[] = {
        {.pattern = NULL},
        {.pattern_if_unsaid = "RGGB"},
        {.pattern = "BGGR", .channel = NW_CHANNEL_B},
    };
    const size_t want[3][2] = {{1, 3}, {3, 3}, {1, 1}};
    for (size_t w = 0; w < 3; w++) {
        struct nw_series series = {0};
        assert_int_equal(nw_series_measure(paths, 2, &ways[w], NULL, &series, NULL), NW_OK);
        for (size_t i = 0; i < 2; i++) {
            assert_int_equal(series.items[i].status, NW_OK);
            assert_int_equal(series.items[i].n_measures, want[w][i]);
            assert_true(series.items[i].measures[0]->n_stars >= 12);
            assert_null(series.items[i].frame->px); /* pixels are not kept */
        }
        nw_series_done(&series);
    }
    (void)unlink(silent);
    (void)unlink(colour);
}

static void test_summaries_alone_are_the_same_summaries(void **state) {
    (void)state;
    char path[64];
    write_field(NULL, path);
    const char *const paths[] = {path};
    const struct nw_series_opts opts = {.is_summary_only = true};
    struct nw_series whole = {0};
    struct nw_series brief = {0};
    assert_int_equal(nw_series_measure(paths, 1, NULL, NULL, &whole, NULL), NW_OK);
    assert_int_equal(nw_series_measure(paths, 1, &opts, NULL, &brief, NULL), NW_OK);
    const struct nw_measure *const a = whole.items[0].measures[0];
    const struct nw_measure *const b = brief.items[0].measures[0];
    assert_null(b->stars);
    assert_int_equal(b->n_stars, 0);
    assert_int_equal(a->n_used, b->n_used);
    check_near(b->fwhm_px, a->fwhm_px, 0.0, "same frame, same engine");
    nw_series_done(&whole);
    nw_series_done(&brief);
    (void)unlink(path);
}

static void test_one_bad_file_stops_nobody(void **state) {
    (void)state;
    char good[64];
    char bad[64];
    write_field(NULL, good);
    save_bytes("no FITS", 7, bad);
    const char *const paths[] = {bad, good, "/nowhere/a.fits"};
    struct nw_series series = {0};
    assert_int_equal(nw_series_measure(paths, 3, NULL, NULL, &series, NULL), NW_OK);
    assert_int_equal(series.items[0].status, NW_FORMAT);
    assert_non_null(strstr(series.items[0].err.text, bad));
    assert_int_equal(series.items[1].status, NW_OK);
    assert_true(series.items[2].status != NW_OK);
    assert_non_null(strstr(series.items[2].err.text, "/nowhere/a.fits"));
    nw_series_done(&series);
    assert_int_equal(nw_series_measure(NULL, 0, NULL, NULL, &series, NULL), NW_OK);
    assert_int_equal(series.n, 0);
    nw_series_done(&series);
    (void)unlink(good);
    (void)unlink(bad);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_header_wins_over_what_is_taken_when_it_is_silent),
        cmocka_unit_test(test_summaries_alone_are_the_same_summaries),
        cmocka_unit_test(test_one_bad_file_stops_nobody),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
