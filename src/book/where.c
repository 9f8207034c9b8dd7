/* where.c - where the frames of a night or of a target lie; see book.h. */
#include "book/book_internal.h"

enum nw_status book_take_paths(struct nw_book *book, sqlite3_stmt *statement, struct nw_paths *ret,
                               struct nw_err *err) {
    bool is_row = true;
    enum nw_status status = NW_OK;
    while (is_row && status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        void *items = ret->items;
        status = nw_grow(&items, &ret->cap, ret->n + 1, sizeof *ret->items, 1000000, err);
        ret->items = items;
        if (status == NW_OK) {
            ret->items[ret->n] = nw_strdup((const char *)sqlite3_column_text(statement, 0));
            status = ret->items[ret->n] ? NW_OK : nw_err_set(err, NW_NOMEM, "paths");
            ret->n += status == NW_OK;
        }
    }
    return status;
}

/* The target whose name is nearest, for the message. */
enum nw_status book_fail_unknown(struct nw_book *book, const char *wanted, struct nw_err *err) {
    enum { MAX_NAMES = 400 };
    struct nw_paths names = {0};
    sqlite3_stmt *statement = NULL;
    enum nw_status status =
        book_prepare(book, "SELECT DISTINCT object FROM frame WHERE use = 'light' AND object <> ''",
                     NULL, 0, &statement, err);
    status = status == NW_OK ? book_take_paths(book, statement, &names, err) : status;
    (void)sqlite3_finalize(statement);
    if (status == NW_OK) {
        const char *const near = nw_text_nearest(wanted, (const char *const *)names.items, names.n);
        status =
            nw_err_set(err, NW_NOTFOUND, "the book has neither a night nor a target '%.60s'%s%.60s",
                       wanted, near ? "; the nearest target is " : "", near ? near : "");
    }
    nw_paths_done(&names);
    return status;
}

enum nw_status nw_book_paths(struct nw_book *book, const char *night_or_target,
                             struct nw_paths *ret, struct nw_err *err) {
    static const char *const SQL[] = {
        "SELECT min(place.path) FROM frame JOIN place ON place.content_id = frame.content_id "
        "LEFT JOIN night ON night.id = frame.night_id "
        "WHERE frame.use = 'light' AND NOT is_double AND (night.date = ?1 OR frame.object = ?1) "
        "GROUP BY frame.id ORDER BY frame.t_start_utc_s",
        "SELECT min(place.path) FROM frame JOIN place ON place.content_id = frame.content_id "
        "WHERE frame.use IN ('bias', 'dark', 'flat') AND NOT is_double AND frame.train_id IN "
        "(SELECT train_id FROM frame AS f LEFT JOIN night ON night.id = f.night_id "
        "WHERE f.use = 'light' AND (night.date = ?1 OR f.object = ?1)) "
        "GROUP BY frame.id ORDER BY frame.t_start_utc_s"};
    const struct book_value value = book_text(night_or_target);
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < 2 && status == NW_OK; i++) {
        sqlite3_stmt *statement = NULL;
        status = book_prepare(book, SQL[i], &value, 1, &statement, err);
        status = status == NW_OK ? book_take_paths(book, statement, ret, err) : status;
        (void)sqlite3_finalize(statement);
        if (status == NW_OK && i == 0 && ret->n == 0) {
            return book_fail_unknown(book, night_or_target, err);
        }
    }
    return status;
}
