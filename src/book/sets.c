/* sets.c - bias, dark and flat frames that belong together become calibration sets.
 * Idea: frames without a set are taken in order; each joins the set of its night, camera and
 * settings, or begins one. What a header does not say is a value of its own: it is alike only where
 * the others do not say it either. */
#include <math.h>

#include "book/book_internal.h"
#include "book/sets.h"

enum { CHUNK = 500 };

#define SAME_EXPOSURE 0.02 /* of darks; as `handover` matches them (common practice, no source) */
#define SAME_TEMPERATURE_K 1.0
static const double SAME_ROTATOR_RAD = NW_RAD_PER_DEG; /* of flats, likewise */

static const char WITHOUT_SET[] =
    "SELECT id, use, train_id, night_id, gain_setting, offset_setting, binning, exposure_s, "
    "coalesce(set_temperature_K, chip_temperature_K), filter, rotator_rad, t_start_utc_s FROM "
    "frame WHERE calibration_set_id IS NULL AND use IN ('bias', 'dark', 'flat') AND NOT is_double "
    "ORDER BY id LIMIT 500";

/* A frame without a set. */
struct lone {
    int64_t id, train;
    char use[8], filter[32];
    struct book_value night;
    double gain, offset, binning, exposure_s, temperature_K, rotator_rad, t_s;
};

static void take_lone(sqlite3_stmt *row, struct lone *to) {
    to->id = sqlite3_column_int64(row, 0);
    book_column_text(row, 1, to->use, sizeof to->use);
    to->train = sqlite3_column_int64(row, 2);
    to->night = sqlite3_column_type(row, 3) == SQLITE_NULL ? (struct book_value){.type = BOOK_NULL}
                                                           : book_int(sqlite3_column_int64(row, 3));
    to->gain = book_column_real(row, 4);
    to->offset = book_column_real(row, 5);
    to->binning = book_column_real(row, 6);
    to->exposure_s = book_column_real(row, 7);
    to->temperature_K = book_column_real(row, 8);
    book_column_text(row, 9, to->filter, sizeof to->filter);
    to->rotator_rad = book_column_real(row, 10);
    to->t_s = book_column_real(row, 11);
    if (strcmp(to->use, "flat") != 0) { /* what does not touch a bias or a dark */
        to->filter[0] = '\0';
        to->rotator_rad = NAN;
    }
}

