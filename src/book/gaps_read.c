/* gaps_read.c - the tracks of a night out of the book; what was found, kept for months. */
#include <stdlib.h>

#include "book/book_internal.h"
#include "book/gaps_internal.h"

enum { MAX_ROWS = 5000000, MAX_COLUMNS = 64 };
static const double HOT_K = 343.15, HOT_BEFORE_S = 900.0; /* of a PC: common practice, no source */

/* One log of the night: its moments, all columns, their names. */
struct track {
    double *t_s, *data;
    char (*names)[64];
    size_t n, n_columns, cap_t, cap_data;
};

static void track_done(struct track *track) {
    free(track->t_s);
    free(track->data);
    free(track->names);
}

static void read_names(struct track *track, const char *text) {
    track->n_columns = 0;
    while (text && *text != '\0' && track->n_columns < MAX_COLUMNS) {
        const size_t len = strcspn(text, "\n");
        nw_text_copy(track->names[track->n_columns++], len + 1 < 64 ? len + 1 : 64, text);
        text += len + (text[len] == '\n' ? 1 : 0);
    }
}

static enum nw_status take_rows(struct track *track, const unsigned char *bytes, size_t n_bytes,
                                struct nw_err *err) {
    const size_t step = 8 + 4 * track->n_columns;
    const size_t n = n_bytes / step;
    enum nw_status status = nw_grow((void **)&track->t_s, &track->cap_t, track->n + n,
                                    sizeof *track->t_s, MAX_ROWS, err);
    if (status == NW_OK) {
        status =
            nw_grow((void **)&track->data, &track->cap_data, (track->n + n) * track->n_columns + 1,
                    sizeof *track->data, (size_t)MAX_ROWS * MAX_COLUMNS, err);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const unsigned char *const row = bytes + step * i;
        track->t_s[track->n] = book_get_double(row);
        for (size_t k = 0; k < track->n_columns; k++) {
            track->data[track->n * track->n_columns + k] = book_get_float(row + 8 + 4 * k);
        }
        track->n++;
    }
    return status;
}

/* Pieces of a night with the columns of the first; others are left out. */
static enum nw_status read_track(struct nw_book *book, const char *sql, const char *date,
                                 struct track *track, struct nw_err *err) {
    const struct book_value value = book_text(date);
    sqlite3_stmt *statement = NULL;
    char *columns = NULL;
    bool is_row = true;
    track->names = nw_calloc(MAX_COLUMNS, sizeof *track->names);
    enum nw_status status = track->names ? book_prepare(book, sql, &value, 1, &statement, err)
                                         : nw_err_set(err, NW_NOMEM, "a log");
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        const char *const names = (const char *)sqlite3_column_text(statement, 0);
        if (!columns) {
            columns = nw_strdup(names ? names : "");
            read_names(track, columns);
        } else if (!names || strcmp(columns, names) != 0) {
            continue;
        }
        status = take_rows(track, sqlite3_column_blob(statement, 1),
                           (size_t)sqlite3_column_bytes(statement, 1), err);
    }
    free(columns);
    (void)sqlite3_finalize(statement);
    return status;
}

/* ---- Guide log ------------------------------------------------------------------------------ */

struct guide {
    double *t_s, *pauses;
    bool *has_star;
    size_t n, n_pauses, caps[3];
};

static enum nw_status take_samples(struct guide *guide, const unsigned char *bytes, size_t n_bytes,
                                   struct nw_err *err) {
    const size_t n = n_bytes / BOOK_SAMPLE_BYTES;
    enum nw_status status = nw_grow((void **)&guide->t_s, &guide->caps[0], guide->n + n + 1,
                                    sizeof *guide->t_s, MAX_ROWS, err);
    if (status == NW_OK) {
        status = nw_grow((void **)&guide->has_star, &guide->caps[1], guide->n + n + 1,
                         sizeof *guide->has_star, MAX_ROWS, err);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const unsigned char *const row = bytes + BOOK_SAMPLE_BYTES * i;
        guide->t_s[guide->n] = book_get_double(row);
        guide->has_star[guide->n++] =
            isfinite(book_get_float(row + 8)) && isfinite(book_get_float(row + 12));
    }
    return status;
}

