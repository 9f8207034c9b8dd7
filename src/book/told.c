/* told.c - what trials told, in and out: see told.h. */
#include "book/told.h"

#include <math.h>
#include <stdlib.h>

#include "book/book_internal.h"

enum { MAX_ROWS = 1000000 };

static const char *const ORIGINS[] = {
#define X(name, word) word,
    NW_BOOK_ORIGIN_LIST(X)
#undef X
};

/* ---- Rig files ------------------------------------------------------------------------------ */

static enum nw_status version_of(struct nw_book *book, const struct nw_file_id *id, int64_t *ret,
                                 struct nw_err *err) {
    const struct book_value value = book_blob(id->hash.bytes, NW_HASH_BYTES);
    *ret = 0;
    return book_int_of(book,
                       "SELECT rig_version.id FROM rig_version JOIN content ON content.id = "
                       "content_id WHERE sha256 = ?1",
                       &value, 1, ret, err);
}

enum nw_status nw_book_rig_version(struct nw_book *book, const char *path,
                                   const struct nw_book_add_opts *opts, int64_t *ret,
                                   struct nw_err *err) {
    struct nw_file_id id;
    *ret = 0;
    enum nw_status status = nw_hash_file(path, &id, err);
    if (status == NW_OK) {
        status = version_of(book, &id, ret, err);
    }
    if (status == NW_OK && *ret == 0) {
        struct nw_book_added added = {0};
        status = nw_book_add(book, &path, 1, opts, NULL, &added, err);
        nw_book_added_done(&added);
        if (status == NW_OK) {
            status = version_of(book, &id, ret, err);
        }
    }
    return status;
}

struct rig_text {
    char *text;
    int64_t id;
    double added_utc_s;
};

static enum nw_status text_of(struct nw_book *book, const char *sql,
                              const struct book_value *values, size_t n, struct rig_text *ret,
                              struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    *ret = (struct rig_text){.added_utc_s = NAN};
    enum nw_status status = book_prepare(book, sql, values, n, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    if (is_row) {
        ret->id = sqlite3_column_int64(statement, 0);
        ret->text = nw_strdup((const char *)sqlite3_column_text(statement, 1));
        ret->added_utc_s = book_column_real(statement, 2);
        status = ret->text ? NW_OK : nw_err_set(err, NW_NOMEM, "a rig file of the book");
    }
    (void)sqlite3_finalize(statement);
    return status;
}

enum nw_status nw_book_rig_text(struct nw_book *book, int64_t version, char **ret,
                                double *ret_added_utc_s, struct nw_err *err) {
    const struct book_value value = book_int(version);
    struct rig_text found;
    const enum nw_status status =
        text_of(book,
                "SELECT rig_version.id, text, added_utc_s FROM rig_version JOIN content ON "
                "content.id = content_id WHERE rig_version.id = ?1",
                &value, 1, &found, err);
    *ret = found.text;
    if (ret_added_utc_s) {
        *ret_added_utc_s = found.added_utc_s;
    }
    return status;
}

enum nw_status nw_book_last_rig(struct nw_book *book, char **ret, int64_t *ret_version,
                                struct nw_err *err) {
    struct rig_text found;
    const enum nw_status status =
        text_of(book,
                "SELECT rig_version.id, text, added_utc_s FROM rig_version JOIN content ON "
                "content.id = content_id ORDER BY rig_version.id DESC LIMIT 1",
                NULL, 0, &found, err);
    *ret = found.text;
    *ret_version = found.id;
    return status;
}

/* ---- Trials --------------------------------------------------------------------------------- */

static struct book_value id_or_null(int64_t id) {
    return id > 0 ? book_int(id) : (struct book_value){.type = BOOK_NULL};
}

static enum nw_status write_frames(struct nw_book *book, int64_t trial, const char *camera,
                                   const double *starts_s, size_t n, struct nw_err *err) {
    const struct book_value old = book_int(trial);
    enum nw_status status =
        book_run(book, "DELETE FROM trial_frame WHERE trial_id = ?1", &old, 1, err);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const struct book_value values[] = {book_int(trial), book_real(starts_s[i]),
                                            book_text(camera)};
        status = book_run(book,
                          "INSERT OR IGNORE INTO trial_frame SELECT ?1, frame.id FROM frame JOIN "
                          "train ON train.id = train_id WHERE t_start_utc_s BETWEEN ?2 - 0.001 AND "
                          "?2 + 0.001 AND NOT is_double AND (?3 = '' OR camera = ?3)",
                          values, 3, err);
    }
    return status;
}

