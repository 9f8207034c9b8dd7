/* test_versions.c - a book of an older version: brought up to date, whole, whatever happens. */
#include <signal.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>

#include "book/book_internal.h"
#include "book_support.h"

enum { N_OLD = 400 };

static void run(sqlite3 *db, const char *sql) {
    char *why = NULL;
    if (sqlite3_exec(db, sql, NULL, NULL, &why) != SQLITE_OK) {
        print_error("%s: %s\n", sql, why ? why : "");
        fail();
    }
}

/* A book as version 1 wrote it, out of its own schema: frames, a guide log, a rig, a change. */
static void write_old(const char *path, int n) {
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    run(db, "PRAGMA journal_mode = WAL; PRAGMA foreign_keys = ON; BEGIN");
    run(db, BOOK_SCHEMA[0]);
    run(db, "PRAGMA user_version = 1; PRAGMA application_id = 1314351970"); /* "NWkb" */
    run(db, "INSERT INTO night (date, is_stale) VALUES ('2026-05-14', 0);"
            "INSERT INTO train (camera, telescope, width_px, height_px) VALUES ('cooled mono', "
            "'refractor 115/805', 96, 96);"
            "INSERT INTO settings (text) VALUES ('gain=100')");
    for (int i = 1; i <= n; i++) {
        char sql[900];
        (void)snprintf(sql, sizeof sql,
                       "INSERT INTO content (sha256, kind, size_bytes, added_utc_s, "
                       "program_version) VALUES (CAST(printf('%%032d', %d) AS BLOB), 'frame', 100, "
                       "1e9, '0.1');"
                       "INSERT INTO place VALUES ('/a/%d.fits', %d, 100, 5);"
                       "INSERT INTO frame (content_id, train_id, night_id, use, is_double, filter, "
                       "object, tube_side, settings_id, t_start_utc_s, exposure_s) VALUES (%d, 1, "
                       "1, 'light', 0, 'L', 'x', 'east', 1, %d, 60);"
                       "INSERT INTO measure (frame_id, channel, flags, n_stars, n_used, "
                       "n_saturated, n_streaks, fwhm_px) VALUES (%d, 'mono', 0, 9, 9, 0, 0, 2.5)",
                       i, i, i, i, 1000000000 + 60 * i, i);
        run(db, sql);
    }
    run(db, "INSERT INTO content (sha256, kind, size_bytes, added_utc_s, program_version) VALUES "
            "(zeroblob(32), 'rig', 10, 1e9, '0.1');"
            "INSERT INTO rig_version (content_id, name, text) VALUES (last_insert_rowid(), 'a', "
            "'rig');"
            "INSERT INTO change (origin, date, what) VALUES ('owner', '2026-05-14', 'shim')");
    run(db, "COMMIT");
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
}

static int64_t ask(const char *path, const char *sql) {
    sqlite3 *db = NULL;
    sqlite3_stmt *statement = NULL;
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_prepare_v2(db, sql, -1, &statement, NULL), SQLITE_OK);
    assert_int_equal(sqlite3_step(statement), SQLITE_ROW);
    const int64_t value = sqlite3_column_int64(statement, 0);
    (void)sqlite3_finalize(statement);
    (void)sqlite3_close(db);
    return value;
}

static void holds_all(const char *path, int n) {
    struct nw_book *book = NULL;
    struct nw_err err = {0};
    struct nw_book_health health = {0};
    ok(nw_book_open(path, NW_BOOK_WRITE, &book, &err), &err);
    ok(nw_book_check(book, &health, &err), &err);
    nw_book_close(book);
    assert_int_equal(health.n_problems, 0);
    assert_int_equal(health.n_frames, n);
    assert_int_equal(health.n_measures, n);
    assert_int_equal(health.n_contents, n + 1);
    assert_int_equal(health.n_rigs, 1);
    assert_int_equal(health.n_changes, 1);
    assert_int_equal(
        ask(path, "SELECT count(*) FROM place JOIN content ON content.id = content_id"), n);
}

