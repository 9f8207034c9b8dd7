/* changes_guiding.c - what changed in the guide logs from night to night: exposure, scale, rates,
 * and the settings that their headers name. As for frames, sets of values of a night stand against
 * those of the night before with a guide log. */
#include <math.h>

#include "book/changes_internal.h"

enum { MAX_NIGHTS = 1000000 };

/* Four digits: what a log says of the same setting may differ in the fifth. */
static void add_number(struct changes_state *state, const char *what, double value) {
    char text[32];
    if (isfinite(value)) {
        (void)snprintf(text, sizeof text, "%.4g", value);
        changes_add(state, what, text);
    }
}

/* Lines "t header NAME=VALUE" among the events. */
static void add_header(struct changes_state *state, const char *events) {
    static const char MARK[] = " " BOOK_HEADER_EVENT;
    for (const char *at = events; at && *at != '\0';) {
        const size_t len = strcspn(at, "\n");
        const char *const mark = strstr(at, MARK);
        if (mark && mark < at + len) {
            char line[sizeof "guiding: \n" + CHANGES_NAME + CHANGES_VALUE];
            const size_t from = (size_t)(mark - at) + sizeof MARK - 1;
            (void)snprintf(line, sizeof line, "guiding: %.*s\n", (int)(len - from), at + from);
            changes_add_lines(state, line);
        }
        at += len + (at[len] == '\n' ? 1 : 0);
    }
}

static enum nw_status read_state(struct nw_book *book, int64_t night, struct changes_state *ret,
                                 struct nw_err *err) {
    const struct book_value value = book_int(night);
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    ret->n = 0;
    enum nw_status status = book_prepare(
        book,
        "SELECT exposure_s, guide_scale_rad_px, ra_rate_rad_s, dec_rate_rad_s, "
        "given_worm_period_s, events FROM guide_run WHERE night_id = ?1 ORDER BY start_utc_s",
        &value, 1, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        add_number(ret, "guide exposure, s", book_column_real(statement, 0));
        add_number(ret, "guide scale, arcsec/px",
                   book_column_real(statement, 1) * NW_ARCSEC_PER_RAD);
        add_number(ret, "guide rate in RA, arcsec/s",
                   book_column_real(statement, 2) * NW_ARCSEC_PER_RAD);
        add_number(ret, "guide rate in Dec, arcsec/s",
                   book_column_real(statement, 3) * NW_ARCSEC_PER_RAD);
        add_number(ret, "worm period, s", book_column_real(statement, 4));
        add_header(ret, (const char *)sqlite3_column_text(statement, 5));
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static enum nw_status refresh(struct nw_book *book, const struct changes_pair *pair,
                              struct changes_state *states, struct nw_err *err) {
    const struct book_value value = book_int(pair->night);
    enum nw_status status = book_run(
        book, "DELETE FROM change WHERE origin = 'headers' AND night_id = ?1 AND train_id IS NULL",
        &value, 1, err);
    if (status != NW_OK || pair->before == 0) {
        return status;
    }
    status = read_state(book, pair->before, &states[0], err);
    if (status == NW_OK) {
        status = read_state(book, pair->night, &states[1], err);
    }
    return status == NW_OK ? changes_compare(book, pair, &states[0], &states[1], err) : status;
}

/* Stale nights with a guide log and, of each, the night after; beside each the night before. */
static const char PAIRS[] =
    "WITH guided AS (SELECT id, date, is_stale FROM night WHERE EXISTS (SELECT 1 FROM guide_run "
    "WHERE night_id = night.id)), asked AS (SELECT id, date FROM guided WHERE is_stale UNION "
    "SELECT next.id, next.date FROM guided AS stale JOIN guided AS next ON next.date = (SELECT "
    "min(date) FROM guided AS g WHERE g.date > stale.date) WHERE stale.is_stale) SELECT id, "
    "coalesce((SELECT g.id FROM guided AS g WHERE g.date < asked.date ORDER BY g.date DESC LIMIT "
    "1), 0) FROM asked";

static void take_pair(sqlite3_stmt *row, void *to) {
    *(struct changes_pair *)to = (struct changes_pair){.night = sqlite3_column_int64(row, 0),
                                                       .before = sqlite3_column_int64(row, 1)};
}

enum nw_status changes_of_guiding(struct nw_book *book, struct changes_state *states,
                                  struct nw_err *err) {
    struct book_list list = {
        .size = sizeof(struct changes_pair), .max = MAX_NIGHTS, .take = take_pair};
    enum nw_status status = book_list_rows(book, PAIRS, NULL, 0, &list, err);
    const struct changes_pair *const pairs = list.items;
    for (size_t i = 0; i < list.n && status == NW_OK; i++) {
        status = refresh(book, &pairs[i], states, err);
    }
    free(list.items);
    return status;
}
