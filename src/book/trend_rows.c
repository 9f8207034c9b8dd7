/* trend_rows.c - which columns of which tables a trend is about, and their rows.
 * Idea: columns are those of the views, so that what can be asked is what can be seen; a name goes
 * into a statement only after it was found among them. Two columns of one table go row by row; of
 * two tables by nights, which is all that they have in common. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "book/trend_internal.h"

enum { MAX_ROWS = 50000000, MAX_COLUMNS = 80, MAX_CONDITIONS = 12, SQL_BYTES = 8192 };

/* Tables, and the column that must be one thing for their rows to be of one kind. */
static const struct {
    const char *name, *key;
} VIEWS[] = {
    {"sub", NULL},
    {"guiding", NULL},
    {"climate", NULL},
    {"power", "circuit"},
    {"surface", NULL},
    {"hot_pixel", "above_e_per_s"}, /* before sensor: its limits are fixed */
    {"sensor", NULL},
    {"trial", "name"},
    {"calibration", "kind"},
    {"plan", NULL},
};
enum { N_VIEWS = sizeof VIEWS / sizeof VIEWS[0] };

struct columns {
    char names[MAX_COLUMNS][64];
    const char *list[MAX_COLUMNS];
    size_t n;
};

/* Only rows whose column is one of these. */
struct condition {
    char column[64];
    const char *const *values;
    size_t n_values;
    bool is_used, is_where; /* --where COLUMN=VALUE */
};

struct asked {
    struct nw_book *book;
    const struct nw_book_trend_opts *opts;
    struct columns views[N_VIEWS];
    struct condition conditions[MAX_CONDITIONS];
    const char *wheres[MAX_CONDITIONS]; /* their values */
    size_t n_conditions;
};