/* What the book has of it: its row of this quantity, and how many say that the owner took it back
 * or has told of it himself. */
static enum nw_status find_trial(struct nw_book *book, const struct nw_book_trial *t, int64_t *ret,
                                 int64_t *ret_n_back, struct nw_err *err) {
    const struct book_value values[] = {book_text(t->name),      book_text(t->setup),
                                        book_text(t->filter),    book_text(t->rig_name),
                                        book_real(t->t_first_s), book_real(t->t_last_s),
                                        book_text(t->quantity)};
    *ret = 0;
    *ret_n_back = 0;
#define OF_TRIAL                                                                                   \
    " FROM trial_result WHERE name = ?1 AND setup = ?2 AND rig_name = ?4 AND "                     \
    "t_utc_s BETWEEN ?5 - 1 AND ?6 + 1 AND "
    const enum nw_status status =
        book_int_of(book,
                    "SELECT count(*)" OF_TRIAL "((verdict = '" BOOK_TAKEN_BACK
                    "' AND filter = ?3) OR (verdict <> '" BOOK_TAKEN_BACK
                    "' AND origin = 'owner' AND quantity = ?7))",
                    values, 7, ret_n_back, err);
    return status == NW_OK ? book_int_of(book,
                                         "SELECT id" OF_TRIAL
                                         "filter = ?3 AND quantity = ?7 ORDER BY abs(t_utc_s - "
                                         "(?5 + ?6) / 2) LIMIT 1",
                                         values, 7, ret, err)
                           : status;
#undef OF_TRIAL
}

/* The night whose frames lie nearest to it. */
static enum nw_status night_of(struct nw_book *book, const struct nw_book_trial *trial,
                               struct book_value *ret, struct nw_err *err) {
    const struct book_value when[] = {book_real(trial->t_first_s), book_real(trial->t_last_s)};
    int64_t id = 0;
    const enum nw_status status =
        book_int_of(book,
                    "SELECT night_id FROM frame WHERE night_id IS NOT NULL AND t_start_utc_s "
                    "BETWEEN ?1 - 43200 AND ?2 + 43200 ORDER BY abs(t_start_utc_s - (?1 + ?2) / 2) "
                    "LIMIT 1",
                    when, 2, &id, err);
    *ret = id_or_null(id);
    return status;
}

static enum nw_status insert(struct nw_book *book, const struct nw_book_trial *trial,
                             int64_t *ret_id, struct nw_err *err) {
    struct book_value night = {.type = BOOK_NULL};
    enum nw_status status = night_of(book, trial, &night, err);
    if (status != NW_OK) {
        return status;
    }
    const struct book_value values[] = {
        night,
        book_text(trial->name),
        book_real(0.5 * (trial->t_first_s + trial->t_last_s)),
        id_or_null(trial->rig_version),
        book_text(trial->rig_name),
        book_text(trial->setup),
        book_text(trial->filter),
        book_text(ORIGINS[trial->origin]),
        book_text(trial->quantity),
        book_real(trial->value),
        book_real(trial->sigma),
        book_text(trial->unit),
        book_real(trial->low),
        book_real(trial->high),
        book_real(trial->foretold),
        book_real(trial->foretold_sigma),
        book_size(trial->n_frames),
        book_text(trial->verdict),
        book_text(trial->why_null),
    };
    return book_int_of(
        book,
        "INSERT OR REPLACE INTO trial_result (night_id, name, t_utc_s, rig_version_id, rig_name, "
        "setup, filter, origin, quantity, value, sigma, unit, low, high, foretold, "
        "foretold_sigma, n_frames, verdict, why_null) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, "
        "?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19) RETURNING id",
        values, sizeof values / sizeof *values, ret_id, err);
}

