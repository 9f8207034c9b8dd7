/* row.c - a row on its way into a table: names beside values, so that a column has one place in the
 * program and one in the schema. */
#include <assert.h>

#include "book/book_internal.h"

enum { SQL_BYTES = 8192 };

void book_row_put(struct book_row *row, const char *name, struct book_value value) {
    assert(row->n < BOOK_ROW_MAX);
    row->names[row->n] = name;
    row->values[row->n++] = value;
}

enum nw_status book_row_insert(struct nw_book *book, const struct book_row *row,
                               struct nw_err *err) {
    struct nw_buf sql;
    nw_buf_init(&sql, SQL_BYTES);
    nw_buf_printf(&sql, "INSERT INTO %s (", row->table);
    for (size_t i = 0; i < row->n; i++) {
        nw_buf_printf(&sql, "%s%s", i ? ", " : "", row->names[i]);
    }
    nw_buf_printf(&sql, ") VALUES (");
    for (size_t i = 0; i < row->n; i++) {
        nw_buf_printf(&sql, "%s?%zu", i ? ", " : "", i + 1);
    }
    nw_buf_printf(&sql, ")");
    const enum nw_status status = nw_buf_failed(&sql)
                                      ? nw_err_set(err, NW_NOMEM, "row of %s", row->table)
                                      : book_run(book, sql.data, row->values, row->n, err);
    nw_buf_done(&sql);
    return status;
}