static enum nw_status read_columns(struct nw_book *book, const char *view, struct columns *ret,
                                   struct nw_err *err) {
    const struct book_value value = book_text(view);
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status =
        book_prepare(book, "SELECT name FROM pragma_table_info(?1)", &value, 1, &statement, err);
    while (status == NW_OK && is_row && ret->n < MAX_COLUMNS) {
        status = book_step(book, statement, &is_row, err);
        if (status == NW_OK && is_row) {
            book_column_text(statement, 0, ret->names[ret->n], sizeof ret->names[0]);
            ret->list[ret->n] = ret->names[ret->n];
            ret->n++;
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static bool has(const struct asked *a, size_t view, const char *name) {
    for (size_t i = 0; i < a->views[view].n; i++) {
        if (strcmp(a->views[view].list[i], name) == 0) {
            return true;
        }
    }
    return false;
}

/* ---- What is asked -------------------------------------------------------------------------- */

static void add_condition(struct asked *a, const char *column, const char *const *values,
                          size_t n_values) {
    struct condition *const c = &a->conditions[a->n_conditions++];
    *c = (struct condition){.values = values, .n_values = n_values};
    nw_text_copy(c->column, sizeof c->column, column);
}

/* --filter, --object, --camera, and COLUMN=VALUE. */
static enum nw_status list_conditions(struct asked *a, struct nw_err *err) {
    const struct nw_book_trend_opts *const o = a->opts;
    const char *const *const singles[] = {&o->filter, &o->object, &o->camera};
    static const char *const COLUMNS[] = {"filter", "object", "camera"};
    for (size_t i = 0; i < 3; i++) {
        if (*singles[i] && (*singles[i])[0] != '\0') {
            const bool has_names = i == 0 && o->n_filter_names > 0;
            add_condition(a, COLUMNS[i], has_names ? o->filter_names : singles[i],
                          has_names ? o->n_filter_names : 1);
        }
    }
    if (o->n_where > MAX_CONDITIONS - 3) {
        return nw_err_set(err, NW_LIMIT, "%zu conditions, at most %d", o->n_where,
                          MAX_CONDITIONS - 3);
    }
    for (size_t i = 0; i < o->n_where; i++) {
        const char *const equals = strchr(o->where[i], '=');
        char column[64];
        if (!equals || equals == o->where[i] || equals - o->where[i] >= (ptrdiff_t)sizeof column) {
            return nw_err_set(err, NW_USAGE, "'%.60s', expected COLUMN=VALUE", o->where[i]);
        }
        (void)snprintf(column, sizeof column, "%.*s", (int)(equals - o->where[i]), o->where[i]);
        a->wheres[i] = equals + 1;
        add_condition(a, column, &a->wheres[i], 1);
        a->conditions[a->n_conditions - 1].is_where = true;
    }
    return NW_OK;
}

static enum nw_status no_column(const struct asked *a, const char *name, struct nw_err *err) {
    const char *nearest = NULL;
    for (size_t v = 0; v < N_VIEWS && !nearest; v++) {
        nearest = nw_text_nearest(name, a->views[v].list, a->views[v].n);
    }
    return nw_err_set(err, NW_NOTFOUND, "no column '%s'%s%s%s", name, nearest ? " (nearest: " : "",
                      nearest ? nearest : "; `book export` shows the columns", nearest ? ")" : "");
}

/* "climate.air_mean_c" -> its table and column; without a dot any table (N_VIEWS). */
static enum nw_status split(const struct asked *a, const char *name, size_t *ret_view,
                            const char **ret_column, struct nw_err *err) {
    const char *const dot = strchr(name, '.');
    *ret_view = N_VIEWS;
    *ret_column = dot ? dot + 1 : name;
    for (size_t v = 0; v < N_VIEWS; v++) {
        const size_t len = dot ? (size_t)(dot - name) : 0;
        if (dot && strlen(VIEWS[v].name) == len && strncmp(VIEWS[v].name, name, len) == 0) {
            *ret_view = v;
            return has(a, v, dot + 1) ? NW_OK : no_column(a, dot + 1, err);
        }
    }
    return dot ? nw_err_set(err, NW_NOTFOUND, "no table '%.*s'", (int)(dot - name), name) : NW_OK;
}

static size_t first_with(const struct asked *a, size_t given, const char *column) {
    size_t v = 0;
    while (given == N_VIEWS && v < N_VIEWS && !has(a, v, column)) {
        v++;
    }
    return given == N_VIEWS ? v : given;
}

/* The tables of y and x: one that has both, else the first that has each. */
static enum nw_status find_views(const struct asked *a, const char **ret_y, const char **ret_x,
                                 size_t ret_views[static 2], struct nw_err *err) {
    size_t given_y = N_VIEWS;
    size_t given_x = N_VIEWS;
    enum nw_status status = split(a, a->opts->y, &given_y, ret_y, err);
    status = status == NW_OK ? split(a, a->opts->x, &given_x, ret_x, err) : status;
    if (status != NW_OK) {
        return status;
    }
    for (size_t v = 0; v < N_VIEWS; v++) {
        const bool is_allowed =
            (given_y == N_VIEWS || given_y == v) && (given_x == N_VIEWS || given_x == v);
        if (is_allowed && has(a, v, *ret_y) && has(a, v, *ret_x)) {
            ret_views[0] = v;
            ret_views[1] = v;
            return NW_OK;
        }
    }
    ret_views[0] = first_with(a, given_y, *ret_y);
    ret_views[1] = first_with(a, given_x, *ret_x);
    return ret_views[0] == N_VIEWS   ? no_column(a, *ret_y, err)
           : ret_views[1] == N_VIEWS ? no_column(a, *ret_x, err)
                                     : NW_OK;
}

/* ---- Are there such values? ----------------------------------------------------------------- */

/* The texts of a column, and how many rows hold numbers. */
static enum nw_status read_values(struct asked *a, size_t view, const char *column,
                                  struct nw_paths *ret_texts, int64_t *ret_n_numbers,
                                  struct nw_err *err) {
    const char *const table = VIEWS[view].name;
    char sql[400];
    sqlite3_stmt *statement = NULL;
    (void)snprintf(sql, sizeof sql,
                   "SELECT count(*) FROM %s WHERE typeof(%s) IN ('real', "
                   "'integer')",
                   table, column);
    enum nw_status status = book_int_of(a->book, sql, NULL, 0, ret_n_numbers, err);
    (void)snprintf(sql, sizeof sql,
                   "SELECT DISTINCT %s FROM %s WHERE typeof(%s) = 'text' LIMIT 400", column, table,
                   column);
    status = status == NW_OK ? book_prepare(a->book, sql, NULL, 0, &statement, err) : status;
    status = status == NW_OK ? book_take_paths(a->book, statement, ret_texts, err) : status;
    (void)sqlite3_finalize(statement);
    return status;
}

/* A column of texts must hold the value, one of numbers must be asked for a number. */
static enum nw_status check_value(struct asked *a, size_t view, const struct condition *c,
                                  struct nw_err *err) {
    const char *const value = c->values[0];
    struct nw_paths texts = {0};
    int64_t n_numbers = 0;
    double number = NAN;
    bool is_there = false;
    enum nw_status status = read_values(a, view, c->column, &texts, &n_numbers, err);
    for (size_t i = 0; i < texts.n; i++) {
        is_there = is_there || nw_text_equal_nocase(texts.items[i], value);
    }
    if (status == NW_OK && n_numbers > 0 && !is_there && !nw_text_to_double(value, &number)) {
        status = nw_err_set(err, NW_USAGE, "--where %s=%.60s: expected a number", c->column, value);
    } else if (status == NW_OK && n_numbers == 0 && texts.n > 0 && !is_there) {
        const char *const near = nw_text_nearest(value, (const char *const *)texts.items, texts.n);
        status = nw_err_set(err, NW_NOTFOUND, "no %s '%.60s' in the book (%s: %.60s)", c->column,
                            value, near ? "nearest" : "there is", near ? near : texts.items[0]);
    }
    nw_paths_done(&texts);
    return status;
}

static enum nw_status check_values(struct asked *a, size_t view, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < a->n_conditions && status == NW_OK; i++) {
        if (a->conditions[i].is_where && has(a, view, a->conditions[i].column)) {
            status = check_value(a, view, &a->conditions[i], err);
        }
    }
    return status;
}

/* ---- Statements ----------------------------------------------------------------------------- */

struct statement {
    struct nw_buf sql;
    struct book_value values[64];
    size_t n;
};

/* Conditions on columns that the table has; texts whatever their case, numbers to six digits. */
static void write_where(struct asked *a, size_t view, struct statement *to) {
    to->values[0] = book_text(a->opts->from ? a->opts->from : "");
    to->values[1] = book_text(a->opts->to ? a->opts->to : "");
    to->n = 2;
    nw_buf_printf(&to->sql, " FROM %s WHERE night >= ?1 AND (?2 = '' OR night <= ?2)",
                  VIEWS[view].name);
    for (size_t i = 0; i < a->n_conditions; i++) {
        struct condition *const c = &a->conditions[i];
        if (!has(a, view, c->column)) {
            continue;
        }
        c->is_used = true;
        nw_buf_printf(&to->sql, " AND (0");
        for (size_t k = 0; k < c->n_values && to->n < 60; k++) {
            to->values[to->n++] = book_text(c->values[k]);
            nw_buf_printf(&to->sql,
                          " OR CASE WHEN typeof(%s) = 'text' THEN %s = ?%zu COLLATE NOCASE ELSE "
                          "abs(%s - CAST(?%zu AS REAL)) <= 1e-6 * abs(%s) END",
                          c->column, c->column, to->n, c->column, to->n, c->column);
        }
        nw_buf_printf(&to->sql, ")");
    }
}

/* Rows of several circuits, limits or trials are no series. */
static enum nw_status is_one_kind(struct asked *a, size_t view, const char *y, struct nw_err *err) {
    const char *const key = VIEWS[view].key;
    struct statement s = {.n = 0};
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    if (!key || strcmp(key, y) == 0) {
        return NW_OK;
    }
    nw_buf_init(&s.sql, SQL_BYTES);
    nw_buf_printf(&s.sql, "SELECT count(DISTINCT %s), group_concat(DISTINCT %s)", key, key);
    write_where(a, view, &s);
    nw_buf_printf(&s.sql, " AND %s IS NOT NULL", y);
    enum nw_status status = nw_buf_failed(&s.sql)
                                ? nw_err_set(err, NW_NOMEM, "statement")
                                : book_prepare(a->book, s.sql.data, s.values, s.n, &statement, err);
    status = status == NW_OK ? book_step(a->book, statement, &is_row, err) : status;
    if (status == NW_OK && is_row && sqlite3_column_int64(statement, 0) > 1) {
        char all[160];
        book_column_text(statement, 1, all, sizeof all);
        status = nw_err_set(err, NW_DATA,
                            "%s is of %lld kinds, expected --where %s=VALUE with one of: %s", y,
                            (long long)sqlite3_column_int64(statement, 0), key, all);
    }
    (void)sqlite3_finalize(statement);
    nw_buf_done(&s.sql);
    return status;
}

static enum nw_status read_rows(struct asked *a, size_t view, const char *y, const char *x,
                                struct nw_book_trend *trend, struct nw_err *err) {
    const bool is_time = strcmp(x, BOOK_TREND_NIGHT) == 0;
    struct statement s = {.n = 0};
    sqlite3_stmt *statement = NULL;
    size_t cap = 0;
    bool is_row = true;
    nw_buf_init(&s.sql, SQL_BYTES);
    nw_buf_printf(&s.sql, "SELECT %s%s%s, %s, night", is_time ? "julianday(" : "", x,
                  is_time ? ")" : "", y);
    write_where(a, view, &s);
    nw_buf_printf(&s.sql, " ORDER BY night");
    enum nw_status status = nw_buf_failed(&s.sql)
                                ? nw_err_set(err, NW_NOMEM, "statement")
                                : book_prepare(a->book, s.sql.data, s.values, s.n, &statement, err);
    while (status == NW_OK) {
        status = book_step(a->book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        struct nw_book_point point = {.x = book_column_real(statement, 0),
                                      .y = book_column_real(statement, 1)};
        book_column_text(statement, 2, point.date, sizeof point.date);
        if (isfinite(point.x) && isfinite(point.y)) {
            status = nw_grow((void **)&trend->points, &cap, trend->n + 1, sizeof *trend->points,
                             MAX_ROWS, err);
        }
        if (status == NW_OK && trend->points && isfinite(point.x) && isfinite(point.y)) {
            trend->points[trend->n++] = point;
        }
    }
    (void)sqlite3_finalize(statement);
    nw_buf_done(&s.sql);
    return status;
}

/* ---- Two tables ----------------------------------------------------------------------------- */

/* Medians of nights, in place. */
static enum nw_status to_nights(struct nw_book_trend *trend, struct nw_err *err) {
    double *const work = nw_calloc(trend->n + 1, sizeof *work);
    size_t n = 0;
    if (!work) {
        return nw_err_set(err, NW_NOMEM, "%zu points", trend->n);
    }
    for (size_t first = 0; first < trend->n;) {
        size_t end = first;
        while (end < trend->n && strcmp(trend->points[end].date, trend->points[first].date) == 0) {
            work[end - first] = trend->points[end].y;
            end++;
        }
        struct nw_book_point median = trend->points[first];
        median.y = nw_stat_median(work, end - first);
        trend->points[n++] = median;
        first = end;
    }
    trend->n = n;
    free(work);
    return NW_OK;
}

/* Nights that both have, into y. */
static void join(struct nw_book_trend *y, const struct nw_book_trend *x) {
    size_t n = 0;
    size_t k = 0;
    for (size_t i = 0; i < y->n; i++) {
        while (k < x->n && strcmp(x->points[k].date, y->points[i].date) < 0) {
            k++;
        }
        if (k < x->n && strcmp(x->points[k].date, y->points[i].date) == 0) {
            struct nw_book_point point = y->points[i];
            point.x = x->points[k].y;
            y->points[n++] = point;
        }
    }
    y->n = n;
}

static enum nw_status read_two(struct asked *a, const size_t views[static 2], const char *y,
                               const char *x, struct nw_book_trend *ret, struct nw_err *err) {
    struct nw_book_trend other = {.n = 0};
    enum nw_status status = is_one_kind(a, views[1], x, err);
    status = status == NW_OK ? read_rows(a, views[0], y, BOOK_TREND_NIGHT, ret, err) : status;
    status = status == NW_OK ? read_rows(a, views[1], x, BOOK_TREND_NIGHT, &other, err) : status;
    status = status == NW_OK ? to_nights(ret, err) : status;
    status = status == NW_OK ? to_nights(&other, err) : status;
    if (status == NW_OK) {
        join(ret, &other);
    }
    nw_book_trend_done(&other);
    return status;
}

enum nw_status book_trend_points(struct nw_book *book, const struct nw_book_trend_opts *opts,
                                 struct nw_book_trend *ret, bool *ret_is_joined,
                                 struct nw_err *err) {
    struct asked *const a = nw_calloc(1, sizeof *a);
    const char *y = NULL;
    const char *x = NULL;
    size_t views[2] = {N_VIEWS, N_VIEWS};
    enum nw_status status = a ? NW_OK : nw_err_set(err, NW_NOMEM, "columns");
    if (status == NW_OK) {
        *a = (struct asked){.book = book, .opts = opts};
    }
    for (size_t v = 0; v < N_VIEWS && status == NW_OK; v++) {
        status = read_columns(book, VIEWS[v].name, &a->views[v], err);
    }
    status = status == NW_OK ? list_conditions(a, err) : status;
    status = status == NW_OK ? find_views(a, &y, &x, views, err) : status;
    status = status == NW_OK ? check_values(a, views[0], err) : status;
    status = status == NW_OK && views[1] != views[0] ? check_values(a, views[1], err) : status;
    status = status == NW_OK ? is_one_kind(a, views[0], y, err) : status;
    if (status == NW_OK) {
        *ret_is_joined = views[0] != views[1];
        status = *ret_is_joined ? read_two(a, views, y, x, ret, err)
                                : read_rows(a, views[0], y, x, ret, err);
    }
    for (size_t i = 0; status == NW_OK && i < a->n_conditions; i++) {
        if (!a->conditions[i].is_used) {
            status = nw_err_set(
                err, NW_NOTFOUND, "no column '%s' beside %s (table %s) and %s (table %s)",
                a->conditions[i].column, y, VIEWS[views[0]].name, x, VIEWS[views[1]].name);
        }
    }
    free(a);
    return status;
}
