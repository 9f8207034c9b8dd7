/* tonight.c - the subs and guide runs of one night out of the book, for live.c.
 * Idea: transmission is solved anew over the listed stars of the night, target by target and filter
 * by filter; it needs no frame again. */
#include <math.h>

#include "book/book_internal.h"
#include "book/live_internal.h"

enum { MAX_SUBS = 100000, MAX_BLOCKS = 10000, BLOCK_MAX = 6000 };
static const double BLOCK_S = 600.0;
static const double FIT_WITHIN = 1e-3; /* of exposures that are the same */

struct reading { /* beside each sub */
    int64_t id;
    char channel[8];
    size_t width_px, height_px;
};

static bool is_of_filter(const struct nw_live_foretold *f, const char *filter) {
    bool is_it =
        f->filter[0] == '\0' || filter[0] == '\0' || nw_text_equal_nocase(f->filter, filter);
    for (size_t i = 0; i < f->also.n && !is_it; i++) {
        is_it = nw_text_equal_nocase(f->also.items[i], filter);
    }
    return is_it;
}

static void foretell(struct nw_live_sub *sub, const struct nw_live_foretold *f) {
    sub->foretold_px = NAN;
    sub->foretold_sigma_px = NAN;
    const bool is_asked = f && f->n > 1 && isfinite(sub->airmass) && sub->scale_rad_px > 0.0 &&
                          is_of_filter(f, sub->filter);
    if (!is_asked) {
        return;
    }
    size_t i = 1;
    while (i + 1 < f->n && sub->airmass > f->airmass[i]) {
        i++;
    }
    const double t = fmin(
        fmax((sub->airmass - f->airmass[i - 1]) / (f->airmass[i] - f->airmass[i - 1]), 0.0), 1.0);
    sub->foretold_px = ((1.0 - t) * f->fwhm_rad[i - 1] + t * f->fwhm_rad[i]) / sub->scale_rad_px;
    sub->foretold_sigma_px =
        ((1.0 - t) * f->sigma_rad[i - 1] + t * f->sigma_rad[i]) / sub->scale_rad_px;
}

static const char SUBS[] =
    "SELECT frame.id, t_start_utc_s, exposure_s, airmass, fwhm_px, pixel_m / focal_length_m, "
    "elongation, focuser_steps, focuser_temperature_K, ra_rad, dec_rad, longitude_rad, n_stars, "
    "content.size_bytes, filter, object, tube_side, channel, width_px, height_px, noise_adu FROM "
    "night JOIN "
    "frame ON night_id = night.id JOIN measure ON frame_id = frame.id AND channel IN ('mono', 'G') "
    "JOIN content ON content.id = content_id JOIN train ON train.id = train_id WHERE date = ?1 AND "
    "use = 'light' AND NOT is_double AND t_start_utc_s IS NOT NULL ORDER BY t_start_utc_s, "
    "frame.id";

static void take_row(sqlite3_stmt *row, struct nw_live_sub *sub, struct reading *reading) {
    *reading = (struct reading){.id = sqlite3_column_int64(row, 0),
                                .width_px = (size_t)sqlite3_column_int64(row, 18),
                                .height_px = (size_t)sqlite3_column_int64(row, 19)};
    book_column_text(row, 17, reading->channel, sizeof reading->channel);
    *sub = (struct nw_live_sub){
        .t_start_utc_s = book_column_real(row, 1),
        .exposure_s = book_column_real(row, 2),
        .airmass = book_column_real(row, 3),
        .fwhm_px = book_column_real(row, 4),
        .scale_rad_px = book_column_real(row, 5),
        .elongation = book_column_real(row, 6),
        .focuser_steps = book_column_real(row, 7),
        .focuser_temperature_K = book_column_real(row, 8),
        .ra_rad = book_column_real(row, 9),
        .dec_rad = book_column_real(row, 10),
        .longitude_rad = book_column_real(row, 11),
        .n_stars = (size_t)sqlite3_column_int64(row, 12),
        .size_bytes = sqlite3_column_int64(row, 13),
        .transmission = NAN,
        .noise_adu = book_column_real(row, 20),
    };
    book_column_text(row, 14, sub->filter, sizeof sub->filter);
    book_column_text(row, 15, sub->object, sizeof sub->object);
    book_column_text(row, 16, sub->tube_side, sizeof sub->tube_side);
}

