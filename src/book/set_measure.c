/* set_measure.c - what the frames of a calibration set say: level, noise, evenness, dust.
 * Idea: the first frames of a set stand for it (they are alike); pixels are read once, sampled, and
 * dropped. A set whose files are gone stays without numbers. */
#include <math.h>

#include "book/sets.h"
#include "light/panel.h"

enum { LOOKED_AT = 8, SAMPLE = 40000, MAX_SET_FRAMES = 400, MAX_SETS = 100000 };
static const double QUIET_S = 1800.0;
static const double CLIP = 4.0;        /* sigmas */
static const double SAME_LEVEL = 0.05; /* of two frames whose difference is noise */

/* ---- Frames of a statement ------------------------------------------------------------------ */

void book_set_frames_done(struct book_set_frames *frames) {
    for (size_t i = 0; i < frames->n; i++) {
        nw_frame_free(frames->headers[i]);
    }
    free(frames->headers);
    free(frames->uses);
    *frames = (struct book_set_frames){.n = 0};
}

enum nw_status book_read_set_frames(struct nw_book *book, const char *sql,
                                    const struct book_value *values, size_t n_values,
                                    struct book_set_frames *ret, struct nw_err *err) {
    const struct nw_frame_opts header = {.header_only = true};
    struct book_set_frames frames = {
        .headers = nw_calloc(MAX_SET_FRAMES, sizeof(struct nw_frame *)),
        .uses = nw_calloc(MAX_SET_FRAMES, sizeof(enum nw_frame_use)),
    };
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    enum nw_status status = frames.headers && frames.uses
                                ? book_prepare(book, sql, values, n_values, &statement, err)
                                : nw_err_set(err, NW_NOMEM, "frames of a set");
    while (status == NW_OK && frames.n < MAX_SET_FRAMES) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        char path[4096];
        book_column_text(statement, 1, path, sizeof path);
        if (nw_frame_read(path, &header, &frames.headers[frames.n], NULL) == NW_OK) {
            frames.uses[frames.n] = nw_frame_use_of(&frames.headers[frames.n]->facts);
            frames.n++;
        }
    }
    (void)sqlite3_finalize(statement);
    if (status == NW_OK) {
        *ret = frames;
    } else {
        book_set_frames_done(&frames);
    }
    return status;
}

/* ---- Numbers -------------------------------------------------------------------------------- */

struct numbers {
    double level_adu, level_scatter_adu, noise_adu, corner_to_middle, n_shadows;
};

/* Every k-th pixel of the first plane, k odd against patterns of 2 x 2. */
static void sample(const struct nw_frame *frame, float *to) {
    const size_t n = frame->width_px * frame->height_px;
    for (size_t i = 0; i < SAMPLE; i++) {
        to[i] = (float)nw_frame_pixel(frame, (size_t)((double)i / SAMPLE * (double)n));
    }
}

/* Levels of the frames, clipped means; of neighbours of one level the noise of a pixel: the clipped
 * scatter of their difference over sqrt 2. Medians would come in whole counts. */
struct looker {
    float *now, *before;
    double *work;
    double levels[LOOKED_AT], noises[LOOKED_AT];
    size_t n, n_noises;
};

static void look_at(struct looker *l, const struct nw_frame *frame) {
    float *const swap = l->before;
    l->before = l->now;
    l->now = swap;
    sample(frame, l->now);
    for (size_t i = 0; i < SAMPLE; i++) {
        l->work[i] = (double)l->now[i];
    }
    l->levels[l->n] = nw_stat_clipped_mean(l->work, SAMPLE, CLIP, NULL, NULL);
    const double step = l->n > 0 ? l->levels[l->n] - l->levels[l->n - 1] : NAN;
    if (fabs(step) <= SAME_LEVEL * l->levels[l->n]) {
        double scatter = NAN;
        for (size_t i = 0; i < SAMPLE; i++) {
            l->work[i] = (double)l->now[i] - (double)l->before[i];
        }
        (void)nw_stat_clipped_mean(l->work, SAMPLE, CLIP, &scatter, NULL);
        l->noises[l->n_noises++] = scatter / sqrt(2.0);
    }
    l->n++;
}

