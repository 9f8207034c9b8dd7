/* test_accept.c - tonight against the nights before: how often an unchanged night is called
 * changed, and whether a changed one is seen. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <sqlite3.h>

#include "book_support.h"

/* n nights of three subs straight into the tables, widths 3 px +- 0.3 from night to night, the last
 * night wider by `wider_px`; night `odd` (0: none) far off. */
struct nights {
    size_t n, odd;
    double wider_px;
};

static void fill(const struct place *place, const struct nights *nights, gsl_rng *rng) {
    char path[200];
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(in(place, "book.sqlite", path), &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db,
                                  "BEGIN; DELETE FROM measure; DELETE FROM frame; DELETE FROM "
                                  "content; DELETE FROM night; INSERT OR IGNORE INTO train VALUES "
                                  "(1, 'c', 't', 9, 9); INSERT OR IGNORE INTO settings VALUES (1, "
                                  "'')",
                                  NULL, NULL, NULL),
                     SQLITE_OK);
    for (size_t i = 0; i < 3 * nights->n; i++) {
        static double offset_px = 0.0;
        const size_t night = i / 3 + 1;
        char sql[700];
        if (i % 3 == 0) {
            offset_px = gsl_ran_gaussian(rng, 0.3) + (night == nights->odd ? 6.0 : 0.0) +
                        (night == nights->n ? nights->wider_px : 0.0);
            (void)snprintf(sql, sizeof sql,
                           "INSERT INTO night (id, date) VALUES (%zu, date('2026-01-01', '+%zu "
                           "days'))",
                           night, night);
            assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
        }
        (void)snprintf(sql, sizeof sql,
                       "INSERT INTO content VALUES (%zu, randomblob(32), 'frame', 1, 0.0, ''); "
                       "INSERT INTO frame (id, content_id, train_id, night_id, use, is_double, "
                       "filter, object, tube_side, settings_id, t_start_utc_s) VALUES (%zu, %zu, "
                       "1, %zu, 'light', 0, 'L', '', '', 1, %zu); INSERT INTO measure (frame_id, "
                       "channel, flags, n_stars, n_used, n_saturated, n_streaks, fwhm_px) VALUES "
                       "(%zu, 'mono', 0, 0, 0, 0, 0, %.9f)",
                       i + 1, i + 1, i + 1, night, i, i + 1, 3.0 + offset_px);
        assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
    }
    assert_int_equal(sqlite3_exec(db, "COMMIT", NULL, NULL, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

/* The verdict on the width of the last night. */
static enum nw_book_verdict verdict_on_width(const struct place *place) {
    struct nw_book_acceptance *all = NULL;
    size_t n = 0;
    struct nw_err err = {0};
    ok(nw_book_accept(place->book, NULL, &all, &n, &err), &err);
    assert_int_equal(n, 1);
    assert_string_equal(all[0].checks[0].what, "star width at zenith");
    assert_int_equal(all[0].n_subs, 3);
    const enum nw_book_verdict verdict = all[0].checks[0].verdict;
    free(all);
    return verdict;
}

static size_t count_off(const struct place *place, const struct nights *nights, size_t n_trials) {
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    size_t n = 0;
    gsl_rng_set(rng, 7);
    for (size_t i = 0; i < n_trials; i++) {
        fill(place, nights, rng);
        const enum nw_book_verdict verdict = verdict_on_width(place);
        assert_true(verdict != NW_BOOK_IS_UNKNOWN);
        n += verdict != NW_BOOK_IS_SAME ? 1 : 0;
    }
    gsl_rng_free(rng);
    return n;
}

/* 5 % over seven quantities: 0.7 % each, up to 1.3 % with clipping. Of 300 nights 8 or more would
 * be a chance of 5 % at 1.3 %, of 2e-3 at 0.7 %. */
static void test_unchanged_nights_are_seldom_called_changed(void **state) {
    const struct place *const place = *state;
    assert_true(count_off(place, &(struct nights){.n = 6}, 300) <= 9);
    assert_true(count_off(place, &(struct nights){.n = 14}, 300) <= 9);
}

static void test_a_night_far_off_is_seen_also_after_another(void **state) {
    const struct place *const place = *state;
    /* 2 px is 6.7 sigma of a night; the band of 12 nights is 3.4 sigma wide */
    assert_true(count_off(place, &(struct nights){.n = 13, .wider_px = 2.0}, 50) >= 48);
    assert_true(count_off(place, &(struct nights){.n = 13, .wider_px = 2.0, .odd = 4}, 50) >= 47);
}

static void test_too_few_nights_are_said_to_be_too_few(void **state) {
    const struct place *const place = *state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    fill(place, &(struct nights){.n = 4}, rng); /* three before this one */
    assert_int_equal(verdict_on_width(place), NW_BOOK_IS_UNKNOWN);
    gsl_rng_free(rng);
    struct nw_book_acceptance *all = NULL;
    size_t n = 0;
    struct nw_err err = {0};
    assert_int_equal(nw_book_accept(place->book, "2025-01-01", &all, &n, &err), NW_NOTFOUND);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_unchanged_nights_are_seldom_called_changed),
        in_place(test_a_night_far_off_is_seen_also_after_another),
        in_place(test_too_few_nights_are_said_to_be_too_few),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