static enum nw_status read_subs(struct nw_book *book, const struct nw_live_foretold *foretold,
                                struct nw_live *live, struct reading **readings,
                                struct nw_err *err) {
    const struct book_value value = book_text(live->date);
    sqlite3_stmt *statement = NULL;
    size_t caps[2] = {0, 0};
    bool is_row = true;
    enum nw_status status = book_prepare(book, SUBS, &value, 1, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status =
            nw_grow((void **)&live->subs, &caps[0], live->n + 1, sizeof *live->subs, MAX_SUBS, err);
        if (status == NW_OK) {
            status =
                nw_grow((void **)readings, &caps[1], live->n + 1, sizeof **readings, MAX_SUBS, err);
        }
        if (status == NW_OK) {
            take_row(statement, &live->subs[live->n], &(*readings)[live->n]);
            foretell(&live->subs[live->n++], foretold);
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

/* ---- Transmission --------------------------------------------------------------------------- */

/* The subs of one target and filter; marks them. */
struct set {
    struct nw_measure *measures;
    const struct nw_measure **views;
    double *exposures;
    size_t *at;
    struct nw_transmission *results;
    size_t n;
};

static bool is_alike(const struct nw_live_sub *a, const struct nw_live_sub *b) {
    return strcmp(a->filter, b->filter) == 0 && strcmp(a->object, b->object) == 0 &&
           fabs(a->exposure_s - b->exposure_s) <= FIT_WITHIN * a->exposure_s;
}

static enum nw_status solve_set(struct nw_book *book, struct nw_live *live,
                                const struct reading *readings, size_t first, struct set *set,
                                bool *is_taken, struct nw_err *err) {
    enum nw_status status = NW_OK;
    set->n = 0;
    for (size_t i = first; i < live->n && status == NW_OK; i++) {
        if (is_taken[i] || (i != first && !is_alike(&live->subs[first], &live->subs[i]))) {
            continue;
        }
        is_taken[i] = true;
        struct nw_measure *const measure = &set->measures[set->n];
        *measure = (struct nw_measure){.width_px = readings[i].width_px,
                                       .height_px = readings[i].height_px};
        status = book_read_stars(book, readings[i].id, readings[i].channel, measure, err);
        set->views[set->n] = &set->measures[set->n];
        set->exposures[set->n] = live->subs[i].exposure_s;
        set->at[set->n++] = i;
    }
    if (status == NW_OK && set->n > 1 && isfinite(live->subs[first].exposure_s)) {
        status = nw_transmission_solve(set->views, set->exposures, set->n, set->results, err);
        for (size_t i = 0; i < set->n && status == NW_OK; i++) {
            live->subs[set->at[i]].transmission = set->results[i].value;
        }
        status = status == NW_DATA ? NW_OK : status; /* cannot be told: stays NaN */
    }
    for (size_t i = 0; i < set->n; i++) {
        free(set->measures[i].stars);
    }
    return status;
}

/* Which subs may be left out: those far from the moments asked for, but for the one with most stars
 * of each target and filter, which stands for the night's best. */
static void leave_out(const struct nw_live *live, const struct live_moments *near,
                      bool *is_left_out) {
    enum { NEAR = 3 };
    for (size_t i = 0; i < live->n; i++) {
        bool is_most = true;
        for (size_t k = 0; k < live->n && is_most; k++) {
            is_most = !is_alike(&live->subs[i], &live->subs[k]) ||
                      live->subs[k].n_stars <= live->subs[i].n_stars;
        }
        is_left_out[i] = !is_most;
    }
    for (size_t m = 0; m < near->n; m++) {
        size_t at = 0;
        while (at < live->n && live->subs[at].t_start_utc_s < near->t_s[m]) {
            at++;
        }
        for (size_t i = at > NEAR ? at - NEAR : 0; i < live->n && i < at + NEAR; i++) {
            is_left_out[i] = false;
        }
    }
}

/* near NULL: of all subs. */
static enum nw_status solve_light(struct nw_book *book, struct nw_live *live,
                                  const struct reading *readings, const struct live_moments *near,
                                  struct nw_err *err) {
    const size_t n = live->n + 1;
    struct set set = {.measures = nw_calloc(n, sizeof *set.measures),
                      .views = nw_calloc(n, sizeof(void *)),
                      .exposures = nw_calloc(n, sizeof *set.exposures),
                      .at = nw_calloc(n, sizeof *set.at),
                      .results = nw_calloc(n, sizeof *set.results)};
    bool *const is_taken = nw_calloc(n, sizeof *is_taken);
    const bool is_room =
        set.measures && set.views && set.exposures && set.at && set.results && is_taken;
    enum nw_status status = is_room ? NW_OK : nw_err_set(err, NW_NOMEM, "%zu subs", live->n);
    if (near && is_taken) {
        leave_out(live, near, is_taken);
    }
    for (size_t i = 0; readings && i < live->n && status == NW_OK; i++) {
        if (!is_taken[i]) {
            status = solve_set(book, live, readings, i, &set, is_taken, err);
        }
    }
    free(set.measures);
    free((void *)set.views);
    free(set.exposures);
    free(set.at);
    free(set.results);
    free(is_taken);
    return status;
}

/* ---- Guiding -------------------------------------------------------------------------------- */

/* The samples of one run in blocks of ten minutes. */
struct block {
    double end_s;
    double errors[2][BLOCK_MAX];
    size_t n;
};

/* Robust, so that a dither and the pulses after it, less than half of ten minutes, count little. */
static enum nw_status close_block(struct nw_live *live, size_t *cap, struct block *block,
                                  struct nw_err *err) {
    enum { LEAST = 20 };
    enum nw_status status = NW_OK;
    if (block->n >= LEAST) {
        const double ra = nw_stat_mad_sigma(block->errors[0], block->n, NULL);
        const double dec = nw_stat_mad_sigma(block->errors[1], block->n, NULL);
        status = nw_grow((void **)&live->guiding, cap, live->n_guiding + 1, sizeof *live->guiding,
                         MAX_BLOCKS, err);
        if (status == NW_OK) {
            live->guiding[live->n_guiding++] =
                (struct nw_live_guiding){block->end_s, hypot(ra, dec)};
        }
    }
    block->n = 0;
    return status;
}

static enum nw_status take_run(struct nw_live *live, size_t *cap, const unsigned char *bytes,
                               size_t n_bytes, struct nw_err *err) {
    struct block *const block = nw_calloc(1, sizeof *block);
    enum nw_status status = block ? NW_OK : nw_err_set(err, NW_NOMEM, "ten minutes of guiding");
    for (size_t i = 0; i + BOOK_SAMPLE_BYTES <= n_bytes && status == NW_OK;
         i += BOOK_SAMPLE_BYTES) {
        const double t_s = book_get_double(bytes + i);
        const double errors[2] = {book_get_float(bytes + i + 8), book_get_float(bytes + i + 12)};
        if (block->n > 0 && (t_s > block->end_s || block->n == BLOCK_MAX)) {
            status = close_block(live, cap, block, err);
        }
        if (block->n == 0) {
            block->end_s = t_s + BLOCK_S;
        }
        if (isfinite(errors[0]) && isfinite(errors[1])) {
            block->errors[0][block->n] = errors[0];
            block->errors[1][block->n++] = errors[1];
        }
    }
    status = status == NW_OK ? close_block(live, cap, block, err) : status;
    free(block);
    return status;
}

static enum nw_status read_guiding(struct nw_book *book, struct nw_live *live, struct nw_err *err) {
    const struct book_value value = book_text(live->date);
    sqlite3_stmt *statement = NULL;
    size_t cap = 0;
    bool is_row = true;
    enum nw_status status = book_prepare(
        book,
        "SELECT samples FROM guide_run JOIN night ON night.id = night_id WHERE date = ?1 AND "
        "start_utc_s IS NOT NULL ORDER BY start_utc_s",
        &value, 1, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = take_run(live, &cap, sqlite3_column_blob(statement, 0),
                          (size_t)sqlite3_column_bytes(statement, 0), err);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

/* ---- Together ------------------------------------------------------------------------------- */

static enum nw_status read_night(struct nw_book *book, const char *date,
                                 const struct nw_live_foretold *foretold,
                                 const struct live_moments *near, struct nw_live *live,
                                 struct nw_err *err) {
    struct reading *readings = NULL;
    *live = (struct nw_live){.bytes_per_s = NAN, .t_last_end_s = NAN, .usual_gap_s = NAN};
    enum nw_status status = nw_book_find_night(book, date, live->date, err);
    status = status == NW_OK ? read_subs(book, foretold, live, &readings, err) : status;
    if (status == NW_OK && (!near || near->n > 0)) {
        status = solve_light(book, live, readings, near, err);
    }
    status = status == NW_OK ? read_guiding(book, live, err) : status;
    status = status == NW_OK ? live_read_climate(book, live, err) : status;
    status = status == NW_OK ? live_read_volts(book, live, err) : status;
    if (status == NW_OK) {
        nw_live_replay(live);
    } else {
        nw_live_done(live);
    }
    free(readings);
    return status;
}

enum nw_status nw_live_read(struct nw_book *book, const char *date,
                            const struct nw_live_foretold *foretold, struct nw_live *ret,
                            struct nw_err *err) {
    return read_night(book, date, foretold, NULL, ret, err);
}

enum nw_status live_read_near(struct nw_book *book, const char *date,
                              const struct live_moments *near, struct nw_live *ret,
                              struct nw_err *err) {
    return read_night(book, date, NULL, near, ret, err);
}

struct nw_place nw_live_place(struct nw_book *book, const char *date) {
    const struct book_value value = book_text(date);
    struct nw_place place = {NAN, NAN, NAN};
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    if (book_prepare(book,
                     "SELECT latitude_rad, longitude_rad FROM night JOIN frame ON night_id = "
                     "night.id WHERE date = ?1 AND latitude_rad IS NOT NULL AND longitude_rad IS "
                     "NOT NULL LIMIT 1",
                     &value, 1, &statement, NULL) == NW_OK &&
        book_step(book, statement, &is_row, NULL) == NW_OK && is_row) {
        place.latitude_rad = book_column_real(statement, 0);
        place.longitude_rad = book_column_real(statement, 1);
    }
    (void)sqlite3_finalize(statement);
    return place;
}

void nw_live_done(struct nw_live *live) {
    free(live->subs);
    free(live->guiding);
    free(live->climate);
    free(live->volts);
    live->volts = NULL;
    live->n_volts = 0;
    live->climate = NULL;
    live->n_climate = 0;
    live->subs = NULL;
    live->guiding = NULL;
    live->n = 0;
    live->n_guiding = 0;
}