static double corner_of(const double zones[static NW_FLAT_N_ZONES]) {
    static const size_t CORNERS[] = {0, NW_FLAT_ZONES - 1, NW_FLAT_N_ZONES - NW_FLAT_ZONES,
                                     NW_FLAT_N_ZONES - 1};
    double least = zones[0];
    for (size_t k = 1; k < 4; k++) {
        least = fmin(least, zones[CORNERS[k]]);
    }
    return least;
}

static enum nw_status measure(const struct book_set_frames *frames, bool is_flat, double offset_adu,
                              struct numbers *ret, struct nw_err *err) {
    const struct nw_frame_opts opts = {.keep_16_bit = true, .n_threads = 2};
    struct looker l = {.now = nw_calloc(SAMPLE, sizeof(float)),
                       .before = nw_calloc(SAMPLE, sizeof(float)),
                       .work = nw_calloc(SAMPLE, sizeof(double))};
    struct nw_flat_map map = {.px = NULL};
    double corners = 0.0;
    size_t n_flats = 0;
    enum nw_status status =
        l.now && l.before && l.work ? NW_OK : nw_err_set(err, NW_NOMEM, "pixels of a set");
    for (size_t i = 0; i < frames->n && l.n < LOOKED_AT && status == NW_OK; i++) {
        struct nw_frame *frame = NULL;
        struct nw_flat flat;
        const struct nw_frame *const header = frames->headers[i];
        if (nw_frame_read(header->path, &opts, &frame, NULL) != NW_OK) {
            continue; /* gone or cut: the others speak */
        }
        if (frame->width_px * frame->height_px >= 64) {
            look_at(&l, frame);
        }
        if (is_flat && isfinite(offset_adu) &&
            nw_flat_measure(frame, offset_adu, header->facts.bayer, &map, &flat, NULL) == NW_OK) {
            corners += corner_of(flat.zones);
            n_flats++;
        }
        nw_frame_free(frame);
    }
    struct nw_shadow shadows[NW_FLAT_SHADOWS];
    size_t n_shadows = 0;
    const bool has_dust = n_flats > 0 && nw_flat_shadows(&map, shadows, &n_shadows, NULL) == NW_OK;
    const double mean = nw_stat_mean(l.levels, l.n);
    *ret = (struct numbers){
        .level_adu = l.n > 0 ? mean : NAN,
        .level_scatter_adu = nw_stat_sd(l.levels, l.n, mean),
        .noise_adu = l.n_noises > 0 ? nw_stat_median(l.noises, l.n_noises) : NAN,
        .corner_to_middle = n_flats > 0 ? corners / (double)n_flats : NAN,
        .n_shadows = has_dust ? (double)n_shadows : NAN,
    };
    nw_flat_map_done(&map);
    free(l.now);
    free(l.before);
    free(l.work);
    return status;
}

/* ---- Sets ----------------------------------------------------------------------------------- */

