/* columns.c - looking into a table and turning its columns into numbers; see table.h. */
#include <assert.h>
#include <math.h>

#include "base/base_internal.h"
#include "base/buf.h"
#include "base/table.h"
#include "base/table_internal.h"
#include "base/text.h"
#include "base/zone.h"

const char *nw_table_name(const struct nw_table *table) {
    return table->name;
}

size_t nw_table_n_rows(const struct nw_table *table) {
    return table->n_lines - 1;
}

size_t nw_table_n_columns(const struct nw_table *table) {
    return table->n_columns;
}

const char *nw_table_column_name(const struct nw_table *table, size_t column) {
    assert(column < table->n_columns);
    return table->pool + table->cells[column];
}

int nw_table_column(const struct nw_table *table, const char *column_name) {
    for (size_t c = 0; c < table->n_columns; c++) {
        if (nw_text_equal_nocase(nw_table_column_name(table, c), column_name)) {
            return (int)c;
        }
    }
    return -1;
}

const char *nw_table_cell(const struct nw_table *table, size_t row, size_t column) {
    assert(row < nw_table_n_rows(table) && column < table->n_columns);
    return table->pool + table->cells[(row + 1) * table->n_columns + column];
}

size_t nw_table_line(const struct nw_table *table, size_t row) {
    assert(row < nw_table_n_rows(table));
    return table->lines[row + 1];
}

const char *nw_table_meta(const struct nw_table *table, const char *key, size_t *ret_line) {
    for (size_t i = 0; i < table->n_metas; i++) {
        if (nw_text_equal_nocase(table->metas[i].key, key)) {
            if (ret_line) {
                *ret_line = table->metas[i].line;
            }
            return table->metas[i].value;
        }
    }
    return NULL;
}

size_t nw_table_n_metas(const struct nw_table *table) {
    return table->n_metas;
}

const char *nw_table_meta_at(const struct nw_table *table, size_t i, const char **ret_value,
                             size_t *ret_line) {
    assert(i < table->n_metas);
    if (ret_value) {
        *ret_value = table->metas[i].value;
    }
    if (ret_line) {
        *ret_line = table->metas[i].line;
    }
    return table->metas[i].key;
}

static enum nw_status missing_column(const struct nw_table *table, const char *name,
                                     struct nw_err *err) {
    const char **const names = nw_calloc(table->n_columns, sizeof *names);
    if (!names) {
        return nw_err_set(err, NW_NOMEM, "%s: names of columns", table->name);
    }
    char list[256] = "";
    size_t len = 0;
    bool is_full = false;
    for (size_t c = 0; c < table->n_columns; c++) {
        names[c] = nw_table_column_name(table, c);
        char quoted[BASE_QUOTE_BYTES];
        base_quote(quoted, names[c]);
        const bool is_fitting = len + strlen(quoted) + 8 < sizeof list;
        if (!is_full) {
            len += (size_t)snprintf(list + len, sizeof list - len, "%s%s", c ? ", " : "",
                                    is_fitting ? quoted : "...");
        }
        is_full = is_full || !is_fitting;
    }
    const char *const nearest = nw_text_nearest(name, names, table->n_columns);
    const enum nw_status status =
        nw_err_set(err, NW_NOTFOUND, "%s:%zu: no column %s%s%s%s, there are: %s", table->name,
                   (size_t)table->lines[0], name, nearest ? " (nearest: " : "",
                   nearest ? nearest : "", nearest ? ")" : "", list);
    free(names);
    return status;
}

static bool is_not_measured(const char *cell) {
    return *cell == '\0' || strcmp(cell, "-") == 0 || nw_text_equal_nocase(cell, "nan");
}

/* A name that is not one word stands in quotes. */
static void quote_name(char to[BASE_QUOTE_BYTES + 2], const char *name) {
    char clean[BASE_QUOTE_BYTES];
    base_quote(clean, name);
    const bool is_word = strpbrk(clean, " \t,;:\"'") == NULL;
    (void)snprintf(to, BASE_QUOTE_BYTES + 2, is_word ? "%s" : "\"%s\"", clean);
}

enum nw_status nw_table_numbers(const struct nw_table *table, const struct nw_column_map *map,
                                double *values, bool *ret_present, struct nw_err *err) {
    const size_t n_rows = nw_table_n_rows(table);
    const int column = nw_table_column(table, map->name);
    char name[BASE_QUOTE_BYTES + 2];
    quote_name(name, map->name);
    if (column < 0 && !map->is_optional) {
        return missing_column(table, map->name, err);
    }
    double factor = 1.0;
    double zero_si = 0.0;
    if (map->unit) {
        const enum nw_status status = nw_unit_read(map->unit, map->dim, &factor, &zero_si, err);
        if (status != NW_OK) {
            return nw_err_at(err, status, "%s: unit of column %s", table->name, name);
        }
    }
    const bool has_scale = map->scale < 0.0 || map->scale > 0.0;
    const double scale = has_scale ? map->scale : 1.0;
    for (size_t row = 0; row < n_rows; row++) {
        const char *const cell = column < 0 ? "" : nw_table_cell(table, row, (size_t)column);
        double number = (double)NAN;
        if (!is_not_measured(cell) && !nw_text_to_double(cell, &number)) {
            char quoted[BASE_QUOTE_BYTES];
            base_quote(quoted, cell);
            return nw_err_set(err, NW_FORMAT, "%s:%zu: column %s: \"%s\" is not a number",
                              table->name, nw_table_line(table, row), name, quoted);
        }
        values[row] = (number * scale + map->offset) * factor + zero_si;
        if (isinf(values[row])) {
            return nw_err_set(err, NW_FORMAT, "%s:%zu: column %s: \"%s\" is too large a number",
                              table->name, nw_table_line(table, row), name, cell);
        }
    }
    if (ret_present) {
        *ret_present = column >= 0;
    }
    return NW_OK;
}

enum nw_status nw_table_times(const struct nw_table *table, size_t column, double *utc_s,
                              struct nw_err *err) {
    const char *const name = nw_table_name(table);
    size_t line = 0;
    const char *const zone_text = nw_table_meta(table, "time_zone", &line);
    struct nw_time_zone zone = {0};
    if (zone_text && nw_time_zone_read(zone_text, NULL, &zone, err) != NW_OK) {
        return nw_err_at(err, NW_FORMAT, "%s:%zu: time_zone", name, line);
    }
    for (size_t i = 0; i < nw_table_n_rows(table); i++) {
        const char *const cell = nw_table_cell(table, i, column);
        double local_s = NAN;
        double both_s[2];
        const enum nw_status status = nw_time_read_iso(cell, 0.0, &local_s, err);
        if (status != NW_OK) {
            return nw_err_at(err, status, "%s:%zu: %s", name, nw_table_line(table, i),
                             nw_table_column_name(table, column));
        }
        const char *const clock = strpbrk(cell, "T ");
        const bool is_local = zone_text && clock && !strpbrk(clock, "Zz+-");
        utc_s[i] = is_local && nw_time_zone_utc(&zone, local_s, both_s) > 0 ? both_s[0] : local_s;
    }
    return NW_OK;
}
