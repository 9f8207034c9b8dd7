/* fuzz_table.c - any bytes as a table: refused with a place, or readable in every cell. */
#include "base/base.h"
#include "fuzz.h"

static void require(bool holds) {
    if (!holds) {
        abort();
    }
}

static void read_everything(const struct nw_table *table) {
    const size_t n_rows = nw_table_n_rows(table);
    double *const values = nw_calloc(n_rows, sizeof *values);
    for (size_t c = 0; c < nw_table_n_columns(table) && values; c++) {
        const char *const name = nw_table_column_name(table, c);
        require(nw_table_column(table, name) == (int)c);
        const struct nw_column_map map = {.name = name, .dim = NW_DIM_ANGLE, .unit = "arcsec"};
        struct nw_err err = {0};
        const bool is_ok = nw_table_numbers(table, &map, values, NULL, &err) == NW_OK;
        require(is_ok || strlen(err.text) > 0);
        for (size_t row = 0; row < n_rows; row++) {
            const char *const cell = nw_table_cell(table, row, c);
            require(nw_text_is_utf8(cell, strlen(cell)));
            require(row == 0 || nw_table_line(table, row) > nw_table_line(table, row - 1));
        }
    }
    const struct nw_column_map absent = {.name = "no such column"};
    require(nw_table_numbers(table, &absent, values, NULL, NULL) != NW_OK);
    (void)nw_table_meta(table, "exposure_s", NULL);
    free(values);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct nw_err err = {0};
    struct nw_table *table = NULL;
    const char *const bytes = size > 0 ? (const char *)data : "";
    if (nw_table_parse("night.csv", bytes, size, &table, &err) == NW_OK) {
        read_everything(table);
    } else {
        require(!table && strncmp(err.text, "night.csv:", 10) == 0);
    }
    nw_table_free(table);
    return 0;
}