static void test_an_older_book_is_brought_up_to_date(void **state) {
    const struct place *const place = *state;
    char path[200];
    char copy[200];
    struct nw_book *book = NULL;
    struct nw_err err = {0};
    write_old(in(place, "old.sqlite", path), N_OLD);
    assert_int_equal(nw_book_open(path, NW_BOOK_READ, &book, &err), NW_LIMIT); /* not by reading */
    holds_all(path, N_OLD);
    assert_int_equal(ask(path, "PRAGMA user_version"), 2);
    assert_int_equal(ask(path, "SELECT is_stale FROM night"), 1); /* its holes are to be found */
    /* the copy is the older book, whole */
    assert_int_equal(ask(in(place, "old.sqlite.version-1", copy), "PRAGMA user_version"), 1);
    assert_int_equal(ask(copy, "SELECT count(*) FROM frame"), N_OLD);
    /* kinds hold: a new one goes in, an invented one does not */
    ok(nw_book_open(path, NW_BOOK_WRITE, &book, &err), &err);
    static const char ADD[] = "INSERT INTO content (sha256, kind, size_bytes, added_utc_s, "
                              "program_version) VALUES (randomblob(32), ?1, 1, 1, '')";
    struct book_value kind = book_text("climate-log");
    ok(book_run(book, ADD, &kind, 1, &err), &err);
    kind = book_text("recipe");
    assert_int_equal(book_run(book, ADD, &kind, 1, &err), NW_IO);
    assert_non_null(strstr(err.text, "FOREIGN KEY"));
    /* a content takes what hangs on it along, as before */
    ok(book_run(book, "DELETE FROM content WHERE kind = 'frame'", NULL, 0, &err), &err);
    nw_book_close(book);
    assert_int_equal(ask(path, "SELECT (SELECT count(*) FROM frame) + (SELECT count(*) FROM place) "
                               "+ (SELECT count(*) FROM measure)"),
                     0);
}

static void test_killed_while_it_is_brought_up_to_date(void **state) {
    enum { ROUNDS = 24, N = 3000 };
    const struct place *const place = *state;
    char path[200];
    char copy[200];
    int n_killed = 0;
    write_old(in(place, "old.sqlite", path), N);
    (void)in(place, "old.sqlite.version-1", copy);
    for (int i = 0; i < ROUNDS; i++) {
        const pid_t child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            struct nw_book *book = NULL;
            _exit(nw_book_open(path, NW_BOOK_WRITE, &book, NULL) == NW_OK ? 0 : 1);
        }
        const struct timespec wait = {.tv_nsec = 1000000L * (i * 7 % ROUNDS)};
        (void)nanosleep(&wait, NULL);
        (void)kill(child, SIGKILL);
        int how = 0;
        assert_int_equal(waitpid(child, &how, 0), child);
        n_killed += WIFSIGNALED(how) ? 1 : 0;
        const int64_t version = ask(path, "PRAGMA user_version");
        assert_true(version == 1 || version == 2);
        assert_int_equal(ask(path, "SELECT count(*) FROM frame"), N);
        assert_int_equal(ask(path, "SELECT count(*) FROM content"), N + 1);
        if (version == 2) { /* done: begin anew */
            assert_int_equal(ask(copy, "PRAGMA user_version"), 1);
            assert_int_equal(remove(path), 0);
            write_old(path, N);
        }
    }
    assert_true(n_killed > ROUNDS / 4);
    holds_all(path, N);
}

static void test_without_room_for_a_copy_it_stays_as_it_was(void **state) {
    const struct place *const place = *state;
    char path[200];
    char in_the_way[200];
    struct nw_book *book = NULL;
    struct nw_err err = {0};
    write_old(in(place, "old.sqlite", path), 3);
    assert_int_equal(mkdir(in(place, "old.sqlite.version-1.part", in_the_way), 0700), 0);
    assert_int_equal(nw_book_open(path, NW_BOOK_WRITE, &book, &err), NW_IO);
    assert_non_null(strstr(err.text, "no copy of the older book could be kept"));
    assert_null(book);
    assert_int_equal(ask(path, "PRAGMA user_version"), 1);
    assert_int_equal(rmdir(in_the_way), 0);
    holds_all(path, 3);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        in_place(test_an_older_book_is_brought_up_to_date),
        in_place(test_killed_while_it_is_brought_up_to_date),
        in_place(test_without_room_for_a_copy_it_stays_as_it_was),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
