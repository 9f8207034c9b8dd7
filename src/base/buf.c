/* buf.c - see buf.h */
#include "base/buf.h"

#include <stdarg.h>
#include <stdint.h>

void nw_buf_init(struct nw_buf *buf, size_t max_bytes) {
    *buf = (struct nw_buf){.max = max_bytes};
}

void nw_buf_done(struct nw_buf *buf) {
    if (buf) {
        free(buf->data);
        *buf = (struct nw_buf){0};
    }
}

/* A failed buffer has max == 0 and keeps what it had. */
int nw_buf_failed(const struct nw_buf *buf) {
    return buf->max == 0;
}

static enum nw_status reserve(struct nw_buf *buf, size_t more, struct nw_err *err) {
    if (more > buf->max || buf->len > buf->max - more) {
        return nw_err_set(err, NW_LIMIT, "text would exceed %zu bytes", buf->max);
    }
    const size_t need = buf->len + more + 1;
    if (need <= buf->cap) {
        return NW_OK;
    }
    size_t cap = buf->cap ? buf->cap : 256;
    while (cap < need) {
        cap *= 2;
    }
    char *const data = realloc(buf->data, cap);
    if (!data) {
        return nw_err_set(err, NW_NOMEM, "text of %zu bytes", cap);
    }
    buf->data = data;
    buf->cap = cap;
    return NW_OK;
}

enum nw_status nw_buf_add(struct nw_buf *buf, const char *bytes, size_t n_bytes,
                          struct nw_err *err) {
    const enum nw_status status = reserve(buf, n_bytes, err);
    if (status != NW_OK) {
        return status;
    }
    if (n_bytes > 0) {
        memcpy(buf->data + buf->len, bytes, n_bytes);
    }
    buf->len += n_bytes;
    buf->data[buf->len] = '\0';
    return NW_OK;
}

void nw_buf_printf(struct nw_buf *buf, const char *format, ...) {
    if (nw_buf_failed(buf)) {
        return;
    }
    va_list args;
    va_start(args, format);
    va_list again;
    va_copy(again, args);
    const int n_bytes = vsnprintf(NULL, 0, format, args);
    va_end(args);
    if (n_bytes < 0 || reserve(buf, (size_t)n_bytes, NULL) != NW_OK) {
        buf->max = 0;
    } else {
        (void)vsnprintf(buf->data + buf->len, buf->cap - buf->len, format, again);
        buf->len += (size_t)n_bytes;
    }
    va_end(again);
}

void nw_buf_quoted(struct nw_buf *buf, const char *text) {
    nw_buf_printf(buf, "\"");
    while (*text != '\0') {
        const size_t n = strcspn(text, "\"");
        nw_buf_printf(buf, text[n] == '"' ? "%.*s\"\"" : "%.*s", (int)n, text);
        text += n + (text[n] == '"' ? 1 : 0);
    }
    nw_buf_printf(buf, "\"");
}

enum nw_status nw_grow(void **items, size_t *cap, size_t need, size_t item_size, size_t max_items,
                       struct nw_err *err) {
    if (need <= *cap) {
        return NW_OK;
    }
    if (need > max_items || need > SIZE_MAX / item_size) {
        return nw_err_set(err, NW_LIMIT, "more than %zu items", max_items);
    }
    size_t new_cap = *cap ? *cap : 16;
    while (new_cap < need) {
        new_cap = new_cap > max_items / 2 ? max_items : new_cap * 2;
    }
    if (new_cap > SIZE_MAX / item_size) {
        return nw_err_set(err, NW_LIMIT, "more than %zu items", max_items);
    }
    void *const moved = realloc(*items, new_cap * item_size);
    if (!moved) {
        return nw_err_set(err, NW_NOMEM, "%zu items of %zu bytes", new_cap, item_size);
    }
    *items = moved;
    *cap = new_cap;
    return NW_OK;
}

void *nw_calloc(size_t n, size_t size) {
    if (size > 0 && n > SIZE_MAX / size) {
        return NULL; /* calloc checks this too, but the sanitizers end the program over it */
    }
    return calloc(n ? n : 1, size ? size : 1);
}

char *nw_strdup(const char *text) {
    return text ? strdup(text) : NULL;
}
