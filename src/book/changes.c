/* changes.c - what changed from night to night, by the headers; and the owner's own entries.
 * Idea: of each train (camera and telescope) the settings of one night's light frames stand against
 * those of the night before on which it was used: sets of values, since filters may have settings
 * of their own. Nights that got frames are stale; a stale night and the one after it are looked at
 * anew, so that frames may come in any order. */
#include <math.h>
#include <stdlib.h>

#include "book/changes_internal.h"

enum { MAX_LISTED = 10000000 };

void changes_add(struct changes_state *state, const char *what, const char *value) {
    size_t at = 0;
    while (at < state->n && strcmp(state->items[at].what, what) != 0) {
        at++;
    }
    if (at == CHANGES_SETTINGS) {
        return;
    }
    struct changes_setting *const setting = &state->items[at];
    if (at == state->n) {
        state->n++;
        *setting = (struct changes_setting){.n = 0};
        nw_text_copy(setting->what, sizeof setting->what, what);
    }
    for (size_t i = 0; i < setting->n; i++) {
        if (strcmp(setting->values[i], value) == 0) {
            return;
        }
    }
    if (setting->n < CHANGES_VALUES) {
        nw_text_copy(setting->values[setting->n++], CHANGES_VALUE, value);
    }
}

/* "gain=100\n..." */
void changes_add_lines(struct changes_state *state, const char *text) {
    while (*text != '\0') {
        const char *const end = strchr(text, '\n');
        const char *const equals = strchr(text, '=');
        if (!end || !equals || equals > end) {
            return;
        }
        char what[CHANGES_NAME] = "";
        char value[CHANGES_VALUE] = "";
        const size_t n_what = (size_t)(equals - text);
        const size_t n_value = (size_t)(end - equals) - 1;
        nw_text_copy(what, n_what + 1 < sizeof what ? n_what + 1 : sizeof what, text);
        nw_text_copy(value, n_value + 1 < sizeof value ? n_value + 1 : sizeof value, equals + 1);
        changes_add(state, what, value);
        text = end + 1;
    }
}

static int by_text(const void *a, const void *b) {
    double left = 0.0;
    double right = 0.0;
    if (nw_text_to_double(a, &left) && nw_text_to_double(b, &right)) {
        return left < right ? -1 : left > right ? 1 : 0;
    }
    return strcmp(a, b);
}

static void join(struct changes_setting *setting, char *to, size_t size) {
    size_t len = 0;
    to[0] = '\0';
    qsort(setting->values, setting->n, sizeof setting->values[0], by_text);
    for (size_t i = 0; i < setting->n && len < size; i++) {
        nw_text_copy(to + len, size - len, i > 0 ? ", " : "");
        len = strlen(to);
        nw_text_copy(to + len, size - len, setting->values[i]);
        len = strlen(to);
    }
}

