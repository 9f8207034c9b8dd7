/* export.c - the book's health, its tables as CSV, a copy of it.
 * Idea: what goes out are the views that people read; a name becomes SQL only out of this table. */
#include <math.h>
#include <sys/stat.h>

#include "book/book_internal.h"

static const struct {
    const char *name, *sql;
} TABLES[] = {
    {"sub", "SELECT * FROM sub ORDER BY t_start_utc_s, frame_id"},
    {"guiding", "SELECT * FROM guiding ORDER BY start_utc_s, run_id"},
    {"climate", "SELECT * FROM climate ORDER BY start_utc_s, run_id"},
    {"power", "SELECT * FROM power ORDER BY start_utc_s, run_id, circuit"},
    {"surface", "SELECT * FROM surface ORDER BY start_utc_s, document_id"},
    {"trial", "SELECT * FROM trial ORDER BY time_utc_s, trial_id"},
    {"calibration", "SELECT * FROM calibration ORDER BY start_utc_s, set_id"},
    {"sensor", "SELECT * FROM sensor ORDER BY start_utc_s, result_id"},
    {"hot_pixel", "SELECT * FROM hot_pixel ORDER BY start_utc_s, above_e_per_s"},
    {"plan", "SELECT * FROM plan ORDER BY night, rig, setup, number"},
    {"change",
     "SELECT date, origin, coalesce(camera, '') AS camera, what, old_value, new_value, note "
     "FROM change LEFT JOIN train ON train.id = train_id ORDER BY date, change.id"},
    {"file", "SELECT path, kind, content.size_bytes, lower(hex(sha256)) AS sha256, "
             "strftime('%Y-%m-%dT%H:%M:%SZ', added_utc_s, 'unixepoch') AS added_utc, "
             "program_version FROM place JOIN content ON content.id = content_id ORDER BY path"},
};
enum { N_TABLES = sizeof TABLES / sizeof TABLES[0] };

/* RFC 4180, sec. 2: quotes around what holds a comma, a quote or a line end; quotes doubled. */
static void add_cell(struct nw_buf *to, const char *text) {
    if (strpbrk(text, ",\"\r\n") == NULL) {
        nw_buf_printf(to, "%s", text);
        return;
    }
    nw_buf_quoted(to, text);
}

static void add_value(struct nw_buf *to, sqlite3_stmt *statement, int column) {
    switch (sqlite3_column_type(statement, column)) {
    case SQLITE_FLOAT:
        nw_buf_printf(to, "%.10g", sqlite3_column_double(statement, column));
        break;
    case SQLITE_INTEGER:
        nw_buf_printf(to, "%lld", (long long)sqlite3_column_int64(statement, column));
        break;
    case SQLITE_TEXT:
        add_cell(to, (const char *)sqlite3_column_text(statement, column));
        break;
    default:
        break; /* not known: empty */
    }
}

static enum nw_status no_table(const char *table, const char *const *names, struct nw_err *err) {
    const char *const nearest = nw_text_nearest(table, names, N_TABLES);
    char all[200] = "";
    for (size_t i = 0; i < N_TABLES; i++) {
        const size_t at = strlen(all);
        (void)snprintf(all + at, sizeof all - at, "%s%s",
                       i == 0              ? ""
                       : i == N_TABLES - 1 ? " or "
                                           : ", ",
                       names[i]);
    }
    return nw_err_set(err, NW_NOTFOUND, "no table '%s'%s%s, expected %s", table,
                      nearest ? ", nearest: " : "", nearest ? nearest : "", all);
}

enum nw_status nw_book_export_csv(struct nw_book *book, const char *table, struct nw_buf *ret,
                                  struct nw_err *err) {
    const char *names[N_TABLES];
    size_t at = N_TABLES;
    for (size_t i = 0; i < N_TABLES; i++) {
        names[i] = TABLES[i].name;
        at = strcmp(table, TABLES[i].name) == 0 ? i : at;
    }
    if (at == N_TABLES) {
        return no_table(table, names, err);
    }
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = book_prepare(book, TABLES[at].sql, NULL, 0, &statement, err);
    const int n = status == NW_OK ? sqlite3_column_count(statement) : 0;
    for (int i = 0; i < n; i++) {
        nw_buf_printf(ret, "%s%s", i ? "," : "", sqlite3_column_name(statement, i));
    }
    nw_buf_printf(ret, "\n");
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        for (int i = 0; i < n; i++) {
            nw_buf_printf(ret, "%s", i ? "," : "");
            add_value(ret, statement, i);
        }
        nw_buf_printf(ret, "\n");
    }
    (void)sqlite3_finalize(statement);
    if (status == NW_OK && nw_buf_failed(ret)) {
        status = nw_err_set(err, NW_LIMIT, "table %s: more than %zu bytes", table, ret->max);
    }
    return status;
}

/* ---- Health --------------------------------------------------------------------------------- */

static void add_problem(struct nw_book_health *health, const char *text) {
    if (health->n_problems < sizeof health->problems / sizeof health->problems[0]) {
        nw_text_copy(health->problems[health->n_problems], sizeof health->problems[0], text);
    }
    health->n_problems++;
}

