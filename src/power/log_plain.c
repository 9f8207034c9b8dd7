/* log_plain.c - a power log as rows, without a rig; see power_log.h. */
#include <math.h>

#include "power/power_log.h"

void nw_power_rows_done(struct nw_power_rows *rows) {
    free(rows->t_s);
    free(rows->data);
    free(rows->columns);
    *rows = (struct nw_power_rows){.n = 0};
}

static bool is_circuit(const char *column) {
    const size_t len = strlen(column);
    return len >= 3 && len < NW_NAME_SIZE + 2 && column[len - 2] == ' ' &&
           strchr("VAW", column[len - 1]);
}

static enum nw_status read_time(const struct nw_table *table, struct nw_power_rows *rows,
                                struct nw_err *err) {
    const struct nw_column_map t_s = {.name = "t_s", .dim = NW_DIM_NUMBER};
    const int time = nw_table_column(table, "time");
    rows->has_clock = time >= 0;
    return time >= 0 ? nw_table_times(table, (size_t)time, rows->t_s, err)
           : nw_table_column(table, "t_s") >= 0
               ? nw_table_numbers(table, &t_s, rows->t_s, NULL, err)
               : nw_err_set(err, NW_NOTFOUND, "%s: no column time (ISO 8601) or t_s (seconds)",
                            nw_table_name(table));
}

static enum nw_status read_columns(const struct nw_table *table, struct nw_power_rows *rows,
                                   struct nw_err *err) {
    enum nw_status status = NW_OK;
    size_t k = 0;
    for (size_t c = 0; c < nw_table_n_columns(table) && status == NW_OK; c++) {
        const char *const name = nw_table_column_name(table, c);
        const struct nw_column_map map = {.name = name, .dim = NW_DIM_NUMBER};
        if (is_circuit(name)) {
            nw_text_copy(rows->columns[k], sizeof rows->columns[k], name);
            status = nw_table_numbers(table, &map, rows->data + k * rows->n, NULL, err);
            k++;
        }
    }
    return status;
}

/* Rows whose time is known and comes after all before them. */
static void keep_rising(struct nw_power_rows *rows) {
    const size_t n_all = rows->n;
    size_t n = 0;
    for (size_t i = 0; i < n_all; i++) { /* times first marked, then taken out of all columns */
        const bool is_kept = isfinite(rows->t_s[i]) && (n == 0 || rows->t_s[i] > rows->t_s[n - 1]);
        for (size_t k = 0; k < rows->n_columns && is_kept; k++) {
            rows->data[k * n_all + n] = rows->data[k * n_all + i];
        }
        if (is_kept) {
            rows->t_s[n++] = rows->t_s[i];
        }
    }
    for (size_t k = 1; k < rows->n_columns; k++) {
        memmove(rows->data + k * n, rows->data + k * n_all, n * sizeof *rows->data);
    }
    rows->n_left_out = n_all - n;
    rows->n = n;
}

bool nw_power_rows_are_in(const struct nw_table *table) {
    for (size_t c = 0; c < nw_table_n_columns(table); c++) {
        if (is_circuit(nw_table_column_name(table, c))) {
            return true;
        }
    }
    return false;
}

enum nw_status nw_power_rows_read(const struct nw_table *table, struct nw_power_rows *ret,
                                  struct nw_err *err) {
    struct nw_power_rows rows = {.n = nw_table_n_rows(table)};
    for (size_t c = 0; c < nw_table_n_columns(table); c++) {
        rows.n_columns += is_circuit(nw_table_column_name(table, c)) ? 1 : 0;
    }
    if (rows.n == 0 || rows.n_columns == 0) {
        return rows.n == 0 ? nw_err_set(err, NW_DATA, "%s: no rows", nw_table_name(table))
                           : nw_err_set(err, NW_NOTFOUND,
                                        "%s: no column of a circuit, such as \"power hub V\"",
                                        nw_table_name(table));
    }
    rows.t_s = nw_calloc(rows.n, sizeof *rows.t_s);
    rows.data = nw_calloc(rows.n * rows.n_columns, sizeof *rows.data);
    rows.columns = nw_calloc(rows.n_columns, sizeof *rows.columns);
    enum nw_status status = rows.t_s && rows.data && rows.columns
                                ? read_time(table, &rows, err)
                                : nw_err_set(err, NW_NOMEM, "%zu rows", rows.n);
    if (status == NW_OK) {
        status = read_columns(table, &rows, err);
    }
    if (status == NW_OK) {
        keep_rising(&rows);
        if (rows.n > 0) {
            *ret = rows;
            return NW_OK;
        }
        status = nw_err_set(err, NW_DATA, "%s: no row with a time", nw_table_name(table));
    }
    nw_power_rows_done(&rows);
    return status;
}

void nw_power_rows_csv(const struct nw_power_rows *rows, struct nw_buf *to) {
    nw_buf_printf(to, rows->has_clock ? "time" : "t_s");
    for (size_t k = 0; k < rows->n_columns; k++) {
        nw_buf_printf(to, ",");
        nw_buf_quoted(to, rows->columns[k]);
    }
    nw_buf_printf(to, "\n");
    for (size_t i = 0; i < rows->n; i++) {
        char time[40];
        if (rows->has_clock) {
            nw_time_write_iso(rows->t_s[i], 3, time, sizeof time);
        } else {
            (void)snprintf(time, sizeof time, "%.3f", rows->t_s[i]);
        }
        nw_buf_printf(to, "%s", time);
        for (size_t k = 0; k < rows->n_columns; k++) {
            const double value = rows->data[k * rows->n + i];
            nw_buf_printf(to, isfinite(value) ? ",%.7g" : ",", value);
        }
        nw_buf_printf(to, "\n");
    }
}
