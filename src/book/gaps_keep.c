/* gaps_keep.c - the holes of all nights, kept in the table `gap`: found anew for each night that
 * got frames or logs. */
#include <stdlib.h>

#include "book/book_internal.h"
#include "book/gaps_internal.h"
#include "book/live_internal.h"

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

/* Holes of the frames that no header explains: light may. */
static size_t list_open(const struct nw_gap *gaps, size_t n, double *moments) {
    size_t n_open = 0;
    for (size_t i = 0; i < n; i++) {
        const bool is_open = nw_gap_is_fault(gaps[i].cause) || gaps[i].cause == NW_GAP_UNTOLD;
        if (is_open && (gaps[i].sources & (1u << NW_GAP_FRAMES))) {
            moments[n_open++] = gaps[i].to_s;
        }
    }
    return n_open;
}

/* The holes of a night; light is only looked for where it may tell. */
static enum nw_status find(struct nw_book *book, const char *date, struct nw_gap **ret,
                           size_t *ret_n, struct nw_err *err) {
    struct nw_live *const live = nw_calloc(1, sizeof *live);
    double *moments = NULL;
    struct live_moments near = {NULL, 0};
    enum nw_status status = live ? NW_OK : nw_err_set(err, NW_NOMEM, "a night");
    for (int round = 0; round < 2 && status == NW_OK; round++) {
        struct nw_gap *gaps = NULL;
        size_t n = 0;
        status = live_read_near(book, date, &near, live, err);
        if (status != NW_OK) {
            break;
        }
        status = nw_gaps_of_night(book, live, &gaps, &n, err);
        nw_live_done(live);
        if (status == NW_OK) {
            free(*ret);
            *ret = gaps;
            *ret_n = n;
        }
        if (status == NW_OK && round == 0) {
            moments = nw_calloc(n + 1, sizeof *moments);
            near.t_s = moments;
            near.n = moments ? list_open(gaps, n, moments) : 0;
            status = moments ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu gaps", n);
        }
        if (near.n == 0) {
            break;
        }
    }
    free(moments);
    free(live);
    return status;
}

static enum nw_status refresh_night(struct nw_book *book, int64_t id, const char *date,
                                    struct nw_err *err) {
    const struct book_value value = book_int(id);
    struct nw_gap *gaps = NULL;
    size_t n = 0;
    enum nw_status status = book_run(book, "DELETE FROM gap WHERE night_id = ?1", &value, 1, err);
    if (status == NW_OK) {
        status = find(book, date, &gaps, &n, err);
        status = status == NW_NOTFOUND ? NW_OK : status; /* no light frame: nothing to be missed */
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        status = write_gap(book, id, &gaps[i], err);
    }
    free(gaps);
    return status;
}

struct stale {
    int64_t id;
    char date[NW_BOOK_DATE];
};

static void take_stale(sqlite3_stmt *row, void *to) {
    struct stale *const stale = to;
    stale->id = sqlite3_column_int64(row, 0);
    book_column_text(row, 1, stale->date, NW_BOOK_DATE);
}

enum nw_status book_refresh_gaps(struct nw_book *book, struct nw_err *err) {
    struct book_list list = {.size = sizeof(struct stale), .max = MAX_KEPT, .take = take_stale};
    enum nw_status status =
        book_list_rows(book, "SELECT id, date FROM night WHERE is_stale", NULL, 0, &list, err);
    const struct stale *const stale = list.items;
    for (size_t i = 0; i < list.n && status == NW_OK; i++) {
        status = refresh_night(book, stale[i].id, stale[i].date, err);
    }
    free(list.items);
    return status;
}

static void take_row(sqlite3_stmt *row, void *to) {
    struct nw_gap *const gap = to;
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
    struct book_list list = {.size = sizeof(struct nw_gap), .max = MAX_KEPT, .take = take_row};
    const enum nw_status status = book_list_rows(
        book,
        "SELECT date, from_utc_s, to_utc_s, kind, cause, evidence, would_tell FROM gap JOIN night "
        "ON night.id = night_id WHERE date >= ?1 AND (?2 = '' OR date <= ?2) ORDER BY date, "
        "from_utc_s",
        values, 2, &list, err);
    if (status == NW_OK) {
        *ret = list.items;
        *ret_n = list.n;
    }
    return status;
}