/* A trial to which more frames have come is the same trial: its row is written over. */
enum nw_status nw_book_put_trial(struct nw_book *book, const struct nw_book_trial *trial,
                                 const double *frame_starts_s, size_t n, bool *ret_is_new,
                                 struct nw_err *err) {
    int64_t old = 0;
    int64_t n_back = 0;
    int64_t id = 0;
    enum nw_status status = book_begin(book, err);
    if (status == NW_OK) {
        status = find_trial(book, trial, &old, &n_back, err);
    }
    if (ret_is_new) {
        *ret_is_new = false;
    }
    if (status != NW_OK || n_back > 0) {
        book_rollback(book);
        return status;
    }
    if (old != 0) {
        const struct book_value value = book_int(old);
        status = book_run(book, "DELETE FROM trial_result WHERE id = ?1", &value, 1, err);
    }
    if (status == NW_OK) {
        status = insert(book, trial, &id, err);
    }
    if (status == NW_OK) {
        status = write_frames(book, id, trial->camera, frame_starts_s, n, err);
    }
    status = status == NW_OK ? book_commit(book, err) : status;
    book_rollback(book);
    if (ret_is_new) {
        *ret_is_new = status == NW_OK && old == 0;
    }
    return status;
}

static enum nw_book_origin origin_of(const char *word) {
    for (size_t i = 0; i < sizeof ORIGINS / sizeof *ORIGINS; i++) {
        if (strcmp(word, ORIGINS[i]) == 0) {
            return (enum nw_book_origin)i;
        }
    }
    return NW_BOOK_FROM_OWNER;
}

static void take_trial(sqlite3_stmt *row, void *to) {
    struct nw_book_trial *const t = to;
    char origin[8];
    *t = (struct nw_book_trial){.id = sqlite3_column_int64(row, 0),
                                .rig_version = sqlite3_column_int64(row, 8)};
    book_column_text(row, 1, t->name, sizeof t->name);
    book_column_text(row, 2, t->quantity, sizeof t->quantity);
    book_column_text(row, 3, t->unit, sizeof t->unit);
    book_column_text(row, 4, t->rig_name, sizeof t->rig_name);
    book_column_text(row, 5, t->setup, sizeof t->setup);
    book_column_text(row, 6, t->filter, sizeof t->filter);
    book_column_text(row, 7, origin, sizeof origin);
    t->origin = origin_of(origin);
    t->t_first_s = t->t_last_s = book_column_real(row, 9);
    t->value = book_column_real(row, 10);
    t->sigma = book_column_real(row, 11);
    t->low = book_column_real(row, 12);
    t->high = book_column_real(row, 13);
    t->foretold = book_column_real(row, 14);
    t->foretold_sigma = book_column_real(row, 15);
    t->n_frames = (size_t)sqlite3_column_int64(row, 16);
    book_column_text(row, 17, t->verdict, sizeof t->verdict);
    book_column_text(row, 18, t->why_null, sizeof t->why_null);
    t->is_taken_back = strcmp(t->verdict, BOOK_TAKEN_BACK) == 0;
}

enum nw_status nw_book_trials(struct nw_book *book, const char *from, const char *to,
                              struct nw_book_trial **ret, size_t *ret_n, struct nw_err *err) {
    const struct book_value values[] = {book_text(from ? from : ""), book_text(to ? to : "")};
    struct book_list list = {
        .size = sizeof(struct nw_book_trial), .max = MAX_ROWS, .take = take_trial};
    const enum nw_status status = book_list_rows(
        book,
        "SELECT trial_result.id, name, quantity, unit, rig_name, setup, filter, origin, "
        "coalesce(rig_version_id, 0), t_utc_s, value, sigma, low, high, foretold, foretold_sigma, "
        "n_frames, verdict, why_null FROM trial_result LEFT JOIN night ON night.id = night_id "
        "WHERE (?1 = '' OR date >= ?1) AND (?2 = '' OR date <= ?2) ORDER BY t_utc_s, "
        "trial_result.id",
        values, 2, &list, err);
    if (status == NW_OK) {
        *ret = list.items;
        *ret_n = list.n;
    }
    return status;
}

