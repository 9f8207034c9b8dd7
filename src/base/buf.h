/* buf.h - growing bytes and arrays; every one is born with its limit. */
#ifndef NW_BUF_H
#define NW_BUF_H

#include <stddef.h>

#include "base/err.h"

/* Growing text. data is always terminated once something was added; NULL before. */
struct nw_buf {
    char *data;
    size_t len, cap, max;
};

void nw_buf_init(struct nw_buf *buf, size_t max_bytes);
void nw_buf_done(struct nw_buf *buf); /* NULL and zeroed allowed */
enum nw_status nw_buf_add(struct nw_buf *buf, const char *bytes, size_t n_bytes,
                          struct nw_err *err) NW_CHECKED;
/* Formats at the end. Running out of memory or over the limit marks the buffer as failed: later
 * additions do nothing, nw_buf_failed says so once at the end; so report code need not check
 * every line. */
void nw_buf_printf(struct nw_buf *buf, const char *format, ...) NW_PRINTF(2, 3);
/* text as one cell of CSV, in quotes, quotes within doubled (RFC 4180, sec. 2). */
void nw_buf_quoted(struct nw_buf *buf, const char *text);
int nw_buf_failed(const struct nw_buf *buf);

/* Makes room for `need` items of `item_size` bytes in *items (capacity *cap items), doubling; at
 * most max_items. On failure *items is untouched. Usage:
 *     status = nw_grow((void **)&rows, &cap, n + 1, sizeof *rows, MAX_ROWS, err); */
enum nw_status nw_grow(void **items, size_t *cap, size_t need, size_t item_size, size_t max_items,
                       struct nw_err *err) NW_CHECKED;

/* calloc(n, size) with the product checked; NULL when it overflows or memory is out. */
void *nw_calloc(size_t n, size_t size);
char *nw_strdup(const char *text); /* yours to free; NULL when memory is out or text is NULL */

#endif
