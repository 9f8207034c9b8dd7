/* readings.c - the climate and power logs of a night out of the book; see evidence.h.
 * Idea: the longest piece first, then those that stand beside it in time; two logs of the same
 * hours are not mixed. */
#include <math.h>
#include <stdlib.h>

#include "book/evidence.h"
#include "book/readings.h"

enum { MAX_PIECES = 64 };

static const char CLIMATE[] =
    "SELECT start_utc_s, end_utc_s, columns, samples FROM climate_run JOIN night ON night.id = "
    "night_id WHERE date = ?1 ORDER BY n_samples DESC, climate_run.id LIMIT 64";
static const char POWER[] =
    "SELECT start_utc_s, start_utc_s + duration_s, columns, samples FROM power_run JOIN night ON "
    "night.id = night_id WHERE date = ?1 AND start_utc_s IS NOT NULL ORDER BY n_samples DESC, "
    "power_run.id LIMIT 64";

struct span {
    double from_s, to_s;
};

static bool is_free(const struct span *taken, size_t n, struct span span) {
    for (size_t i = 0; i < n; i++) {
        if (span.from_s <= taken[i].to_s && span.to_s >= taken[i].from_s) {
            return false;
        }
    }
    return n < MAX_PIECES;
}

static enum nw_status read_pieces(struct nw_book *book, const char *sql, const char *date,
                                  struct book_samples *ret, struct nw_err *err) {
    const struct book_value value = book_text(date);
    struct span taken[MAX_PIECES];
    size_t n_taken = 0;
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = book_prepare(book, sql, &value, 1, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        const struct span span = {book_column_real(statement, 0), book_column_real(statement, 1)};
        if (is_free(taken, n_taken, span)) {
            taken[n_taken++] = span;
            status = book_take_samples(ret, (const char *)sqlite3_column_text(statement, 2),
                                       sqlite3_column_blob(statement, 3),
                                       (size_t)sqlite3_column_bytes(statement, 3), err);
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

/* A row and when it was. */
struct moment {
    double t_s;
    size_t row;
};

static int by_time(const void *a, const void *b) {
    const struct moment *const left = a;
    const struct moment *const right = b;
    if (left->t_s < right->t_s || left->t_s > right->t_s) {
        return left->t_s < right->t_s ? -1 : 1;
    }
    return (left->row > right->row) - (left->row < right->row);
}

/* Rows in order of time: order[i].row comes i-th. NULL when memory is out. */
static struct moment *order_of(const struct book_samples *samples) {
    struct moment *const order = nw_calloc(samples->n + 1, sizeof *order);
    for (size_t i = 0; order && i < samples->n; i++) {
        order[i] = (struct moment){samples->t_s[i], i};
    }
    if (order) {
        qsort(order, samples->n, sizeof *order, by_time);
    }
    return order;
}

/* "front lens_K" -> a surface; false for a series, whose number comes back. */
static bool is_surface(const char *column, size_t *ret_series) {
    for (size_t k = 0; k < NW_AIR_N_SERIES; k++) {
        if (strcmp(column, nw_air_series_word((enum nw_air_series)k)) == 0) {
            *ret_series = k;
            return false;
        }
    }
    return true;
}

static enum nw_status as_climate(const struct book_samples *samples, struct nw_air_log *ret,
                                 struct nw_err *err) {
    size_t n_surfaces = 0;
    size_t series = 0;
    size_t at[BOOK_COLUMNS_MAX];
    char(*const names)[NW_NAME_SIZE] = nw_calloc(samples->n_columns + 1, sizeof *names);
    struct moment *const order = order_of(samples);
    enum nw_status status =
        names && order ? NW_OK : nw_err_set(err, NW_NOMEM, "climate of a night");
    for (size_t k = 0; k < samples->n_columns && status == NW_OK; k++) {
        const char *const column = samples->names[k];
        if (is_surface(column, &series)) {
            const size_t len = strlen(column);
            (void)snprintf(names[n_surfaces], NW_NAME_SIZE, "%.*s", (int)(len < 2 ? 0 : len - 2),
                           column);
            at[k] = NW_AIR_N_SERIES + n_surfaces++;
        } else {
            at[k] = series;
        }
    }
    struct nw_air_log log = {.n = 0};
    status = status == NW_OK ? nw_air_log_make(samples->n, n_surfaces, names, &log, err) : status;
    for (size_t i = 0; i < samples->n && status == NW_OK; i++) {
        log.t_s[i] = order[i].t_s;
        for (size_t k = 0; k < samples->n_columns; k++) {
            const double value = samples->data[k][order[i].row];
            log.data[at[k] * log.n + i] = value;
            if (at[k] < NW_AIR_N_SERIES) {
                log.has[at[k]] |= isfinite(value);
            }
        }
    }
    free(names);
    free(order);
    if (status == NW_OK) {
        *ret = log;
    }
    return status;
}

static enum nw_status as_power(const struct book_samples *samples, struct nw_power_rows *ret,
                               struct nw_err *err) {
    struct nw_power_rows rows = {
        .n = samples->n,
        .n_columns = samples->n_columns,
        .has_clock = true,
        .t_s = nw_calloc(samples->n + 1, sizeof *rows.t_s),
        .data = nw_calloc(samples->n * samples->n_columns + 1, sizeof *rows.data),
        .columns = nw_calloc(samples->n_columns + 1, sizeof *rows.columns),
    };
    struct moment *const order = order_of(samples);
    if (!rows.t_s || !rows.data || !rows.columns || !order) {
        nw_power_rows_done(&rows);
        free(order);
        return nw_err_set(err, NW_NOMEM, "power log of a night");
    }
    for (size_t i = 0; i < rows.n; i++) {
        rows.t_s[i] = order[i].t_s;
    }
    for (size_t k = 0; k < rows.n_columns; k++) {
        nw_text_copy(rows.columns[k], sizeof rows.columns[k], samples->names[k]);
        for (size_t i = 0; i < rows.n; i++) {
            rows.data[k * rows.n + i] = samples->data[k][order[i].row];
        }
    }
    free(order);
    *ret = rows;
    return NW_OK;
}

enum nw_status nw_book_climate(struct nw_book *book, const char *date, struct nw_air_log *ret,
                               struct nw_err *err) {
    struct book_samples *const samples = nw_calloc(1, sizeof *samples);
    if (!samples) {
        return nw_err_set(err, NW_NOMEM, "climate of a night");
    }
    enum nw_status status = read_pieces(book, CLIMATE, date, samples, err);
    if (status == NW_OK && samples->n == 0) {
        *ret = (struct nw_air_log){.n = 0}; /* nothing to free */
    } else if (status == NW_OK) {
        status = as_climate(samples, ret, err);
    }
    book_samples_done(samples);
    free(samples);
    return status;
}

enum nw_status nw_book_power(struct nw_book *book, const char *date, struct nw_power_rows *ret,
                             struct nw_err *err) {
    struct book_samples *const samples = nw_calloc(1, sizeof *samples);
    if (!samples) {
        return nw_err_set(err, NW_NOMEM, "power log of a night");
    }
    enum nw_status status = read_pieces(book, POWER, date, samples, err);
    if (status == NW_OK && samples->n == 0) {
        *ret = (struct nw_power_rows){.n = 0};
    } else if (status == NW_OK) {
        status = as_power(samples, ret, err);
    }
    book_samples_done(samples);
    free(samples);
    return status;
}
