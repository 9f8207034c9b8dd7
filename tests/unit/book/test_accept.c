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

/* ---- Response ------------------------------------------------------------------------------- */

static sqlite3 *open_tables(const struct place *place) {
    char path[200];
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(in(place, "book.sqlite", path), &db), SQLITE_OK);
    return db;
}

static void say(sqlite3 *db, const char *sql) {
    if (sqlite3_exec(db, sql, NULL, NULL, NULL) != SQLITE_OK) {
        print_error("%s: %s\n", sql, sqlite3_errmsg(db));
        fail();
    }
}

/* A guide run of the last night, begun at a moment, that found these responses. */
static void add_run(const struct place *place, int number, double start_s, const char *ra,
                    const char *dec) {
    sqlite3 *const db = open_tables(place);
    char sql[700];
    (void)snprintf(sql, sizeof sql,
                   "INSERT OR IGNORE INTO content VALUES (9000, randomblob(32), 'guide-log', 1, "
                   "0.0, ''); INSERT INTO guide_run (content_id, number, night_id, tube_side, "
                   "start_utc_s, pulse_acts, is_dec_sign_known, n_samples, n_used, n_dithers, "
                   "n_bursts, n_gaps, events, samples, ra_response, ra_response_sigma, "
                   "dec_response, dec_response_sigma) VALUES (9000, %d, (SELECT max(id) FROM "
                   "night), '', %.3f, 2, 1, 0, 0, 0, 0, 0, '', x'', %s, 0.1, %s, 0.1)",
                   number, start_s, ra, dec);
    say(db, sql);
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

static const struct nw_book_check *find_check(const struct nw_book_acceptance *a,
                                              const char *what) {
    for (size_t i = 0; i < a->n_checks; i++) {
        if (strcmp(a->checks[i].what, what) == 0) {
            return &a->checks[i];
        }
    }
    return NULL;
}

/* Three subs at 15, 16, 17 s (of night 6), tube east, then west, west: a flip at 16 s. */
static void fill_flipped(const struct place *place) {
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    fill(place, &(struct nights){.n = 6}, rng);
    gsl_rng_free(rng);
    sqlite3 *const db = open_tables(place);
    say(db, "UPDATE frame SET t_start_utc_s = t_start_utc_s * 1000, tube_side = CASE WHEN id = 16 "
            "THEN 'east' ELSE 'west' END");
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

static void test_each_flip_asks_for_the_response_anew(void **state) {
    const struct place *const place = *state;
    struct nw_book_acceptance *all = NULL;
    size_t n = 0;
    struct nw_err err = {0};
    fill_flipped(place);
    add_run(place, 1, 14990.0, "0.9", "0.95");
    add_run(place, 2, 15500.0, "0.9", "-0.95"); /* still before the flip, not asked */
    add_run(place, 3, 16005.0, "NULL", "-0.9"); /* RA not told: the next run is asked */
    add_run(place, 4, 16600.0, "0.05", "0.9");  /* 0.05 +- 0.1: cannot be sure */
    ok(nw_book_accept(place->book, NULL, &all, &n, &err), &err);
    assert_int_equal(n, 1);
    const struct {
        const char *what;
        enum nw_book_verdict verdict;
    } rows[] = {{"response in RA", NW_BOOK_IS_SAME},
                {"response in Dec", NW_BOOK_IS_SAME},
                {"response in RA after the flip", NW_BOOK_IS_UNKNOWN},
                {"response in Dec after the flip", NW_BOOK_IS_WORSE}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const struct nw_book_check *const check = find_check(&all[0], rows[i].what);
        assert_non_null(check);
        assert_int_equal(check->verdict, rows[i].verdict);
    }
    assert_non_null(
        strstr(find_check(&all[0], "response in Dec after the flip")->why, "calibrate"));
    assert_int_equal(all[0].n_off, 1);
    free(all);
}

static void test_a_flip_within_one_run_cannot_be_told(void **state) {
    const struct place *const place = *state;
    struct nw_book_acceptance *all = NULL;
    size_t n = 0;
    struct nw_err err = {0};
    fill_flipped(place);
    add_run(place, 1, 14990.0, "0.9", "0.95");
    ok(nw_book_accept(place->book, NULL, &all, &n, &err), &err);
    const struct nw_book_check *const check = find_check(&all[0], "response in Dec after the flip");
    assert_non_null(check);
    assert_int_equal(check->verdict, NW_BOOK_IS_UNKNOWN);
    assert_non_null(strstr(check->why, "tube west"));
    free(all);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_unchanged_nights_are_seldom_called_changed),
        in_place(test_a_night_far_off_is_seen_also_after_another),
        in_place(test_too_few_nights_are_said_to_be_too_few),
        in_place(test_each_flip_asks_for_the_response_anew),
        in_place(test_a_flip_within_one_run_cannot_be_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
