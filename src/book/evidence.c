/* evidence.c - a night of the book as evidence for the budgets: see evidence.h. */
#include "book/evidence.h"

#include <math.h>
#include <stdlib.h>

#include "book/book_internal.h"
#include "sky/sky.h"

enum { MAX_ROWS = 5000000, MAX_FRAMES = 100000 };
static const double SAME_ROW_S = 1e-3;

/* ---- Guide runs ----------------------------------------------------------------------------- */

/* "1781435762.100000 dither\n" from `text` on; false at the end or where it is no such line. Lines
 * of the header are passed over: they stood in no row. */
static bool next_event(const char **text, double *ret_t_s, char event[32]) {
    do {
        const char *const behind = nw_text_scan_double(*text, ret_t_s);
        if (!behind || *behind != ' ') {
            return false;
        }
        const char *const end = strchr(behind, '\n');
        if (!end) {
            return false;
        }
        const size_t len = (size_t)(end - behind);
        nw_text_copy(event, len < 32 ? len : 32, behind + 1);
        *text = end + 1;
    } while (strncmp(event, BOOK_HEADER_EVENT, sizeof BOOK_HEADER_EVENT - 1) == 0);
    return true;
}

static size_t count_events(const char *text) {
    size_t n = 0;
    double t_s = 0.0;
    char event[32];
    while (next_event(&text, &t_s, event)) {
        n++;
    }
    return n;
}

static int by_time(const void *a, const void *b) {
    const double left = ((const struct nw_guide_row *)a)->t_s;
    const double right = ((const struct nw_guide_row *)b)->t_s;
    return left < right ? -1 : left > right ? 1 : 0;
}

static struct nw_guide_row *row_at(struct nw_guide_log *log, size_t n, double t_s) {
    size_t low = 0;
    size_t high = n;
    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        if (log->rows[middle].t_s < t_s - SAME_ROW_S) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low < n && fabs(log->rows[low].t_s - t_s) <= SAME_ROW_S ? &log->rows[low] : NULL;
}

/* Events go to the rows that they stood in, else get rows of their own. */
static void put_events(struct nw_guide_log *log, const char *text) {
    const size_t n_samples = log->n;
    double t_s = 0.0;
    char event[32];
    while (next_event(&text, &t_s, event)) {
        struct nw_guide_row *row = row_at(log, n_samples, t_s);
        if (!row) {
            row = &log->rows[log->n++];
            *row = (struct nw_guide_row){.t_s = t_s,
                                         .ra_rad = NAN,
                                         .dec_rad = NAN,
                                         .ra_pulse_s = NAN,
                                         .dec_pulse_s = NAN,
                                         .snr = NAN,
                                         .lock_x_px = NAN,
                                         .lock_y_px = NAN};
        }
        row->is_event = true;
        nw_text_copy(row->event, sizeof row->event, event);
    }
    qsort(log->rows, log->n, sizeof *log->rows, by_time);
}

/* What its header said of the guide program's settings. */
static void put_settings(struct nw_guide_log *log, const char *text) {
    static const char MARK[] = " " BOOK_HEADER_EVENT;
    size_t len = 0;
    for (const char *at = strstr(text, MARK); at; at = strstr(at, MARK)) {
        at += sizeof MARK - 1;
        const size_t n = strcspn(at, "\n");
        if (len + n + 2 < sizeof log->settings) {
            len += (size_t)snprintf(log->settings + len, sizeof log->settings - len, "%s%.*s",
                                    len > 0 ? "\n" : "", (int)n, at);
        }
    }
}

static void put_samples(struct nw_guide_log *log, const unsigned char *bytes, size_t n) {
    for (size_t i = 0; i < n; i++) {
        const unsigned char *const from = bytes + BOOK_SAMPLE_BYTES * i;
        log->rows[i] = (struct nw_guide_row){.t_s = book_get_double(from),
                                             .ra_rad = book_get_float(from + 8),
                                             .dec_rad = book_get_float(from + 12),
                                             .ra_pulse_s = book_get_float(from + 16),
                                             .dec_pulse_s = book_get_float(from + 20),
                                             .snr = NAN,
                                             .lock_x_px = book_get_float(from + 24),
                                             .lock_y_px = book_get_float(from + 28)};
    }
    log->n = n;
}