/* "t pause" ... "t resume" among the events. */
static enum nw_status take_pauses(struct guide *guide, const char *events, struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (const char *at = events; at && *at != '\0' && status == NW_OK;) {
        double t_s = NAN;
        const char *const word = nw_text_scan_double(at, &t_s);
        const bool is_open = guide->n_pauses % 2 == 1;
        const char *const wanted = is_open ? " resume" : " pause";
        if (word && strncmp(word, wanted, strlen(wanted)) == 0) {
            status = nw_grow((void **)&guide->pauses, &guide->caps[2], guide->n_pauses + 1,
                             sizeof *guide->pauses, MAX_ROWS, err);
            if (status == NW_OK) {
                guide->pauses[guide->n_pauses++] = t_s;
            }
        }
        at += strcspn(at, "\n");
        at += *at == '\n' ? 1 : 0;
    }
    return status;
}

static enum nw_status read_guide(struct nw_book *book, const char *date, struct guide *guide,
                                 struct nw_err *err) {
    const struct book_value value = book_text(date);
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = book_prepare(
        book,
        "SELECT events, samples FROM guide_run JOIN night ON night.id = night_id WHERE date = ?1 "
        "AND start_utc_s IS NOT NULL ORDER BY start_utc_s",
        &value, 1, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = take_samples(guide, sqlite3_column_blob(statement, 1),
                              (size_t)sqlite3_column_bytes(statement, 1), err);
        if (status == NW_OK) {
            status = take_pauses(guide, (const char *)sqlite3_column_text(statement, 0), err);
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

/* ---- Together ------------------------------------------------------------------------------- */

static double *column_of(const struct track *track, const char *name) {
    for (size_t k = 0; k < track->n_columns; k++) {
        if (strcmp(track->names[k], name) == 0) {
            double *const values = nw_calloc(track->n + 1, sizeof *values);
            for (size_t i = 0; values && i < track->n; i++) {
                values[i] = track->data[i * track->n_columns + k];
            }
            return values;
        }
    }
    return NULL;
}

static bool names_pc(const char *name) {
    return strncmp(name, "PC", 2) == 0 || strstr(name, " PC") || strstr(name, "computer");
}

/* A PC that was hot before it fell silent; the owner's name of the column says which it is. */
static void add_heat(const struct track *climate, struct nw_gap *gap) {
    double hottest_K = -INFINITY;
    for (size_t k = 0; k < climate->n_columns; k++) {
        for (size_t i = 0; i < climate->n && names_pc(climate->names[k]); i++) {
            const double value = climate->data[i * climate->n_columns + k];
            const double before_s = gap->from_s - climate->t_s[i];
            if (before_s >= 0.0 && before_s <= HOT_BEFORE_S && value > hottest_K) {
                hottest_K = value;
            }
        }
    }
    if (hottest_K > HOT_K && (gap->cause == NW_GAP_PC || gap->cause == NW_GAP_CAMERA)) {
        const size_t len = strlen(gap->evidence);
        (void)snprintf(gap->evidence + len, sizeof gap->evidence - len,
                       "; the PC had %.0f degC before it", hottest_K - 273.15);
    }
}

enum nw_status nw_gaps_of_night(struct nw_book *book, const struct nw_live *live,
                                struct nw_gap **ret, size_t *ret_n, struct nw_err *err) {
    struct track climate = {.n = 0};
    struct track power = {.n = 0};
    struct guide guide = {.n = 0};
    double *roof_open = NULL;
    enum nw_status status = read_guide(book, live->date, &guide, err);
    if (status == NW_OK) {
        status = read_track(book,
                            "SELECT columns, samples FROM climate_run JOIN night ON night.id = "
                            "night_id WHERE date = ?1 ORDER BY start_utc_s",
                            live->date, &climate, err);
    }
    if (status == NW_OK) {
        status = read_track(book,
                            "SELECT columns, samples FROM power_run JOIN night ON night.id = "
                            "night_id WHERE date = ?1 AND start_utc_s IS NOT NULL ORDER BY "
                            "start_utc_s",
                            live->date, &power, err);
    }
    if (status == NW_OK) {
        roof_open = column_of(&climate, "roof_open");
        const struct nw_gap_track pauses = {guide.pauses, guide.n_pauses - guide.n_pauses % 2};
        const struct nw_gap_evidence evidence = {
            .live = live,
            .guide = {guide.t_s, guide.n},
            .climate = {climate.t_s, climate.n},
            .has_star = guide.has_star,
            .roof_open = roof_open,
            .power = {{power.t_s, power.n},
                      power.data,
                      (const char(*)[64])power.names,
                      power.n_columns},
            .pauses = &pauses,
        };
        status = nw_gaps_find(&evidence, ret, ret_n, err);
    }
    for (size_t i = 0; status == NW_OK && i < *ret_n; i++) {
        add_heat(&climate, &(*ret)[i]);
    }
    free(roof_open);
    free(guide.t_s);
    free(guide.pauses);
    free(guide.has_star);
    track_done(&climate);
    track_done(&power);
    return status;
}
