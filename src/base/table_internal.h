/* table_internal.h - the inside of a table, shared by table.c and columns.c only. */
#ifndef NW_BASE_TABLE_INTERNAL_H
#define NW_BASE_TABLE_INTERNAL_H

#include <stddef.h>
#include <stdint.h>

struct base_meta {
    char *key, *value;
    size_t line;
};

struct nw_table {
    char *name;
    char *pool;
    size_t pool_len;
    uint32_t *cells; /* row 0 is the header */
    size_t n_cells, cap_cells;
    uint32_t *lines;
    size_t n_lines, cap_lines; /* header and rows */
    size_t n_columns;
    struct base_meta *metas;
    size_t n_metas, cap_metas;
};

#endif
