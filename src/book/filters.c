/* filters.c - what else frame headers call a filter, by the rig files that the book has.
 * Idea: capture programs are changed and filters renamed; the rig file says under `also` which
 * names mean the same. The newest rig files speak, and the one that the caller names. */
#include <math.h>

#include "book/book_internal.h"
#include "rig/rig.h"

enum { ASKED_RIGS = 12, MAX_NAMES = 50 };

static enum nw_status add_name(struct nw_paths *to, const char *name, struct nw_err *err) {
    for (size_t i = 0; i < to->n; i++) {
        if (nw_text_equal_nocase(to->items[i], name)) {
            return NW_OK;
        }
    }
    if (to->n == MAX_NAMES) {
        return NW_OK; /* as many as anybody has names for one filter */
    }
    void *items = to->items;
    enum nw_status status =
        nw_grow(&items, &to->cap, to->n + 1, sizeof *to->items, MAX_NAMES + 1, err);
    to->items = items;
    if (status == NW_OK) {
        to->items[to->n] = nw_strdup(name);
        status = to->items[to->n] ? NW_OK : nw_err_set(err, NW_NOMEM, "names of a filter");
        to->n += status == NW_OK ? 1 : 0;
    }
    return status;
}

static enum nw_status ask_filter(const struct nw_filter *filter, const char *wanted,
                                 struct nw_paths *to, struct nw_err *err) {
    if (filter->name[0] == '\0' || !nw_filter_is(filter, wanted)) {
        return NW_OK;
    }
    enum nw_status status = add_name(to, filter->name, err);
    for (size_t i = 0; i < filter->also.n && status == NW_OK; i++) {
        status = add_name(to, filter->also.items[i], err);
    }
    return status;
}

static enum nw_status ask_rig(const struct nw_rig *rig, const char *wanted, struct nw_paths *to,
                              struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < rig->n_setups && status == NW_OK; i++) {
        const struct nw_setup *const setup = &rig->setups[i];
        status = ask_filter(&setup->filter, wanted, to, err);
        for (size_t k = 0; k < setup->n_filters && status == NW_OK; k++) {
            status = ask_filter(&setup->filters[k], wanted, to, err);
        }
    }
    return status;
}

enum nw_status nw_book_filter_names(struct nw_book *book, const struct nw_rig *rig,
                                    const char *wanted, struct nw_paths *ret, struct nw_err *err) {
    const struct book_value limit = book_int(ASKED_RIGS);
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = add_name(ret, wanted, err);
    status = status == NW_OK && rig ? ask_rig(rig, wanted, ret, err) : status;
    if (status == NW_OK) {
        status = book_prepare(book, "SELECT text FROM rig_version ORDER BY id DESC LIMIT ?1",
                              &limit, 1, &statement, err);
    }
    while (status == NW_OK && !rig) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        struct nw_rig *kept = NULL;
        const char *const text = (const char *)sqlite3_column_text(statement, 0);
        if (text && nw_rig_parse("book", text, strlen(text), NULL, 0, &kept, NULL) == NW_OK) {
            status = ask_rig(kept, wanted, ret, err);
        }
        nw_rig_free(kept); /* one that a newer program cannot read says nothing */
    }
    (void)sqlite3_finalize(statement);
    return status;
}
