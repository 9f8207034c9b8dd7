/* calibration.c - frames by what the book knows of their headers; sessions; see calibration.h. */
#include "book/calibration.h"

#include <math.h>

#include "book/book_internal.h"

enum { MAX_HEADERS = 1000000 };

enum {
    H_PATH,
    H_USE,
    H_WIDTH,
    H_HEIGHT,
    H_CAMERA,
    H_TELESCOPE,
    H_FILTER,
    H_OBJECT,
    H_SIDE,
    H_NUMBERS
};
#define COLUMNS                                                                                    \
    "SELECT min(path), use, width_px, height_px, camera, telescope, filter, object, tube_side, "   \
    "t_start_utc_s, exposure_s, gain_setting, offset_setting, gain_e_per_adu, binning, pixel_m, "  \
    "focal_length_m, set_temperature_K, chip_temperature_K, rotator_rad, ra_rad, dec_rad FROM "    \
    "frame JOIN place ON place.content_id = frame.content_id JOIN train ON train.id = train_id "

static const char CALIBRATION[] =
    COLUMNS "WHERE use IN ('bias', 'dark', 'flat') AND NOT is_double GROUP BY frame.id ORDER BY "
            "t_start_utc_s, frame.id";
static const char LIGHTS[] =
    COLUMNS "LEFT JOIN night ON night.id = night_id WHERE use = 'light' AND NOT is_double AND "
            "(night.date = ?1 OR object = ?1) GROUP BY frame.id ORDER BY t_start_utc_s, frame.id";

enum nw_frame_use book_use_of(const char *word) {
    static const enum nw_frame_use USES[] = {NW_USE_LIGHT, NW_USE_BIAS, NW_USE_DARK, NW_USE_FLAT};
    for (size_t i = 0; i < sizeof USES / sizeof USES[0]; i++) {
        if (strcmp(word, nw_frame_use_word(USES[i])) == 0) {
            return USES[i];
        }
    }
    return NW_USE_OTHER;
}

static void take_facts(sqlite3_stmt *row, struct nw_frame_facts *f) {
    double *const numbers[] = {&f->t_start_utc_s,
                               &f->exposure_s,
                               &f->gain_setting,
                               &f->offset_setting,
                               &f->gain_e_per_adu,
                               &f->binning,
                               &f->pixel_m,
                               &f->focal_length_m,
                               &f->set_temperature_K,
                               &f->chip_temperature_K,
                               &f->rotator_rad,
                               &f->ra_rad,
                               &f->dec_rad};
    nw_frame_facts_unknown(f);
    book_column_text(row, H_USE, f->image_type, sizeof f->image_type);
    book_column_text(row, H_CAMERA, f->camera, sizeof f->camera);
    book_column_text(row, H_TELESCOPE, f->telescope, sizeof f->telescope);
    book_column_text(row, H_FILTER, f->filter, sizeof f->filter);
    book_column_text(row, H_OBJECT, f->object, sizeof f->object);
    book_column_text(row, H_SIDE, f->tube_side, sizeof f->tube_side);
    for (size_t i = 0; i < sizeof numbers / sizeof numbers[0]; i++) {
        *numbers[i] = book_column_real(row, (int)(H_NUMBERS + i));
    }
}

void nw_book_headers_done(struct nw_book_headers *headers) {
    for (size_t i = 0; i < headers->n; i++) {
        free(headers->items[i].path);
    }
    free(headers->items);
    *headers = (struct nw_book_headers){.n = 0};
}

static enum nw_status read_headers(struct nw_book *book, const char *sql,
                                   const struct book_value *values, size_t n_values,
                                   struct nw_book_headers *ret, struct nw_err *err) {
    struct nw_book_headers headers = {.n = 0};
    sqlite3_stmt *statement = NULL;
    size_t cap = 0;
    bool is_row = true;
    enum nw_status status = book_prepare(book, sql, values, n_values, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = nw_grow((void **)&headers.items, &cap, headers.n + 1, sizeof *headers.items,
                         MAX_HEADERS, err);
        if (status == NW_OK) {
            struct nw_book_header *const h = &headers.items[headers.n++];
            *h = (struct nw_book_header){
                .path = nw_strdup((const char *)sqlite3_column_text(statement, H_PATH)),
                .use = book_use_of((const char *)sqlite3_column_text(statement, H_USE)),
                .width_px = (size_t)sqlite3_column_int64(statement, H_WIDTH),
                .height_px = (size_t)sqlite3_column_int64(statement, H_HEIGHT),
            };
            take_facts(statement, &h->facts);
            status = h->path ? NW_OK : nw_err_set(err, NW_NOMEM, "headers");
        }
    }
    (void)sqlite3_finalize(statement);
    if (status == NW_OK) {
        *ret = headers;
    } else {
        nw_book_headers_done(&headers);
    }
    return status;
}

enum nw_status nw_book_calibration(struct nw_book *book, struct nw_book_headers *ret,
                                   struct nw_err *err) {
    return read_headers(book, CALIBRATION, NULL, 0, ret, err);
}

enum nw_status nw_book_lights(struct nw_book *book, const char *night_or_target,
                              struct nw_book_headers *ret, struct nw_err *err) {
    const struct book_value value = book_text(night_or_target);
    const enum nw_status status = read_headers(book, LIGHTS, &value, 1, ret, err);
    return status == NW_OK && ret->n == 0 ? book_fail_unknown(book, night_or_target, err) : status;
}

/* The last session with a frame of that use, or the one asked for. */
static enum nw_status find_session(struct nw_book *book, const char *date, enum nw_frame_use use,
                                   char ret_date[NW_BOOK_DATE], struct nw_err *err) {
    const struct book_value values[] = {book_text(date ? date : ""),
                                        book_text(nw_frame_use_word(use))};
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status = book_prepare(
        book,
        "SELECT date FROM calibration_set JOIN night ON night.id = night_id WHERE (date = ?1 OR ?1 "
        "= '') AND kind = ?2 ORDER BY date DESC LIMIT 1",
        values, 2, &statement, err);
    status = status == NW_OK ? book_step(book, statement, &is_row, err) : status;
    if (status == NW_OK && is_row) {
        book_column_text(statement, 0, ret_date, NW_BOOK_DATE);
    } else if (status == NW_OK) {
        status =
            nw_err_set(err, NW_NOTFOUND, "the book has no %s frames%s%.10s", nw_frame_use_word(use),
                       date && date[0] != '\0' ? " of the night " : "", date ? date : "");
    }
    (void)sqlite3_finalize(statement);
    return status;
}

enum nw_status nw_book_session(struct nw_book *book, const char *date, enum nw_frame_use use,
                               char ret_date[NW_BOOK_DATE], struct nw_paths *ret,
                               struct nw_err *err) {
    enum nw_status status = find_session(book, date, use, ret_date, err);
    const struct book_value value = book_text(ret_date);
    sqlite3_stmt *statement = NULL;
    if (status == NW_OK) {
        status = book_prepare(
            book,
            "SELECT min(path) FROM frame JOIN night ON night.id = night_id JOIN place ON "
            "place.content_id = frame.content_id WHERE date = ?1 AND use IN ('bias', 'dark', "
            "'flat') AND NOT is_double GROUP BY frame.id ORDER BY t_start_utc_s, frame.id",
            &value, 1, &statement, err);
    }
    status = status == NW_OK ? book_take_paths(book, statement, ret, err) : status;
    (void)sqlite3_finalize(statement);
    return status;
}