static enum nw_status take_surface(sqlite3_stmt *row, void *to, struct nw_err *err) {
    (void)err;
    *(struct nw_book_surface *)to = (struct nw_book_surface){
        .t_utc_s = book_column_real(row, 0),
        .tilt_m = book_column_real(row, 1),
        .tilt_sigma_m = book_column_real(row, 2),
        .direction_rad = book_column_real(row, 3),
        .direction_sigma_rad = book_column_real(row, 4),
        .curvature_m = book_column_real(row, 5),
        .curvature_sigma_m = book_column_real(row, 6),
        .astigmatism_m = book_column_real(row, 7),
        .astigmatism_sigma_m = book_column_real(row, 8),
        .n_frames = (size_t)sqlite3_column_int64(row, 9),
        .rig_version = sqlite3_column_int64(row, 10),
    };
    return NW_OK;
}

enum nw_status nw_book_last_surface(struct nw_book *book, const char *rig_name, const char *setup,
                                    struct nw_book_surface *ret, struct nw_err *err) {
    const struct book_value values[] = {book_text(rig_name), book_text(setup)};
    *ret = (struct nw_book_surface){.n_frames = 0};
    return book_each_row(
        book,
        "SELECT focal_surface.t_utc_s, tilt_m, tilt_sigma_m, tilt_direction_rad, "
        "tilt_direction_sigma_rad, c_m, c_sigma_m, astigmatism_m, astigmatism_sigma_m, n_frames, "
        "coalesce((SELECT max(rig_version.id) FROM rig_version JOIN content AS taken ON taken.id = "
        "rig_version.content_id WHERE taken.added_utc_s <= content.added_utc_s AND "
        "rig_version.name "
        "= document.rig_name), 0) FROM focal_surface JOIN document ON document.id = document_id "
        "JOIN content ON content.id = document.content_id WHERE document.rig_name = ?1 AND "
        "document.setup = ?2 AND tilt_m IS NOT NULL AND c_m IS NOT NULL ORDER BY "
        "focal_surface.t_utc_s DESC LIMIT 1",
        values, 2, take_surface, ret, err);
}

/* ---- What came ------------------------------------------------------------------------------ */

static enum nw_status add_date(sqlite3_stmt *row, void *to, struct nw_err *err) {
    struct nw_book_dates *const dates = to;
    const enum nw_status status = nw_grow((void **)&dates->items, &dates->cap, dates->n + 1,
                                          sizeof *dates->items, MAX_ROWS, err);
    if (status == NW_OK) {
        book_column_text(row, 0, dates->items[dates->n++], NW_BOOK_DATE);
    }
    return status;
}

enum nw_status nw_book_dates_since(struct nw_book *book, double added_utc_s,
                                   struct nw_book_dates *ret, struct nw_err *err) {
    const struct book_value value = book_real(added_utc_s);
    *ret = (struct nw_book_dates){.n = 0};
    return book_each_row(
        book,
        "SELECT date FROM night WHERE id IN (SELECT night_id FROM frame JOIN content ON content.id "
        "= content_id WHERE added_utc_s >= ?1 UNION SELECT night_id FROM guide_run JOIN content ON "
        "content.id = content_id WHERE added_utc_s >= ?1) ORDER BY date",
        &value, 1, add_date, ret, err);
}

enum nw_status nw_book_dates_between(struct nw_book *book, const char *from, const char *to,
                                     struct nw_book_dates *ret, struct nw_err *err) {
    const struct book_value values[] = {book_text(from ? from : ""), book_text(to ? to : "")};
    *ret = (struct nw_book_dates){.n = 0};
    return book_each_row(book,
                         "SELECT date FROM night WHERE (?1 = '' OR date >= ?1) AND (?2 = '' OR "
                         "date <= ?2) ORDER BY date",
                         values, 2, add_date, ret, err);
}

