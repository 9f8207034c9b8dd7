/* book_ask.h - questions to the tables of a test's book. */
#ifndef NW_TEST_BOOK_ASK_H
#define NW_TEST_BOOK_ASK_H

#include "book/book_internal.h"
#include "book_support.h"

/* The number in the first column of the first row, which must be there. */
static inline double ask(const struct place *place, const char *sql) {
    sqlite3_stmt *statement = NULL;
    struct nw_err err = {0};
    bool is_row = false;
    ok(book_prepare(place->book, sql, NULL, 0, &statement, &err), &err);
    ok(book_step(place->book, statement, &is_row, &err), &err);
    assert_true(is_row);
    const double value = book_column_real(statement, 0);
    (void)sqlite3_finalize(statement);
    return value;
}

static inline void is_sound(const struct place *place) {
    struct nw_book_health health = {0};
    struct nw_err err = {0};
    ok(nw_book_check(place->book, &health, &err), &err);
    assert_int_equal(health.n_problems, 0);
}

#endif