enum {
    RUN_PATH,
    RUN_SIDE,
    RUN_EXPOSURE,
    RUN_DEC,
    RUN_HOUR_ANGLE,
    RUN_LATITUDE,
    RUN_SCALE,
    RUN_RA_RATE,
    RUN_DEC_RATE,
    RUN_WORM,
    RUN_ACTS,
    RUN_SIGN,
    RUN_EVENTS,
    RUN_SAMPLES
};
static const char RUNS[] =
    "SELECT coalesce((SELECT path FROM place WHERE place.content_id = guide_run.content_id LIMIT "
    "1), 'the book'), tube_side, exposure_s, declination_rad, hour_angle_rad, latitude_rad, "
    "guide_scale_rad_px, ra_rate_rad_s, dec_rate_rad_s, given_worm_period_s, pulse_acts, "
    "is_dec_sign_known, events, samples FROM guide_run JOIN night ON night.id = night_id WHERE "
    "date "
    "= ?1 AND start_utc_s IS NOT NULL ORDER BY start_utc_s";

static enum nw_status take_run(sqlite3_stmt *row, struct nw_guide_log **ret, struct nw_err *err) {
    const size_t n = (size_t)sqlite3_column_bytes(row, RUN_SAMPLES) / BOOK_SAMPLE_BYTES;
    const char *const events = (const char *)sqlite3_column_text(row, RUN_EVENTS);
    const size_t n_rows = n + count_events(events ? events : "");
    struct nw_guide_log *const log = nw_calloc(1, sizeof *log);
    if (!log || n_rows > MAX_ROWS || !(log->rows = nw_calloc(n_rows + 1, sizeof *log->rows)) ||
        !(log->path = nw_strdup((const char *)sqlite3_column_text(row, RUN_PATH)))) {
        nw_guide_free(log);
        return nw_err_set(err, NW_NOMEM, "%zu samples of a guide log", n);
    }
    put_samples(log, sqlite3_column_blob(row, RUN_SAMPLES), n);
    put_events(log, events ? events : "");
    put_settings(log, events ? events : "");
    log->has_dates = true;
    log->has_zone = true;
    log->exposure_s = book_column_real(row, RUN_EXPOSURE);
    log->declination_rad = book_column_real(row, RUN_DEC);
    log->hour_angle_rad = book_column_real(row, RUN_HOUR_ANGLE);
    log->latitude_rad = book_column_real(row, RUN_LATITUDE);
    log->elevation_m = NAN; /* the rig's, in what takes a book */
    log->guide_scale_rad_px = book_column_real(row, RUN_SCALE);
    log->ra_rate_rad_s = book_column_real(row, RUN_RA_RATE);
    log->dec_rate_rad_s = book_column_real(row, RUN_DEC_RATE);
    log->worm_period_s = book_column_real(row, RUN_WORM);
    log->pulse_acts = (enum nw_pulse_acts)sqlite3_column_int(row, RUN_ACTS);
    log->is_dec_sign_known = sqlite3_column_int(row, RUN_SIGN) != 0;
    book_column_text(row, RUN_SIDE, log->tube_side, sizeof log->tube_side);
    *ret = log;
    return NW_OK;
}

enum nw_status nw_book_guide_runs(struct nw_book *book, const char *date,
                                  struct nw_guide_runs **ret, struct nw_err *err) {
    const struct book_value value = book_text(date);
    struct nw_guide_runs *runs = nw_calloc(1, sizeof *runs);
    sqlite3_stmt *statement = NULL;
    size_t cap = 0;
    bool is_row = true;
    if (!runs || !(runs->path = nw_strdup(book->path))) {
        nw_guide_runs_free(runs);
        return nw_err_set(err, NW_NOMEM, "guide runs of a night");
    }
    enum nw_status status = book_prepare(book, RUNS, &value, 1, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = nw_grow((void **)&runs->items, &cap, runs->n + 1, sizeof *runs->items,
                         NW_GUIDE_MAX_RUNS, err);
        if (status == NW_OK) {
            runs->items[runs->n] = (struct nw_guide_run){.log = NULL};
            status = take_run(statement, &runs->items[runs->n].log, err);
            runs->n += status == NW_OK ? 1 : 0;
        }
    }
    (void)sqlite3_finalize(statement);
    if (status == NW_OK) {
        *ret = runs;
    } else {
        nw_guide_runs_free(runs);
    }
    return status;
}

/* ---- Frames --------------------------------------------------------------------------------- */

