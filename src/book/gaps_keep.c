/* gaps_keep.c - the holes of all nights, kept in the table `gap`: found anew for each night that
 * got frames or logs. */
#include <stdlib.h>

#include "book/book_internal.h"
#include "book/gaps_internal.h"

enum { MAX_KEPT = 1000000 };

static const char *kind_of(const struct nw_gap *gap) {
    for (size_t k = 0; k < NW_GAP_N_SOURCES; k++) {
        if (gap->sources == 1u << k) {
            return nw_gap_source_word((enum nw_gap_source)k);
        }
    }
    return "several";
}

static enum nw_status write_gap(struct nw_book *book, int64_t night, const struct nw_gap *gap,
                                struct nw_err *err) {
    const struct book_value values[] = {book_int(night),
                                        book_text(kind_of(gap)),
                                        book_real(gap->from_s),
                                        book_real(gap->to_s),
                                        book_text(nw_gap_cause_word(gap->cause)),
                                        book_int(nw_gap_is_fault(gap->cause)),
                                        book_text(gap->evidence),
                                        book_text(gap->would_tell)};
    return book_run(book,
                    "INSERT INTO gap (night_id, kind, from_utc_s, to_utc_s, cause, is_fault, "
                    "evidence, would_tell) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
                    values, sizeof values / sizeof values[0], err);
}

static enum nw_status refresh_night(struct nw_book *book, int64_t id, const char *date,
                                    struct nw_err *err) {
    const struct book_value value = book_int(id);
    struct nw_live *const live = nw_calloc(1, sizeof *live);
    struct nw_gap *gaps = NULL;
    size_t n = 0;
    enum nw_status status =
        live ? book_run(book, "DELETE FROM gap WHERE night_id = ?1", &value, 1, err)
             : nw_err_set(err, NW_NOMEM, "a night");
    if (status == NW_OK) {
        status = nw_live_read(book, date, NULL, live, err);
        if (status == NW_NOTFOUND) { /* no light frame: nothing to be missed */
            free(live);
            return NW_OK;
        }
    }
    if (status == NW_OK) {
        status = nw_gaps_of_night(book, live, &gaps, &n, err);
        for (size_t i = 0; i < n && status == NW_OK; i++) {
            status = write_gap(book, id, &gaps[i], err);
        }
        nw_live_done(live);
    }
    free(gaps);
    free(live);
    return status;
}

enum nw_status book_refresh_gaps(struct nw_book *book, struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    struct stale {
        int64_t id;
        char date[NW_BOOK_DATE];
    } *stale = NULL;
    size_t n = 0;
    size_t cap = 0;
    bool is_row = true;
    enum nw_status status =
        book_prepare(book, "SELECT id, date FROM night WHERE is_stale", NULL, 0, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = nw_grow((void **)&stale, &cap, n + 1, sizeof *stale, MAX_KEPT, err);
        if (status == NW_OK) {
            stale[n].id = sqlite3_column_int64(statement, 0);
            book_column_text(statement, 1, stale[n++].date, NW_BOOK_DATE);
        }
    }
    (void)sqlite3_finalize(statement);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        status = refresh_night(book, stale[i].id, stale[i].date, err);
    }
    free(stale);
    return status;
}

static void take_row(sqlite3_stmt *row, struct nw_gap *gap) {
    char kind[16];
    char cause[16];
    *gap = (struct nw_gap){.from_s = book_column_real(row, 1), .to_s = book_column_real(row, 2)};
    book_column_text(row, 0, gap->date, sizeof gap->date);
    book_column_text(row, 3, kind, sizeof kind);
    book_column_text(row, 4, cause, sizeof cause);
    book_column_text(row, 5, gap->evidence, sizeof gap->evidence);
    book_column_text(row, 6, gap->would_tell, sizeof gap->would_tell);
    gap->cause = NW_GAP_UNTOLD;
    for (size_t k = 0; k < NW_GAP_N_CAUSES; k++) {
        if (strcmp(cause, nw_gap_cause_word((enum nw_gap_cause)k)) == 0) {
            gap->cause = (enum nw_gap_cause)k;
        }
    }
    gap->sources = strcmp(kind, "several") == 0 ? (1u << NW_GAP_FRAMES) | (1u << NW_GAP_GUIDE) : 0;
    for (size_t k = 0; k < NW_GAP_N_SOURCES; k++) {
        if (strcmp(kind, nw_gap_source_word((enum nw_gap_source)k)) == 0) {
            gap->sources = 1u << k;
        }
    }
}

enum nw_status nw_gaps_list(struct nw_book *book, const char *from, const char *to,
                            struct nw_gap **ret, size_t *ret_n, struct nw_err *err) {
    const struct book_value values[] = {book_text(from ? from : ""), book_text(to ? to : "")};
    sqlite3_stmt *statement = NULL;
    struct nw_gap *gaps = NULL;
    size_t n = 0;
    size_t cap = 0;
    bool is_row = true;
    enum nw_status status = book_prepare(
        book,
        "SELECT date, from_utc_s, to_utc_s, kind, cause, evidence, would_tell FROM gap JOIN night "
        "ON night.id = night_id WHERE date >= ?1 AND (?2 = '' OR date <= ?2) ORDER BY date, "
        "from_utc_s",
        values, 2, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = nw_grow((void **)&gaps, &cap, n + 1, sizeof *gaps, MAX_KEPT, err);
        if (status == NW_OK) {
            take_row(statement, &gaps[n++]);
        }
    }
    (void)sqlite3_finalize(statement);
    if (status == NW_OK) {
        *ret = gaps;
        *ret_n = n;
    } else {
        free(gaps);
    }
    return status;
}
