/* table.h - comma-separated tables with named columns; errors carry file, line and column. */
#ifndef NW_TABLE_H
#define NW_TABLE_H

#include <stdbool.h>
#include <stddef.h>

#include "base/quantity.h"

/* A table as text, UTF-8 (a byte order mark is skipped), lines ended by LF or CR LF. '#' lines are
 * comments; `# key: value` comments before or between rows are kept as header lines (the key one
 * word of letters, digits, '_', '-', '.'); blank lines are skipped. Separator is ',' (RFC 4180
 * quoting, one physical line a record); blanks around cells are dropped. */
struct nw_table;

/* Limits: 64 MiB, 2,000,000 rows, 256 columns. Errors: no header row, ragged row, stray quote,
 * duplicate column name, NUL bytes, not UTF-8. `name` is used in messages ("night.csv:17: ..."). */
enum nw_status nw_table_parse(const char *name, const char *data, size_t len, struct nw_table **ret,
                              struct nw_err *err) NW_CHECKED;
enum nw_status nw_table_read(const char *path, struct nw_table **ret,
                             struct nw_err *err) NW_CHECKED;
void nw_table_free(struct nw_table *table);

const char *nw_table_name(const struct nw_table *table);
size_t nw_table_n_rows(const struct nw_table *table);
size_t nw_table_n_columns(const struct nw_table *table);
const char *nw_table_column_name(const struct nw_table *table, size_t column);
/* Index of a column by name (case ignored), or -1. */
int nw_table_column(const struct nw_table *table, const char *column_name);
const char *nw_table_cell(const struct nw_table *table, size_t row, size_t column);
size_t nw_table_line(const struct nw_table *table, size_t row); /* physical line, from 1 */
/* Value of the first header line with `key` (case ignored), or NULL; *ret_line may be NULL. */
const char *nw_table_meta(const struct nw_table *table, const char *key, size_t *ret_line);
/* All header lines in the order of the file: how many, and the i-th one's key, value and line
 * (NULL where not wanted). For readers that refuse misspelt keys. */
size_t nw_table_n_metas(const struct nw_table *table);
const char *nw_table_meta_at(const struct nw_table *table, size_t i, const char **ret_value,
                             size_t *ret_line);

/* How a column becomes numbers in SI: value = cell * scale + offset, then from `unit` (NULL: the
 * cell is already SI or dimensionless). A missing required column is an error that lists what is
 * there and the nearest name. An empty cell, "-" or "nan" is NaN; other text that is no number is
 * an error with line and column. */
struct nw_column_map {
    const char *name; /* column in the file */
    enum nw_dim dim;
    const char *unit;     /* unit of the cells */
    double scale, offset; /* scale 0 is read as 1 */
    bool is_optional;     /* absent column: all NaN */
};
/* A column of ISO 8601 times as UTC seconds since 1970, n_rows of them; those without a zone are in
 * that of the header line `time_zone`, without one in UTC. Errors with line. */
enum nw_status nw_table_times(const struct nw_table *table, size_t column, double *utc_s,
                              struct nw_err *err) NW_CHECKED;
/* values: n_rows doubles, the caller's. *ret_present (may be NULL) says if the column was there. */
enum nw_status nw_table_numbers(const struct nw_table *table, const struct nw_column_map *map,
                                double *values, bool *ret_present, struct nw_err *err) NW_CHECKED;

#endif