/* Each row of a statement is a problem, except "ok". */
static enum nw_status ask(struct nw_book *book, const char *sql, struct nw_book_health *health,
                          struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = book_prepare(book, sql, NULL, 0, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        char text[160];
        book_column_text(statement, 0, text, sizeof text);
        if (strcmp(text, "ok") != 0) {
            add_problem(health, text);
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static enum nw_status count_all(struct nw_book *book, struct nw_book_health *health,
                                struct nw_err *err) {
    const struct {
        const char *sql;
        size_t *to;
    } counts[] = {
        {"SELECT count(*) FROM content", &health->n_contents},
        {"SELECT count(*) FROM frame", &health->n_frames},
        {"SELECT count(*) FROM measure", &health->n_measures},
        {"SELECT count(*) FROM guide_run", &health->n_runs},
        {"SELECT sum(n_samples) FROM guide_run", &health->n_samples},
        {"SELECT count(*) FROM climate_run", &health->n_climate},
        {"SELECT sum(n_samples) FROM climate_run", &health->n_climate_rows},
        {"SELECT count(*) FROM power_run", &health->n_power},
        {"SELECT sum(n_samples) FROM power_run", &health->n_power_rows},
        {"SELECT count(*) FROM document", &health->n_documents},
        {"SELECT count(*) FROM calibration_set", &health->n_sets},
        {"SELECT count(*) FROM night", &health->n_nights},
        {"SELECT count(*) FROM change", &health->n_changes},
        {"SELECT count(*) FROM rig_version", &health->n_rigs},
    };
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < sizeof counts / sizeof counts[0] && status == NW_OK; i++) {
        int64_t n = 0;
        status = book_int_of(book, counts[i].sql, NULL, 0, &n, err);
        *counts[i].to = (size_t)n;
    }
    int64_t pages = 0;
    int64_t page_size = 0;
    status =
        status == NW_OK ? book_int_of(book, "PRAGMA page_count", NULL, 0, &pages, err) : status;
    status =
        status == NW_OK ? book_int_of(book, "PRAGMA page_size", NULL, 0, &page_size, err) : status;
    health->size_bytes = pages * page_size;
    return status;
}

enum nw_status nw_book_check(struct nw_book *book, struct nw_book_health *ret, struct nw_err *err) {
    static const char *const QUESTIONS[] = {
        "PRAGMA integrity_check(8)",
        "SELECT 'a row of ' || \"table\" || ' points to a row of ' || parent || ' that is not "
        "there' FROM pragma_foreign_key_check",
        "SELECT 'content ' || content.id || ': a frame without its row' FROM content LEFT JOIN "
        "frame ON frame.content_id = content.id WHERE kind = 'frame' AND frame.id IS NULL",
        "SELECT 'content ' || content.id || ': a guide log without a run' FROM content LEFT JOIN "
        "guide_run ON guide_run.content_id = content.id WHERE kind = 'guide-log' AND guide_run.id "
        "IS NULL",
        "SELECT 'content ' || content.id || ': a log without rows' FROM content LEFT JOIN "
        "climate_run ON climate_run.content_id = content.id LEFT JOIN power_run ON "
        "power_run.content_id = content.id WHERE kind IN ('climate-log', 'power-log') AND "
        "climate_run.id IS NULL AND power_run.id IS NULL",
        "SELECT 'content ' || content.id || ': a document without its row' FROM content LEFT JOIN "
        "document ON document.content_id = content.id WHERE kind = 'document' AND document.id IS "
        "NULL",
        "SELECT 'frame ' || frame.id || ': a light frame without measure or reason' FROM frame "
        "LEFT "
        "JOIN measure ON measure.frame_id = frame.id WHERE use = 'light' AND measure.frame_id IS "
        "NULL AND why_unmeasured = ''",
        "SELECT 'an exposure twice: frames ' || group_concat(id, ' and ') FROM frame WHERE NOT "
        "is_double AND t_start_utc_s IS NOT NULL AND exposure_s IS NOT NULL GROUP BY train_id, "
        "t_start_utc_s, exposure_s, use HAVING count(*) > 1",
    };
    struct nw_book_health health = {.n_problems = 0};
    enum nw_status status = count_all(book, &health, err);
    for (size_t i = 0; i < sizeof QUESTIONS / sizeof QUESTIONS[0] && status == NW_OK; i++) {
        status = ask(book, QUESTIONS[i], &health, err);
    }
    if (status == NW_OK) {
        *ret = health;
    }
    return status;
}

/* ---- A copy --------------------------------------------------------------------------------- */

enum nw_status nw_book_backup(struct nw_book *book, const char *path, struct nw_err *err) {
    char *temp = NULL;
    enum nw_status status = nw_file_temp(path, &temp, err);
    if (status != NW_OK) {
        return status;
    }
    (void)remove(temp); /* VACUUM INTO wants a name that is free */
    const struct book_value value = book_text(temp);
    status = book_run(book, "VACUUM INTO ?1", &value, 1, err);
    if (status == NW_OK) {
        status = nw_file_commit(temp, path, err);
    } else {
        nw_file_drop(temp);
    }
    free(temp);
    return status;
}
