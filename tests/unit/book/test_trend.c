/* test_trend.c - lines through the book: exact without noise, honest with it, robust to a few. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <sqlite3.h>

#include "book_support.h"

/* Rows put straight into the tables: width = at + slope * airmass, an offset a night, noise. */
struct model {
    size_t n_nights, n_subs;
    double at, slope, night_sigma, sub_sigma;
    bool has_outliers; /* every tenth sub is twice as wide */
};

static void fill(const struct place *place, const struct model *model, unsigned long seed) {
    char path[200];
    sqlite3 *db = NULL;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    assert_int_equal(sqlite3_open(in(place, "book.sqlite", path), &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db,
                                  "BEGIN; DELETE FROM measure; DELETE FROM frame; DELETE FROM "
                                  "content; DELETE FROM night; INSERT OR IGNORE INTO train "
                                  "VALUES (1, 'c', 't', 9, 9); INSERT OR IGNORE INTO settings "
                                  "VALUES (1, '')",
                                  NULL, NULL, NULL),
                     SQLITE_OK);
    for (size_t night = 0; night < model->n_nights; night++) {
        const double offset = gsl_ran_gaussian(rng, model->night_sigma);
        char sql[700];
        (void)snprintf(sql, sizeof sql,
                       "INSERT INTO night (id, date) VALUES (%zu, date('2026-01-01', "
                       "'+%zu days'))",
                       night + 1, night);
        assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
        for (size_t i = 0; i < model->n_subs; i++) {
            const size_t id = night * model->n_subs + i + 1;
            const double airmass = 1.0 + gsl_rng_uniform(rng);
            double width = model->at + model->slope * airmass + offset +
                           gsl_ran_gaussian(rng, model->sub_sigma);
            width *= model->has_outliers && i % 10 == 5 ? 2.0 : 1.0;
            (void)snprintf(
                sql, sizeof sql,
                "INSERT INTO content VALUES (%zu, randomblob(32), 'frame', 1, 0.0, ''); "
                "INSERT INTO frame (id, content_id, train_id, night_id, use, is_double, "
                "filter, object, tube_side, settings_id, airmass) VALUES (%zu, %zu, 1, "
                "%zu, 'light', 0, '%s', '', '', 1, %.9f); INSERT INTO measure (frame_id, "
                "channel, flags, n_stars, n_used, n_saturated, n_streaks, fwhm_px) "
                "VALUES (%zu, 'mono', 0, 1, 1, 0, 0, %.9f)",
                id, id, id, night + 1, i % 2 ? "L" : "R", airmass, id, width);
            assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
        }
    }
    assert_int_equal(sqlite3_exec(db, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
    gsl_rng_free(rng);
}

static const struct nw_book_trend_opts EVERY = {.y = "fwhm_px", .x = "airmass"};

static void test_without_noise_the_line_is_exact(void **state) {
    const struct place *const place = *state;
    fill(place, &(struct model){.n_nights = 5, .n_subs = 6, .at = 1.0, .slope = 0.5}, 1);
    struct nw_book_trend trend = {.n = 0};
    struct nw_err err = {0};
    ok(nw_book_trend(place->book, &EVERY, &trend, &err), &err);
    assert_int_equal(trend.n, 30);
    assert_int_equal(trend.n_nights, 5);
    check_near(trend.slope, 0.5, 1e-7, "the line itself, widths written to 1e-9");
    check_near(trend.at_y, 1.0 + 0.5 * trend.at_x, 1e-7, "the line itself");
    check_near(trend.slope_low, 0.5, 1e-6, "no scatter, no width");
    check_near(trend.rank_correlation, 1.0, 1e-12, "rising everywhere");
    nw_book_trend_done(&trend);
}

static void test_a_tenth_gone_astray_moves_the_line_little(void **state) {
    const struct place *const place = *state;
    fill(place,
         &(struct model){.n_nights = 20,
                         .n_subs = 20,
                         .at = 1.0,
                         .slope = 0.5,
                         .sub_sigma = 0.05,
                         .has_outliers = true},
         2);
    struct nw_book_trend trend = {.n = 0};
    struct nw_err err = {0};
    ok(nw_book_trend(place->book, &EVERY, &trend, &err), &err);
    /* sd of the slope: 0.05 / (sqrt(360) sqrt(1/12)) = 0.009; least squares would be off by 0.05 */
    check_near(trend.slope, 0.5, 0.03, "three standard errors");
    nw_book_trend_done(&trend);
}

/* Nights with an offset of their own: the interval must know that they, not subs, are the sample.
 */
static void test_intervals_cover(void **state) {
    const struct place *const place = *state;
    enum { TRIALS = 60 };
    size_t n_inside = 0;
    for (unsigned long seed = 1; seed <= TRIALS; seed++) {
        fill(place,
             &(struct model){.n_nights = 15,
                             .n_subs = 6,
                             .at = 1.0,
                             .slope = 0.2,
                             .night_sigma = 0.2,
                             .sub_sigma = 0.05},
             seed);
        struct nw_book_trend trend = {.n = 0};
        struct nw_err err = {0};
        ok(nw_book_trend(place->book, &EVERY, &trend, &err), &err);
        n_inside += trend.slope_low <= 0.2 && 0.2 <= trend.slope_high ? 1 : 0;
        nw_book_trend_done(&trend);
    }
    /* binomial, 60 trials at 0.95: 51 or fewer has a chance of 0.5 %; bootstrap of 15 nights is
     * known to run a little narrow (Efron & Tibshirani 1993, ch. 14) */
    print_message("inside 95 %%: %zu of %d\n", n_inside, TRIALS);
    assert_true(n_inside >= 51);
}

static void test_questions_that_have_no_answer(void **state) {
    const struct place *const place = *state;
    struct nw_book_trend trend = {.n = 0};
    struct nw_err err = {0};
    const struct nw_book_trend_opts none = {.y = "fwhm_pix", .x = "airmass"};
    assert_int_equal(nw_book_trend(place->book, &none, &trend, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "nearest: fwhm_px"));
    const struct nw_book_trend_opts mixed = {.y = "fwhm_px", .x = "worm_period_s"};
    assert_int_equal(nw_book_trend(place->book, &mixed, &trend, &err), NW_DATA); /* no such night */
    assert_non_null(strstr(err.text, "no row of the book has both"));
    const struct nw_book_trend_opts hostile = {.y = "fwhm_px; DROP TABLE frame", .x = "airmass"};
    assert_int_equal(nw_book_trend(place->book, &hostile, &trend, &err), NW_NOTFOUND);
    assert_int_equal(nw_book_trend(place->book, &EVERY, &trend, &err), NW_DATA);
    fill(place, &(struct model){.n_nights = 2, .n_subs = 3, .at = 1.0, .slope = 0.5}, 1);
    ok(nw_book_trend(place->book, &EVERY, &trend, &err), &err);
    assert_true(isnan(trend.slope));
    assert_non_null(strstr(trend.why_null, "2 nights"));
    nw_book_trend_done(&trend);
    const struct nw_book_trend_opts filtered = {.y = "fwhm_px", .x = "night", .filter = "L"};
    ok(nw_book_trend(place->book, &filtered, &trend, &err), &err);
    assert_int_equal(trend.n, 2); /* of three subs a night the second has L */
    check_near(trend.points[1].x, 1.0, 1e-9, "days since the first night");
    nw_book_trend_done(&trend);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_without_noise_the_line_is_exact),
        in_place(test_a_tenth_gone_astray_moves_the_line_little),
        in_place(test_intervals_cover),
        in_place(test_questions_that_have_no_answer),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
