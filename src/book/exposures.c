/* exposures.c - all frames of a night as their headers have them: see exposures.h. */
#include "book/exposures.h"

#include <math.h>
#include <stdlib.h>

#include "book/book_internal.h"
#include "sky/almanac.h"

enum { MAX_FRAMES = 1000000 };

enum {
    X_START,
    X_EXPOSURE,
    X_USE,
    X_TRAIN,
    X_FILTER,
    X_OBJECT,
    X_SIDE,
    X_RA,
    X_DEC,
    X_STEPS,
    X_ROTATOR,
    X_GAIN,
    X_OFFSET,
    X_BINNING,
    X_TEMPERATURE,
    X_HALF_LIGHT,
    X_CAMERA,
    X_PATH,
    X_TAKEN,
    X_LATITUDE,
    X_LONGITUDE,
    X_ADDED
};
static const char FRAMES[] =
    "SELECT t_start_utc_s, exposure_s, use, train_id, filter, object, tube_side, ra_rad, dec_rad, "
    "focuser_steps, rotator_rad, gain_setting, offset_setting, binning, "
    "coalesce(chip_temperature_K, set_temperature_K), half_light_px, camera, (SELECT min(path) "
    "FROM place WHERE place.content_id = frame.content_id), EXISTS (SELECT 1 FROM trial_frame JOIN "
    "trial_result ON trial_result.id = trial_id WHERE frame_id = frame.id AND (name = "
    "'drive-off-trail' OR (name = 'short-and-long' AND exposure_s <= 10))), latitude_rad, "
    "longitude_rad, added_utc_s FROM night JOIN frame ON night_id = night.id JOIN content ON "
    "content.id = frame.content_id JOIN train ON train.id = train_id "
    "LEFT JOIN measure ON measure.frame_id = frame.id AND channel IN ('mono', 'G') WHERE date = ?1 "
    "AND use IN ('light', 'dark', 'flat') AND NOT is_double AND t_start_utc_s IS NOT NULL AND "
    "EXISTS (SELECT 1 FROM place WHERE place.content_id = frame.content_id) ORDER BY "
    "t_start_utc_s, frame.id";

struct reading {
    struct nw_book_exposures *to;
    const struct nw_rig *rig;
    size_t frames_cap, words_cap;
};

static double sun_of(const struct nw_rig *rig, sqlite3_stmt *row, double t_utc_s) {
    struct nw_observer observer = nw_sky_observer_of(rig);
    struct nw_sky_moment moment;
    if (!isfinite(observer.place.latitude_rad + observer.place.longitude_rad)) {
        observer.place.latitude_rad = book_column_real(row, X_LATITUDE);
        observer.place.longitude_rad = book_column_real(row, X_LONGITUDE);
    }
    return nw_sky_moment_at(&observer, t_utc_s, &moment, NULL) == NW_OK ? moment.sun_altitude_rad
                                                                        : NAN;
}

static enum nw_status take(sqlite3_stmt *row, void *to, struct nw_err *err) {
    struct reading *const r = to;
    struct nw_book_exposures *const all = r->to;
    char use[8];
    char side[8];
    enum nw_status status = nw_grow((void **)&all->frames, &r->frames_cap, all->n + 1,
                                    sizeof *all->frames, MAX_FRAMES, err);
    if (status == NW_OK) {
        status = nw_grow((void **)&all->words, &r->words_cap, all->n + 1, sizeof *all->words,
                         MAX_FRAMES, err);
    }
    if (status != NW_OK) {
        return status;
    }
    struct nw_book_exposure *const words = &all->words[all->n];
    struct nw_trial_exposure *const e = &all->frames[all->n];
    book_column_text(row, X_USE, use, sizeof use);
    book_column_text(row, X_SIDE, side, sizeof side);
    book_column_text(row, X_FILTER, words->filter, sizeof words->filter);
    book_column_text(row, X_OBJECT, words->object, sizeof words->object);
    book_column_text(row, X_CAMERA, words->camera, sizeof words->camera);
    words->added_utc_s = book_column_real(row, X_ADDED);
    *e = (struct nw_trial_exposure){
        .t_start_utc_s = book_column_real(row, X_START),
        .exposure_s = book_column_real(row, X_EXPOSURE),
        .use = book_use_of(use),
        .train = sqlite3_column_int64(row, X_TRAIN),
        .tube_side = strcmp(side, "east") == 0   ? 1
                     : strcmp(side, "west") == 0 ? -1
                                                 : 0,
        .ra_rad = book_column_real(row, X_RA),
        .dec_rad = book_column_real(row, X_DEC),
        .focuser_steps = book_column_real(row, X_STEPS),
        .rotator_rad = book_column_real(row, X_ROTATOR),
        .gain_setting = book_column_real(row, X_GAIN),
        .offset_setting = book_column_real(row, X_OFFSET),
        .binning = book_column_real(row, X_BINNING),
        .temperature_K = book_column_real(row, X_TEMPERATURE),
        .half_light_px = book_column_real(row, X_HALF_LIGHT),
        .sun_altitude_rad = NAN,
        .is_taken = sqlite3_column_int(row, X_TAKEN) != 0,
    };
    if (e->use == NW_USE_DARK) {
        e->sun_altitude_rad = sun_of(r->rig, row, e->t_start_utc_s);
    }
    words->path = nw_strdup((const char *)sqlite3_column_text(row, X_PATH));
    all->n += words->path ? 1 : 0;
    return words->path ? NW_OK : nw_err_set(err, NW_NOMEM, "frames of a night");
}

enum nw_status nw_book_exposures(struct nw_book *book, const char *date, const struct nw_rig *rig,
                                 struct nw_book_exposures *ret, struct nw_err *err) {
    const struct book_value value = book_text(date);
    struct reading r = {.to = ret, .rig = rig};
    *ret = (struct nw_book_exposures){.n = 0};
    const enum nw_status status = book_each_row(book, FRAMES, &value, 1, take, &r, err);
    if (status != NW_OK) {
        nw_book_exposures_done(ret);
        return status;
    }
    for (size_t i = 0; i < ret->n; i++) { /* the array does not move any more */
        ret->frames[i].filter = ret->words[i].filter;
        ret->frames[i].object = ret->words[i].object;
    }
    return NW_OK;
}

void nw_book_exposures_done(struct nw_book_exposures *exposures) {
    for (size_t i = 0; i < exposures->n; i++) {
        free(exposures->words[i].path);
    }
    free(exposures->frames);
    free(exposures->words);
    *exposures = (struct nw_book_exposures){.n = 0};
}