/* Of the biases of the same camera, gain and offset that were measured nearest in time; NaN. */
static enum nw_status offset_for(struct nw_book *book, int64_t set, double *ret,
                                 struct nw_err *err) {
    const struct book_value value = book_int(set);
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status = book_prepare(
        book,
        "SELECT b.level_adu FROM calibration_set AS s JOIN calibration_set AS b ON b.kind = 'bias' "
        "AND b.train_id = s.train_id AND b.gain_setting IS s.gain_setting AND b.offset_setting IS "
        "s.offset_setting AND b.binning IS s.binning AND b.level_adu IS NOT NULL WHERE s.id = ?1 "
        "ORDER BY abs(coalesce(b.first_utc_s - s.first_utc_s, 0)) LIMIT 1",
        &value, 1, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    *ret = status == NW_OK && is_row ? book_column_real(statement, 0) : NAN;
    (void)sqlite3_finalize(statement);
    return status;
}

static enum nw_status measure_set(struct nw_book *book, int64_t set, bool is_flat,
                                  struct nw_err *err) {
    const struct book_value id = book_int(set);
    struct book_set_frames frames = {.n = 0};
    struct numbers numbers;
    double offset_adu = NAN;
    enum nw_status status = book_read_set_frames(
        book,
        "SELECT frame.id, path FROM frame JOIN place ON place.content_id = frame.content_id WHERE "
        "calibration_set_id = ?1 GROUP BY frame.id ORDER BY t_start_utc_s, frame.id LIMIT 8",
        &id, 1, &frames, err);
    if (status == NW_OK && is_flat) {
        status = offset_for(book, set, &offset_adu, err);
    }
    if (status == NW_OK) {
        status = measure(&frames, is_flat, offset_adu, &numbers, err);
    }
    book_set_frames_done(&frames);
    if (status != NW_OK) {
        return status;
    }
    const struct book_value values[] = {id,
                                        book_real(numbers.level_adu),
                                        book_real(numbers.level_scatter_adu),
                                        book_real(numbers.noise_adu),
                                        book_real(numbers.corner_to_middle),
                                        book_real(numbers.n_shadows)};
    return book_run(book,
                    "UPDATE calibration_set SET is_stale = 0, level_adu = ?2, level_scatter_adu = "
                    "?3, noise_adu = ?4, corner_to_middle = ?5, n_shadows = CAST(?6 AS INTEGER) "
                    "WHERE id = ?1",
                    values, 6, err);
}

static enum nw_status list_stale(struct nw_book *book, const char *sql, double now_s, int64_t **ret,
                                 size_t *ret_n, struct nw_err *err) {
    const struct book_value values[] = {book_real(now_s), book_real(QUIET_S)};
    sqlite3_stmt *statement = NULL;
    bool is_row = true;
    size_t cap = 0;
    enum nw_status status = book_prepare(book, sql, values, 2, &statement, err);
    while (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
        if (status != NW_OK || !is_row) {
            break;
        }
        status = nw_grow((void **)ret, &cap, *ret_n + 1, sizeof **ret, MAX_SETS, err);
        if (status == NW_OK) {
            (*ret)[(*ret_n)++] = sqlite3_column_int64(statement, 0);
        }
    }
    (void)sqlite3_finalize(statement);
    return status;
}

/* Biases first, flats last: their offset comes from biases. A session in the making waits. */
static const char STALE_SETS[] =
    "SELECT id FROM calibration_set WHERE is_stale AND NOT coalesce(?1 - last_utc_s BETWEEN 0 AND "
    "?2, 0) ORDER BY kind, id";
static const char STALE_SESSIONS[] =
    "SELECT id FROM sensor_result AS r WHERE is_stale AND NOT EXISTS (SELECT 1 FROM "
    "calibration_set AS s WHERE s.night_id IS r.night_id AND s.train_id = r.train_id AND "
    "coalesce(?1 - s.last_utc_s BETWEEN 0 AND ?2, 0)) ORDER BY id";

enum nw_status book_measure_sets(struct nw_book *book, const struct nw_book_add_opts *opts,
                                 const struct nw_progress *progress, struct nw_err *err) {
    int64_t *sets = NULL;
    int64_t *sessions = NULL;
    size_t n_sets = 0;
    size_t n_sessions = 0;
    bool is_stopped = false;
    enum nw_status status = list_stale(book, STALE_SETS, opts->now_utc_s, &sets, &n_sets, err);
    status = status == NW_OK
                 ? list_stale(book, STALE_SESSIONS, opts->now_utc_s, &sessions, &n_sessions, err)
                 : status;
    const size_t n_all = n_sets + n_sessions;
    for (size_t i = 0; i < n_all && status == NW_OK && !is_stopped; i++) {
        if (i < n_sets) {
            const struct book_value id = book_int(sets[i]);
            int64_t is_flat = 0;
            status = book_int_of(book, "SELECT kind = 'flat' FROM calibration_set WHERE id = ?1",
                                 &id, 1, &is_flat, err);
            status = status == NW_OK ? measure_set(book, sets[i], is_flat != 0, err) : status;
        } else {
            status = book_measure_session(book, sessions[i - n_sets], opts->n_threads, err);
        }
        is_stopped = progress && progress->tell && !progress->tell(progress->user, i + 1, n_all);
    }
    free(sets);
    free(sessions);
    return status;
}