static enum nw_status list_lone(struct nw_book *book, struct lone *list, size_t *ret_n,
                                struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    *ret_n = 0;
    enum nw_status status = book_prepare(book, WITHOUT_SET, NULL, 0, &statement, err);
    while (status == NW_OK && *ret_n < CHUNK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        take_lone(statement, &list[(*ret_n)++]);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static bool is_alike(double a, double b, double tolerance) {
    return isfinite(a) && isfinite(b) ? fabs(a - b) <= tolerance : isfinite(a) == isfinite(b);
}

/* Its set among those of its night; 0: none yet. */
static enum nw_status find_set(struct nw_book *book, const struct lone *f, int64_t *ret,
                               struct nw_err *err) {
    const struct book_value values[] = {book_text(f->use),    f->night,
                                        book_int(f->train),   book_real(f->gain),
                                        book_real(f->offset), book_real(f->binning),
                                        book_text(f->filter)};
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    const bool is_dark = strcmp(f->use, "dark") == 0;
    *ret = 0;
    enum nw_status status = book_prepare(
        book,
        "SELECT id, exposure_s, temperature_K, rotator_rad FROM calibration_set WHERE kind = ?1 "
        "AND night_id IS ?2 AND train_id = ?3 AND gain_setting IS ?4 AND offset_setting IS ?5 AND "
        "binning IS ?6 AND filter = ?7",
        values, 7, &statement, err);
    while (status == NW_OK && *ret == 0) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        const double turn_rad = remainder(book_column_real(statement, 3) - f->rotator_rad,
                                          2.0 * NW_PI); /* NaN when either is */
        const bool is_turn_alike = isfinite(turn_rad) ? fabs(turn_rad) <= SAME_ROTATOR_RAD
                                                      : isfinite(book_column_real(statement, 3)) ==
                                                            isfinite(f->rotator_rad);
        if ((!is_dark || is_alike(book_column_real(statement, 1), f->exposure_s,
                                  SAME_EXPOSURE * f->exposure_s)) &&
            is_alike(book_column_real(statement, 2), f->temperature_K, SAME_TEMPERATURE_K) &&
            is_turn_alike) {
            *ret = sqlite3_column_int64(statement, 0);
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static enum nw_status begin_set(struct nw_book *book, const struct lone *f, int64_t *ret,
                                struct nw_err *err) {
    struct book_row row = {.table = "calibration_set"};
    book_row_put(&row, "kind", book_text(f->use));
    book_row_put(&row, "train_id", book_int(f->train));
    book_row_put(&row, "night_id", f->night);
    book_row_put(&row, "gain_setting", book_real(f->gain));
    book_row_put(&row, "offset_setting", book_real(f->offset));
    book_row_put(&row, "binning", book_real(f->binning));
    book_row_put(&row, "exposure_s", book_real(f->exposure_s));
    book_row_put(&row, "temperature_K", book_real(f->temperature_K));
    book_row_put(&row, "filter", book_text(f->filter));
    book_row_put(&row, "rotator_rad", book_real(f->rotator_rad));
    book_row_put(&row, "n_frames", book_int(0));
    const enum nw_status status = book_row_insert(book, &row, err);
    *ret = book_last_id(book);
    return status;
}

static enum nw_status join(struct nw_book *book, const struct lone *f, struct nw_err *err) {
    int64_t set = 0;
    enum nw_status status = find_set(book, f, &set, err);
    if (status == NW_OK && set == 0) {
        status = begin_set(book, f, &set, err);
    }
    const struct book_value values[] = {book_int(f->id), book_int(set), book_real(f->t_s)};
    if (status == NW_OK) {
        status = book_run(book, "UPDATE frame SET calibration_set_id = ?2 WHERE id = ?1", values, 2,
                          err);
    }
    return status == NW_OK
               ? book_run(book,
                          "UPDATE calibration_set SET is_stale = 1, first_utc_s = "
                          "min(coalesce(first_utc_s, ?3), coalesce(?3, first_utc_s)), last_utc_s = "
                          "max(coalesce(last_utc_s, ?3), coalesce(?3, last_utc_s)) WHERE id = ?2 "
                          "AND ?1 > 0",
                          values, 3, err)
               : status;
}

/* Sets that frames came to or went from (a header edited, a file of another kind in its place) are
 * counted and to be measured anew; those whose frames are all gone go, too. */
static enum nw_status count_frames(struct nw_book *book, struct nw_err *err) {
    static const char *const STEPS[] = {
        "UPDATE calibration_set SET is_stale = 1, (n_frames, first_utc_s, last_utc_s) = (SELECT "
        "count(*), min(t_start_utc_s), max(t_start_utc_s) FROM frame WHERE calibration_set_id = "
        "calibration_set.id) WHERE n_frames <> (SELECT count(*) FROM frame WHERE "
        "calibration_set_id = calibration_set.id)",
        "DELETE FROM calibration_set WHERE n_frames = 0",
        /* and the word on a session of which nothing is left */
        "DELETE FROM sensor_result WHERE document_id IS NULL AND NOT EXISTS (SELECT 1 FROM "
        "calibration_set AS s WHERE s.night_id IS sensor_result.night_id AND s.train_id = "
        "sensor_result.train_id AND s.gain_setting IS sensor_result.gain_setting AND "
        "s.offset_setting IS sensor_result.offset_setting)",
    };
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < 3 && status == NW_OK; i++) {
        status = book_run(book, STEPS[i], NULL, 0, err);
    }
    return status;
}

/* A session with new frames is to be judged anew: a night, camera, gain and offset. */
static enum nw_status mark_sessions(struct nw_book *book, struct nw_err *err) {
    static const char *const STEPS[] = {
        "UPDATE sensor_result SET is_stale = 1 WHERE document_id IS NULL AND EXISTS (SELECT 1 FROM "
        "calibration_set AS s WHERE s.is_stale AND s.night_id IS sensor_result.night_id AND "
        "s.train_id = sensor_result.train_id AND s.gain_setting IS sensor_result.gain_setting AND "
        "s.offset_setting IS sensor_result.offset_setting)",
        "INSERT INTO sensor_result (train_id, camera, night_id, t_utc_s, is_stale, n_bias, n_dark, "
        "n_flat, gain_setting, offset_setting, why_null) SELECT s.train_id, train.camera, "
        "s.night_id, min(s.first_utc_s), 1, 0, 0, 0, s.gain_setting, s.offset_setting, 'not looked "
        "at yet' FROM calibration_set AS s JOIN train ON train.id = s.train_id WHERE s.is_stale "
        "AND NOT EXISTS (SELECT 1 FROM sensor_result AS r WHERE r.document_id IS NULL AND "
        "r.night_id IS s.night_id AND r.train_id = s.train_id AND r.gain_setting IS s.gain_setting "
        "AND r.offset_setting IS s.offset_setting) GROUP BY s.train_id, s.night_id, "
        "s.gain_setting, s.offset_setting",
    };
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < 2 && status == NW_OK; i++) {
        status = book_run(book, STEPS[i], NULL, 0, err);
    }
    return status;
}

enum nw_status book_group_sets(struct nw_book *book, struct nw_err *err) {
    struct lone *const list = nw_calloc(CHUNK, sizeof *list);
    enum nw_status status = list ? NW_OK : nw_err_set(err, NW_NOMEM, "frames without a set");
    size_t n = 1;
    while (status == NW_OK && n > 0) { /* a chunk is one transaction: the next run goes on */
        status = book_begin(book, err);
        status = status == NW_OK ? list_lone(book, list, &n, err) : status;
        for (size_t i = 0; i < n && status == NW_OK; i++) {
            status = join(book, &list[i], err);
        }
        status = status == NW_OK ? count_frames(book, err) : status;
        status = status == NW_OK ? mark_sessions(book, err) : status;
        status = status == NW_OK ? book_commit(book, err) : status;
        book_rollback(book);
    }
    free(list);
    return status;
}