enum {
    F_ID,
    F_START,
    F_EXPOSURE,
    F_AIRMASS,
    F_ALTITUDE,
    F_RA,
    F_DEC,
    F_FWHM,
    F_SIGMA,
    F_E1,
    F_E2,
    F_E_SIGMA,
    F_STEPS,
    F_CHANNEL,
    F_ROTATOR,
    F_LATITUDE,
    F_LONGITUDE,
    F_PIXEL,
    F_FOCAL,
    F_CAMERA,
    F_SIDE,
    F_WIDTH,
    F_HEIGHT,
    F_FOCUSER_K,
    F_FILTER
};
static const char FRAMES[] =
    "SELECT frame.id, t_start_utc_s, exposure_s, airmass, altitude_rad, ra_rad, dec_rad, fwhm_px, "
    "fwhm_sigma_px, e1, e2, e_sigma, focuser_steps, channel, rotator_rad, latitude_rad, "
    "longitude_rad, pixel_m, focal_length_m, camera, tube_side, width_px, height_px, "
    "focuser_temperature_K, filter FROM night "
    "JOIN "
    "frame ON night_id = night.id JOIN measure ON frame_id = frame.id AND channel IN ('mono', 'G') "
    "JOIN train ON train.id = train_id WHERE date = ?1 AND "
    "use = 'light' AND NOT is_double AND fwhm_px IS NOT NULL AND (?2 = '' OR filter = '' OR filter "
    "= ?2 COLLATE NOCASE) ORDER BY t_start_utc_s, frame.id";

/* Airmass and position angle of the zenith at mid-exposure. */
static void place_in_sky(sqlite3_stmt *row, const struct nw_rig *rig, struct nw_star_frame *star) {
    const double half_s = isfinite(star->exposure_s) ? 0.5 * star->exposure_s : 0.0;
    const double altitude = book_column_real(row, F_ALTITUDE);
    const struct nw_place place = {rig->site.latitude_rad.v, rig->site.longitude_rad.v,
                                   rig->site.elevation_m.v};
    const struct nw_air_state air = {rig->site.pressure_Pa.v, rig->site.temperature_K.v,
                                     rig->site.relative_humidity.v};
    struct nw_pointing pointing = {.airmass = NAN, .parallactic_rad = NAN};
    if (nw_sky_pointing(book_column_real(row, F_RA), star->dec_rad, star->t_start_utc_s + half_s,
                        &place, &air, &pointing, NULL) == NW_OK) {
        star->parallactic_rad = pointing.parallactic_rad;
    }
    star->airmass = book_column_real(row, F_AIRMASS);
    star->airmass = isfinite(star->airmass)      ? star->airmass
                    : isfinite(pointing.airmass) ? pointing.airmass
                    : isfinite(altitude)         ? nw_sky_airmass(altitude)
                                                 : NAN;
}

static void take_facts(sqlite3_stmt *row, struct nw_frame_facts *facts,
                       struct nw_measure *measure) {
    nw_frame_facts_unknown(facts);
    facts->t_start_utc_s = book_column_real(row, F_START);
    facts->exposure_s = book_column_real(row, F_EXPOSURE);
    facts->ra_rad = book_column_real(row, F_RA);
    facts->dec_rad = book_column_real(row, F_DEC);
    facts->rotator_rad = book_column_real(row, F_ROTATOR);
    facts->latitude_rad = book_column_real(row, F_LATITUDE);
    facts->longitude_rad = book_column_real(row, F_LONGITUDE);
    facts->pixel_m = book_column_real(row, F_PIXEL);
    facts->focal_length_m = book_column_real(row, F_FOCAL);
    facts->focuser_steps = book_column_real(row, F_STEPS);
    facts->focuser_temperature_K = book_column_real(row, F_FOCUSER_K);
    book_column_text(row, F_CAMERA, facts->camera, sizeof facts->camera);
    book_column_text(row, F_SIDE, facts->tube_side, sizeof facts->tube_side);
    book_column_text(row, F_FILTER, facts->filter, sizeof facts->filter);
    *measure = (struct nw_measure){.width_px = (size_t)sqlite3_column_int64(row, F_WIDTH),
                                   .height_px = (size_t)sqlite3_column_int64(row, F_HEIGHT)};
}