static enum nw_status read_state(struct nw_book *book, int64_t night, int64_t train,
                                 struct changes_state *ret, struct nw_err *err) {
    const struct book_value values[] = {book_int(night), book_int(train)};
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    ret->n = 0;
    enum nw_status status = book_prepare(
        book,
        "SELECT text FROM settings WHERE id IN (SELECT settings_id FROM frame WHERE night_id = ?1 "
        "AND train_id = ?2 AND use = 'light' AND NOT is_double)",
        values, 2, &statement, err);
    while (status == NW_OK && is_row) {
        status = book_step(book, statement, &is_row, err);
        if (status == NW_OK && is_row) {
            changes_add_lines(ret, (const char *)sqlite3_column_text(statement, 0));
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static enum nw_status write_change(struct nw_book *book, const struct changes_pair *pair,
                                   const char *what, const char *old_value, const char *new_value,
                                   struct nw_err *err) {
    const struct book_value values[] = {
        book_int(pair->night),
        pair->train != 0 ? book_int(pair->train) : (struct book_value){.type = BOOK_NULL},
        book_text(what),
        old_value ? book_text(old_value) : (struct book_value){.type = BOOK_NULL},
        new_value ? book_text(new_value) : (struct book_value){.type = BOOK_NULL},
    };
    return book_run(
        book,
        "INSERT INTO change (origin, night_id, date, train_id, what, old_value, "
        "new_value) SELECT 'headers', ?1, date, ?2, ?3, ?4, ?5 FROM night WHERE id = ?1",
        values, 5, err);
}

static struct changes_setting *find(struct changes_state *state, const char *what) {
    for (size_t i = 0; i < state->n; i++) {
        if (strcmp(state->items[i].what, what) == 0) {
            return &state->items[i];
        }
    }
    return NULL;
}

enum nw_status changes_compare(struct nw_book *book, const struct changes_pair *pair,
                               struct changes_state *old, struct changes_state *now,
                               struct nw_err *err) {
    enum nw_status status = NW_OK;
    char left[CHANGES_VALUE];
    char right[CHANGES_VALUE];
    for (size_t i = 0; i < now->n && status == NW_OK; i++) {
        struct changes_setting *const before = find(old, now->items[i].what);
        join(&now->items[i], right, sizeof right);
        if (before) {
            join(before, left, sizeof left);
        }
        if (!before || strcmp(left, right) != 0) {
            status = write_change(book, pair, now->items[i].what, before ? left : NULL, right, err);
        }
    }
    for (size_t i = 0; i < old->n && status == NW_OK; i++) {
        if (!find(now, old->items[i].what)) {
            join(&old->items[i], left, sizeof left);
            status = write_change(book, pair, old->items[i].what, left, NULL, err);
        }
    }
    return status;
}

/* A train that was not there before, in a book that knows others. */
static enum nw_status note_new_train(struct nw_book *book, const struct changes_pair *pair,
                                     struct nw_err *err) {
    const struct book_value values[] = {book_int(pair->night), book_int(pair->train)};
    return book_run(
        book,
        "INSERT INTO change (origin, night_id, date, train_id, what, new_value) SELECT 'headers', "
        "night.id, night.date, train.id, 'camera and telescope', train.camera || ', ' || "
        "train.telescope || ', ' || width_px || ' x ' || height_px || ' px' FROM night, train "
        "WHERE night.id = ?1 AND train.id = ?2 AND EXISTS (SELECT 1 FROM night AS n JOIN frame ON "
        "frame.night_id = n.id WHERE n.date < night.date AND use = 'light')",
        values, 2, err);
}

static enum nw_status refresh_pair(struct nw_book *book, const struct changes_pair *pair,
                                   struct changes_state *states, struct nw_err *err) {
    const struct book_value values[] = {book_int(pair->night), book_int(pair->train)};
    enum nw_status status = book_run(
        book, "DELETE FROM change WHERE origin = 'headers' AND night_id = ?1 AND train_id = ?2",
        values, 2, err);
    if (status != NW_OK || pair->before == 0) {
        return status == NW_OK ? note_new_train(book, pair, err) : status;
    }
    status = read_state(book, pair->before, pair->train, &states[0], err);
    if (status == NW_OK) {
        status = read_state(book, pair->night, pair->train, &states[1], err);
    }
    return status == NW_OK ? changes_compare(book, pair, &states[0], &states[1], err) : status;
}

/* Stale nights and, of each of their trains, the night after. */
static const char PAIRS[] =
    "WITH stale AS (SELECT DISTINCT night.id AS night_id, night.date, train_id FROM night JOIN "
    "frame ON frame.night_id = night.id WHERE is_stale AND use = 'light' AND NOT is_double), "
    "asked AS (SELECT night_id, date, train_id FROM stale UNION SELECT next.id, next.date, "
    "train_id "
    "FROM stale JOIN night AS next ON next.date = (SELECT min(n.date) FROM night AS n WHERE n.date "
    "> stale.date AND EXISTS (SELECT 1 FROM frame WHERE night_id = n.id AND frame.train_id = "
    "stale.train_id AND use = 'light' AND NOT is_double))) "
    "SELECT night_id, train_id, coalesce((SELECT b.id FROM night AS b WHERE b.date < asked.date "
    "AND EXISTS (SELECT 1 FROM frame WHERE night_id = b.id AND frame.train_id = asked.train_id AND "
    "use = 'light' AND NOT is_double) ORDER BY b.date DESC LIMIT 1), 0) FROM asked";

static void take_pair(sqlite3_stmt *row, void *to) {
    *(struct changes_pair *)to = (struct changes_pair){.night = sqlite3_column_int64(row, 0),
                                                       .train = sqlite3_column_int64(row, 1),
                                                       .before = sqlite3_column_int64(row, 2)};
}

static enum nw_status count(struct nw_book *book, int64_t *ret, struct nw_err *err) {
    return book_int_of(book, "SELECT count(*) FROM change WHERE origin = 'headers'", NULL, 0, ret,
                       err);
}

enum nw_status book_refresh_changes(struct nw_book *book, size_t *ret_n_new, struct nw_err *err) {
    struct book_list list = {
        .size = sizeof(struct changes_pair), .max = MAX_LISTED, .take = take_pair};
    int64_t before = 0;
    int64_t after = 0;
    struct changes_state *const states = nw_calloc(2, sizeof *states);
    enum nw_status status = states ? NW_OK : nw_err_set(err, NW_NOMEM, "settings of two nights");
    if (status == NW_OK) {
        status = book_begin(book, err);
    }
    if (status == NW_OK) {
        status = count(book, &before, err);
    }
    if (status == NW_OK) {
        status = book_list_rows(book, PAIRS, NULL, 0, &list, err);
    }
    const struct changes_pair *const pairs = list.items;
    for (size_t i = 0; i < list.n && status == NW_OK; i++) {
        status = refresh_pair(book, &pairs[i], states, err);
    }
    if (status == NW_OK) {
        status = changes_of_guiding(book, states, err);
    }
    if (status == NW_OK) {
        status = book_refresh_gaps(book, err);
    }
    if (status == NW_OK) {
        status = book_run(book, "UPDATE night SET is_stale = 0 WHERE is_stale", NULL, 0, err);
    }
    if (status == NW_OK) {
        status = count(book, &after, err);
    }
    status = status == NW_OK ? book_commit(book, err) : status;
    book_rollback(book);
    *ret_n_new = status == NW_OK && after > before ? (size_t)(after - before) : 0;
    free(list.items);
    free(states);
    return status;
}

/* ---- Reading and the owner's words ---------------------------------------------------------- */

static void take_change(sqlite3_stmt *row, void *to) {
    struct nw_book_change *const c = to;
    c->id = sqlite3_column_int64(row, 0);
    c->is_owners = sqlite3_column_int(row, 1) != 0;
    book_column_text(row, 2, c->date, sizeof c->date);
    book_column_text(row, 3, c->camera, sizeof c->camera);
    book_column_text(row, 4, c->what, sizeof c->what);
    book_column_text(row, 5, c->old_value, sizeof c->old_value);
    book_column_text(row, 6, c->new_value, sizeof c->new_value);
    book_column_text(row, 7, c->note, sizeof c->note);
}

enum nw_status nw_book_changes(struct nw_book *book, const char *from, const char *to,
                               struct nw_book_change **ret, size_t *ret_n, struct nw_err *err) {
    const struct book_value values[] = {book_text(from ? from : ""), book_text(to ? to : "")};
    struct book_list list = {
        .size = sizeof(struct nw_book_change), .max = MAX_LISTED, .take = take_change};
    const enum nw_status status = book_list_rows(
        book,
        "SELECT change.id, origin = 'owner', date, coalesce(camera, ''), what, coalesce(old_value, "
        "''), coalesce(new_value, ''), note FROM change LEFT JOIN train ON train.id = train_id "
        "WHERE date >= ?1 AND (?2 = '' OR date <= ?2) ORDER BY date, change.id",
        values, 2, &list, err);
    if (status == NW_OK) {
        *ret = list.items;
        *ret_n = list.n;
    }
    return status;
}

enum nw_status nw_book_note(struct nw_book *book, const char *date, const char *what,
                            const char *note, int64_t *ret_id, struct nw_err *err) {
    if (!isfinite(book_date_s(date))) {
        return nw_err_set(err, NW_DOMAIN, "'%s' is no date, expected the evening's: 2026-05-14",
                          date);
    }
    if (what[0] == '\0') {
        return nw_err_set(err, NW_DOMAIN, "a change without a word of what changed");
    }
    const struct book_value values[] = {book_text(date), book_text(what), book_text(note)};
    const enum nw_status status =
        book_run(book,
                 "INSERT INTO change (origin, date, night_id, what, note) VALUES ('owner', ?1, "
                 "(SELECT id FROM night WHERE night.date = ?1), ?2, ?3)",
                 values, 3, err);
    *ret_id = book_last_id(book);
    return status;
}

enum nw_status nw_book_forget_note(struct nw_book *book, int64_t id, struct nw_err *err) {
    const struct book_value value = book_int(id);
    const enum nw_status status =
        book_run(book, "DELETE FROM change WHERE id = ?1 AND origin = 'owner'", &value, 1, err);
    if (status == NW_OK && sqlite3_changes(book->db) == 0) {
        return nw_err_set(err, NW_NOTFOUND, "%s: no entry of yours has the number %lld", book->path,
                          (long long)id);
    }
    return status;
}
