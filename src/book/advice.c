/* advice.c - what was advised and whether it held: see told.h. */
#include <math.h>
#include <stdlib.h>

#include "book/book_internal.h"
#include "book/told.h"

enum { MAX_ADVICE = 100000 };
#define MEAN_WIDTH "mean width by " /* and the line that is changed most */

static const char *const OUTCOMES[] = {
#define X(name, word) word,
    NW_BOOK_OUTCOME_LIST(X)
#undef X
};

const char *nw_book_outcome_word(enum nw_book_outcome outcome) {
    return OUTCOMES[outcome];
}

enum nw_status nw_book_put_advice(struct nw_book *book, const struct nw_book_advice *a,
                                  struct nw_err *err) {
    char quantity[48];
    (void)snprintf(quantity, sizeof quantity, MEAN_WIDTH "%s", a->line);
    const struct book_value values[] = {
        book_text(a->date),
        book_real(a->made_utc_s),
        a->rig_version > 0 ? book_int(a->rig_version) : (struct book_value){.type = BOOK_NULL},
        book_text(a->rig_name),
        book_text(a->setup),
        book_text(a->filter),
        book_text(a->what),
        book_text(a->path),
        book_text(a->old_value),
        book_text(a->new_value),
        book_text(a->text),
        book_real(a->before_rad),
        book_real(a->predicted_rad),
        book_real(a->sigma_rad),
        book_real(a->refuted_below_rad),
        book_text(quantity),
    };
    return book_run(
        book,
        "INSERT INTO advice (night_id, made_utc_s, rig_version_id, rig_name, setup, filter, what, "
        "path, old_value, new_value, text, quantity, unit, before, predicted, sigma, "
        "refuted_below) VALUES ((SELECT id FROM night WHERE date = ?1), ?2, ?3, ?4, ?5, ?6, ?7, "
        "?8, ?9, ?10, ?11, ?16, 'rad', ?12, ?13, ?14, ?15) ON CONFLICT (rig_name, setup, "
        "filter, what, night_id) DO UPDATE SET made_utc_s = ?2, rig_version_id = ?3, path = ?8, "
        "old_value = ?9, new_value = ?10, text = ?11, before = ?12, predicted = ?13, sigma = ?14, "
        "refuted_below = ?15 WHERE outcome = 'open'",
        values, sizeof values / sizeof *values, err);
}

static void take(sqlite3_stmt *row, void *to) {
    struct nw_book_advice *const a = to;
    char outcome[16];
    *a = (struct nw_book_advice){.id = sqlite3_column_int64(row, 0),
                                 .rig_version = sqlite3_column_int64(row, 2),
                                 .outcome = NW_BOOK_OPEN};
    a->made_utc_s = book_column_real(row, 1);
    book_column_text(row, 3, a->date, sizeof a->date);
    book_column_text(row, 4, a->rig_name, sizeof a->rig_name);
    book_column_text(row, 5, a->setup, sizeof a->setup);
    book_column_text(row, 6, a->filter, sizeof a->filter);
    book_column_text(row, 7, a->what, sizeof a->what);
    book_column_text(row, 8, a->path, sizeof a->path);
    book_column_text(row, 9, a->old_value, sizeof a->old_value);
    book_column_text(row, 10, a->new_value, sizeof a->new_value);
    book_column_text(row, 11, a->text, sizeof a->text);
    a->before_rad = book_column_real(row, 12);
    a->predicted_rad = book_column_real(row, 13);
    a->sigma_rad = book_column_real(row, 14);
    a->refuted_below_rad = book_column_real(row, 15);
    book_column_text(row, 16, outcome, sizeof outcome);
    for (size_t i = 0; i < sizeof OUTCOMES / sizeof *OUTCOMES; i++) {
        a->outcome = strcmp(outcome, OUTCOMES[i]) == 0 ? (enum nw_book_outcome)i : a->outcome;
    }
    a->came_rad = book_column_real(row, 17);
    a->came_sigma_rad = book_column_real(row, 18);
    book_column_text(row, 19, a->outcome_text, sizeof a->outcome_text);
    char quantity[48];
    const size_t n = sizeof MEAN_WIDTH - 1;
    book_column_text(row, 20, quantity, sizeof quantity);
    nw_text_copy(a->line, sizeof a->line,
                 strncmp(quantity, MEAN_WIDTH, n) == 0 ? quantity + n : "");
}

enum nw_status nw_book_advice(struct nw_book *book, const char *rig_name, const char *setup,
                              struct nw_book_advice **ret, size_t *ret_n, struct nw_err *err) {
    const struct book_value values[] = {book_text(rig_name), book_text(setup)};
    struct book_list list = {
        .size = sizeof(struct nw_book_advice), .max = MAX_ADVICE, .take = take};
    const enum nw_status status = book_list_rows(
        book,
        "SELECT advice.id, made_utc_s, coalesce(rig_version_id, 0), coalesce(date, ''), rig_name, "
        "setup, filter, what, path, old_value, new_value, text, before, predicted, sigma, "
        "refuted_below, outcome, came, came_sigma, outcome_text, quantity FROM advice LEFT JOIN "
        "night ON "
        "night.id = night_id WHERE rig_name = ?1 AND setup = ?2 ORDER BY made_utc_s, advice.id",
        values, 2, &list, err);
    if (status == NW_OK) {
        *ret = list.items;
        *ret_n = list.n;
    }
    return status;
}

enum nw_status nw_book_judge_advice(struct nw_book *book, const struct nw_book_advice *a,
                                    double now_utc_s, struct nw_err *err) {
    const struct book_value values[] = {
        book_int(a->id),        book_text(OUTCOMES[a->outcome]), book_real(now_utc_s),
        book_real(a->came_rad), book_real(a->came_sigma_rad),    book_text(a->outcome_text)};
    return book_run(book,
                    "UPDATE advice SET outcome = ?2, outcome_utc_s = ?3, came = ?4, came_sigma = "
                    "?5, outcome_text = ?6 WHERE id = ?1",
                    values, 6, err);
}