/* Middle and corner zones. */
static enum nw_status read_zones(struct nw_book *book, int64_t frame, const char *channel,
                                 double scale_rad, struct nw_star_frame *star, struct nw_err *err) {
    static const int CORNERS[4] = {0, NW_ZONES_X - 1, NW_ZONES_X * (NW_ZONES_Y - 1),
                                   NW_ZONES_X * NW_ZONES_Y - 1};
    const struct book_value values[] = {book_int(frame), book_text(channel)};
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status =
        book_prepare(book, "SELECT number, fwhm_px FROM zone WHERE frame_id = ?1 AND channel = ?2",
                     values, 2, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        const int number = sqlite3_column_int(statement, 0);
        const double width_rad = book_column_real(statement, 1) * scale_rad;
        if (number == NW_ZONES_X * NW_ZONES_Y / 2) {
            star->fwhm_centre_rad = width_rad;
        }
        for (size_t k = 0; k < 4; k++) {
            star->fwhm_corner_rad[k] = number == CORNERS[k] ? width_rad : star->fwhm_corner_rad[k];
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

static void take_frame(sqlite3_stmt *row, const struct nw_book_frames_opts *opts,
                       struct nw_star_frame *star) {
    nw_star_frame_unknown(star);
    star->t_start_utc_s = book_column_real(row, F_START);
    star->exposure_s = book_column_real(row, F_EXPOSURE);
    star->dec_rad = book_column_real(row, F_DEC);
    star->fwhm_rad = book_column_real(row, F_FWHM) * opts->scale_rad_px;
    star->fwhm_sigma_rad = book_column_real(row, F_SIGMA) * opts->scale_rad_px;
    star->e1 = book_column_real(row, F_E1);
    star->e2 = book_column_real(row, F_E2);
    star->e_sigma = book_column_real(row, F_E_SIGMA);
    place_in_sky(row, opts->rig, star);
}

/* One more in all four arrays. */
static enum nw_status grow(struct nw_book_frames *f, double **steps, size_t caps[4],
                           struct nw_err *err) {
    const struct {
        void **items;
        size_t size;
    } arrays[4] = {{(void **)&f->stars, sizeof *f->stars},
                   {(void **)&f->measures, sizeof *f->measures},
                   {(void **)&f->facts, sizeof *f->facts},
                   {(void **)steps, sizeof **steps}};
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < 4 && status == NW_OK; i++) {
        status = nw_grow(arrays[i].items, &caps[i], f->n + 1, arrays[i].size, MAX_FRAMES, err);
    }
    return status;
}

static enum nw_status take_row(struct nw_book *book, sqlite3_stmt *row,
                               const struct nw_book_frames_opts *opts, struct nw_book_frames *f,
                               struct nw_err *err) {
    char channel[8];
    const int64_t id = sqlite3_column_int64(row, F_ID);
    const size_t at = f->n++;
    take_frame(row, opts, &f->stars[at]);
    take_facts(row, &f->facts[at], &f->measures[at]);
    book_column_text(row, F_CHANNEL, channel, sizeof channel);
    const enum nw_status status =
        read_zones(book, id, channel, opts->scale_rad_px, &f->stars[at], err);
    return status == NW_OK ? book_read_stars(book, id, channel, &f->measures[at], err) : status;
}

enum nw_status nw_book_star_frames(struct nw_book *book, const struct nw_book_frames_opts *opts,
                                   struct nw_book_frames *ret, struct nw_err *err) {
    const struct book_value values[] = {book_text(opts->date),
                                        book_text(opts->filter ? opts->filter : "")};
    struct nw_book_frames f = {.n = 0};
    double *steps = NULL;
    size_t caps[4] = {0};
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = book_prepare(book, FRAMES, values, 2, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = grow(&f, &steps, caps, err);
        if (status == NW_OK) {
            steps[f.n] = book_column_real(statement, F_STEPS);
            status = take_row(book, statement, opts, &f, err);
        }
    }
    (void)sqlite3_finalize(statement);
    if (status == NW_OK) {
        nw_star_since_focus(f.stars, steps, f.n);
        *ret = f;
    } else {
        nw_book_frames_done(&f);
    }
    free(steps);
    return status;
}

void nw_book_frames_done(struct nw_book_frames *frames) {
    for (size_t i = 0; i < frames->n; i++) {
        free(frames->measures[i].stars);
    }
    free(frames->stars);
    free(frames->measures);
    free(frames->facts);
    *frames = (struct nw_book_frames){.n = 0};
}