void nw_book_dates_done(struct nw_book_dates *dates) {
    free(dates->items);
    *dates = (struct nw_book_dates){.n = 0};
}

static enum nw_status add_start(sqlite3_stmt *row, void *to, struct nw_err *err) {
    struct nw_book_starts *const starts = to;
    const enum nw_status status = nw_grow((void **)&starts->items, &starts->cap, starts->n + 1,
                                          sizeof *starts->items, MAX_ROWS, err);
    if (status == NW_OK) {
        starts->items[starts->n++] = book_column_real(row, 0);
    }
    return status;
}

enum nw_status nw_book_trial_starts(struct nw_book *book, struct nw_book_starts *ret,
                                    struct nw_err *err) {
    *ret = (struct nw_book_starts){.n = 0};
    return book_each_row(
        book,
        "SELECT DISTINCT t_start_utc_s FROM trial_frame JOIN frame ON frame.id = frame_id JOIN "
        "trial_result ON trial_result.id = trial_id WHERE name IN ('drive-off-trail', "
        "'pair-about-focus', 'rotator-half-turn', 'two-tube-sides', 'five-second-frame') OR (name "
        "= 'short-and-long' AND exposure_s <= 10) ORDER BY t_start_utc_s",
        NULL, 0, add_start, ret, err);
}

void nw_book_starts_done(struct nw_book_starts *starts) {
    free(starts->items);
    *starts = (struct nw_book_starts){.n = 0};
}

static enum nw_status add_blank(sqlite3_stmt *row, void *to, struct nw_err *err) {
    struct nw_book_blanks *const blanks = to;
    enum nw_status status = nw_grow((void **)&blanks->items, &blanks->cap, blanks->n + 1,
                                    sizeof *blanks->items, MAX_ROWS, err);
    if (status == NW_OK) {
        struct nw_book_blank *const blank = &blanks->items[blanks->n];
        blank->t_start_utc_s = book_column_real(row, 1);
        book_column_text(row, 2, blank->camera, sizeof blank->camera);
        blank->path = nw_strdup((const char *)sqlite3_column_text(row, 0));
        status = blank->path ? NW_OK : nw_err_set(err, NW_NOMEM, "frames of a night");
        blanks->n += status == NW_OK ? 1 : 0;
    }
    return status;
}

enum nw_status nw_book_blank_frames(struct nw_book *book, const char *date, double added_utc_s,
                                    struct nw_book_blanks *ret, struct nw_err *err) {
    const struct book_value values[] = {book_text(date), book_real(fmax(added_utc_s, 0.0))};
    *ret = (struct nw_book_blanks){.n = 0};
    return book_each_row(
        book,
        "SELECT (SELECT path FROM place WHERE place.content_id = frame.content_id LIMIT 1), "
        "t_start_utc_s, camera FROM frame JOIN train ON train.id = train_id JOIN content ON "
        "content.id "
        "= frame.content_id JOIN night ON night.id = night_id WHERE date = ?1 AND use = 'light' "
        "AND NOT is_double AND added_utc_s "
        ">= "
        "?2 AND t_start_utc_s IS NOT NULL AND exposure_s BETWEEN 5 AND 60 AND NOT EXISTS (SELECT 1 "
        "FROM measure WHERE frame_id = frame.id AND fwhm_px IS NOT NULL AND n_used > 20) AND "
        "EXISTS "
        "(SELECT 1 FROM place WHERE place.content_id = frame.content_id) ORDER BY t_start_utc_s",
        values, 2, add_blank, ret, err);
}

void nw_book_blanks_done(struct nw_book_blanks *blanks) {
    for (size_t i = 0; i < blanks->n; i++) {
        free(blanks->items[i].path);
    }
    free(blanks->items);
    *blanks = (struct nw_book_blanks){.n = 0};
}
