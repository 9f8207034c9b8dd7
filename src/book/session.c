/* session.c - what the bias, dark and flat frames of one session say about the camera.
 * Idea: the analyser of `sensor`, on at most a score of frames of each set; hot pixels besides at
 * fixed limits, so that months compare. A session that is too small says why. */
#include <math.h>

#include "book/sets.h"
#include "light/sensor.h"

static const double HOT_LIMITS_E_S[] = {0.1, 0.3, 1.0, 3.0, 10.0};
enum { N_LIMITS = sizeof HOT_LIMITS_E_S / sizeof HOT_LIMITS_E_S[0] };

static enum nw_status read_pixels(void *user, size_t i, struct nw_frame **ret, struct nw_err *err) {
    const struct book_set_frames *const frames = user;
    const struct nw_frame_opts opts = {.keep_16_bit = true, .n_threads = 2};
    return nw_frame_read(frames->headers[i]->path, &opts, ret, err);
}

static enum nw_status analyse(struct book_set_frames *frames, int n_threads, struct nw_sensor *ret,
                              struct nw_err *err) {
    struct nw_sensor_frame *const list = nw_calloc(frames->n + 1, sizeof *list);
    const struct nw_sensor_source source = {.read = read_pixels, .user = frames};
    const struct nw_sensor_opts opts = {.n_threads = n_threads};
    if (!list) {
        return nw_err_set(err, NW_NOMEM, "%zu frames", frames->n);
    }
    for (size_t i = 0; i < frames->n; i++) {
        const struct nw_frame *const h = frames->headers[i];
        list[i] = (struct nw_sensor_frame){
            .path = h->path,
            .use = frames->uses[i],
            .width_px = h->width_px,
            .height_px = h->height_px,
            .data_max_adu = h->data_max_adu,
            .facts = h->facts,
        };
    }
    const enum nw_status status = nw_sensor_analyse(list, frames->n, &source, &opts, ret, err);
    free(list);
    return status;
}

/* ---- Hot pixels ----------------------------------------------------------------------------- */

struct hot {
    size_t n[N_LIMITS];
    bool is_told[N_LIMITS]; /* the limit stands over six sigma of the noise */
};

static double median_of(const struct nw_frame *frame, double *work, size_t n_work) {
    const size_t n = frame->width_px * frame->height_px;
    for (size_t i = 0; i < n_work; i++) {
        work[i] = nw_frame_pixel(frame, (size_t)((double)i / (double)n_work * (double)n));
    }
    return nw_stat_median(work, n_work);
}

/* Over the limit in both: a cosmic ray is in one alone. */
static enum nw_status count_hot(const struct nw_frame *a, const struct nw_frame *b,
                                double gain_e_per_adu, double exposure_s, struct hot *ret,
                                struct nw_err *err) {
    enum { WORK = 20001 };
    double *const work = nw_calloc(WORK, sizeof *work);
    const size_t n = a->width_px * a->height_px;
    if (!work) {
        return nw_err_set(err, NW_NOMEM, "pixels of darks");
    }
    const double level_a = median_of(a, work, WORK);
    const double level_b = median_of(b, work, WORK);
    for (size_t i = 0; i < WORK; i++) {
        const size_t at = (size_t)((double)i / WORK * (double)n);
        work[i] = nw_frame_pixel(a, at) - nw_frame_pixel(b, at);
    }
    const double noise_adu = nw_stat_mad_sigma(work, WORK, NULL) / sqrt(2.0);
    *ret = (struct hot){.n = {0}};
    for (size_t k = 0; k < N_LIMITS; k++) {
        const double limit_adu = HOT_LIMITS_E_S[k] * exposure_s / gain_e_per_adu;
        ret->is_told[k] = limit_adu > 6.0 * fmax(noise_adu, 0.5);
        for (size_t i = 0; i < n && ret->is_told[k]; i++) {
            ret->n[k] += nw_frame_pixel(a, i) - level_a > limit_adu &&
                         nw_frame_pixel(b, i) - level_b > limit_adu;
        }
    }
    free(work);
    return NW_OK;
}

static double temperature_K(const struct nw_frame_facts *facts) {
    return isfinite(facts->set_temperature_K) ? facts->set_temperature_K
                                              : facts->chip_temperature_K;
}

/* Unsaid goes with all. */
static bool is_near_K(double a_K, double b_K) {
    return !(fabs(a_K - b_K) > 1.0);
}

/* Two darks of one exposure, size and temperature. */
static bool is_pair(const struct book_set_frames *frames, size_t i, size_t k, double at_K) {
    const struct nw_frame *const a = frames->headers[i];
    const struct nw_frame *const b = frames->headers[k];
    return frames->uses[i] == NW_USE_DARK && frames->uses[k] == NW_USE_DARK &&
           a->width_px == b->width_px && a->height_px == b->height_px &&
           fabs(a->facts.exposure_s - b->facts.exposure_s) < 0.02 * a->facts.exposure_s &&
           is_near_K(temperature_K(&a->facts), temperature_K(&b->facts)) &&
           is_near_K(temperature_K(&a->facts), at_K);
}

/* The longest such pair at a temperature; false: there is none. */
static bool longest_darks(const struct book_set_frames *frames, double at_K, size_t ret[static 2]) {
    double best_s = 0.0;
    for (size_t i = 0; i < frames->n; i++) {
        for (size_t k = i + 1; k < frames->n; k++) {
            const double exposure_s = frames->headers[i]->facts.exposure_s;
            if (exposure_s > best_s && is_pair(frames, i, k, at_K)) {
                best_s = exposure_s;
                ret[0] = i;
                ret[1] = k;
            }
        }
    }
    return best_s > 0.0;
}

static enum nw_status find_hot(const struct book_set_frames *frames, double gain_e_per_adu,
                               double at_K, struct hot *ret, struct nw_err *err) {
    const struct nw_frame_opts opts = {.keep_16_bit = true, .n_threads = 2};
    struct nw_frame *both[2] = {NULL, NULL};
    size_t at[2] = {0, 0};
    enum nw_status status = NW_OK;
    *ret = (struct hot){.n = {0}};
    if (!(gain_e_per_adu > 0.0) || !longest_darks(frames, at_K, at)) {
        return NW_OK;
    }
    if (nw_frame_read(frames->headers[at[0]]->path, &opts, &both[0], NULL) == NW_OK &&
        nw_frame_read(frames->headers[at[1]]->path, &opts, &both[1], NULL) == NW_OK) {
        status = count_hot(both[0], both[1], gain_e_per_adu,
                           frames->headers[at[0]]->facts.exposure_s, ret, err);
    }
    nw_frame_free(both[0]);
    nw_frame_free(both[1]);
    return status;
}

static enum nw_status write_hot(struct nw_book *book, int64_t result, const struct hot *hot,
                                struct nw_err *err) {
    const struct book_value id = book_int(result);
    enum nw_status status =
        book_run(book, "DELETE FROM hot_pixel_count WHERE result_id = ?1", &id, 1, err);
    for (size_t k = 0; k < N_LIMITS && status == NW_OK; k++) {
        const struct book_value values[] = {id, book_real(HOT_LIMITS_E_S[k]), book_size(hot->n[k])};
        if (hot->is_told[k]) {
            status =
                book_run(book, "INSERT INTO hot_pixel_count VALUES (?1, ?2, ?3)", values, 3, err);
        }
    }
    return status;
}

/* ---- The row -------------------------------------------------------------------------------- */

static enum nw_status write_result(struct nw_book *book, int64_t result, const struct nw_sensor *s,
                                   const char *why, struct nw_err *err) {
    static const struct nw_sensor_dark NO_DARK = {
        .temperature_K = NAN, .longest_s = NAN, .dark_e_s = {.v = NAN, .sigma = NAN}};
    const struct nw_sensor_dark *const d = s && s->n_darks > 0 ? &s->darks[s->main_dark] : &NO_DARK;
    const struct {
        const char *name;
        double value;
    } columns[] = {
        {"gain_e_per_adu", s ? s->gain_e_per_adu.v : NAN},
        {"gain_sigma_e_per_adu", s ? s->gain_e_per_adu.sigma : NAN},
        {"read_noise_e", s ? s->read_noise_e.v : NAN},
        {"read_noise_sigma_e", s ? s->read_noise_e.sigma : NAN},
        {"offset_adu", s ? s->offset_adu.v : NAN},
        {"offset_sigma_adu", s ? s->offset_adu.sigma : NAN},
        {"offset_drift_e", s ? s->offset_drift_e.v : NAN},
        {"full_scale_e", s ? s->full_scale_e.v : NAN},
        {"full_scale_sigma_e", s ? s->full_scale_e.sigma : NAN},
        {"nonlinearity", s ? s->nonlinearity_percent.v / 100.0 : NAN},
        {"prnu", s ? s->prnu_percent.v / 100.0 : NAN},
        {"row_noise_e", s ? s->row_noise_e.v : NAN},
        {"column_noise_e", s ? s->column_noise_e.v : NAN},
        {"dark_e_s", d->dark_e_s.v},
        {"dark_sigma_e_s", d->dark_e_s.sigma},
        {"dark_temperature_K", d->temperature_K},
        {"dark_exposure_s", d->longest_s},
        {"doubling_K", s ? s->doubling_K.v : NAN},
        {"doubling_sigma_K", s ? s->doubling_K.sigma : NAN},
        {"hot_pixels", s ? s->hot_pixels.v : NAN},
        {"hot_above_e_s", s ? s->hot_above_e_s : NAN},
    };
    enum { N = sizeof columns / sizeof columns[0] };
    struct book_value values[N + 5];
    struct nw_buf sql;
    nw_buf_init(&sql, 4096);
    nw_buf_printf(&sql, "UPDATE sensor_result SET is_stale = 0, why_null = ?2, n_bias = ?3, n_dark "
                        "= ?4, n_flat = ?5");
    values[0] = book_int(result);
    values[1] = book_text(why);
    values[2] = book_size(s ? s->n_bias : 0);
    values[3] = book_size(s ? s->n_dark : 0);
    values[4] = book_size(s ? s->n_flat : 0);
    for (size_t i = 0; i < N; i++) {
        nw_buf_printf(&sql, ", %s = ?%zu", columns[i].name, i + 6);
        values[i + 5] = book_real(columns[i].value);
    }
    nw_buf_printf(&sql, " WHERE id = ?1");
    const enum nw_status status = nw_buf_failed(&sql)
                                      ? nw_err_set(err, NW_NOMEM, "row of sensor_result")
                                      : book_run(book, sql.data, values, N + 5, err);
    nw_buf_done(&sql);
    return status;
}

/* A score of frames of each set of the session, in order of kind and time. */
static const char FRAMES[] =
    "WITH ranked AS (SELECT frame.id, min(path) AS path, frame.use, row_number() OVER (PARTITION "
    "BY calibration_set_id ORDER BY t_start_utc_s, frame.id) AS rank FROM sensor_result AS r JOIN "
    "calibration_set AS s ON s.night_id IS r.night_id AND s.train_id = r.train_id AND "
    "s.gain_setting IS r.gain_setting AND s.offset_setting IS r.offset_setting JOIN frame ON "
    "calibration_set_id = s.id JOIN place ON place.content_id = frame.content_id WHERE r.id = ?1 "
    "GROUP BY frame.id) SELECT id, path FROM ranked WHERE rank <= 20 ORDER BY use, id";

/* The gain that was found, else that of the headers. */
static double gain_of(const struct nw_sensor *sensor, const struct book_set_frames *frames) {
    const bool is_found = sensor && isfinite(sensor->gain_e_per_adu.v);
    return is_found        ? sensor->gain_e_per_adu.v
           : frames->n > 0 ? frames->headers[0]->facts.gain_e_per_adu
                           : NAN;
}

static enum nw_status write_session(struct nw_book *book, int64_t result,
                                    const struct nw_sensor *sensor, const char *why,
                                    const struct hot *hot, struct nw_err *err) {
    enum nw_status status = book_begin(book, err);
    status = status == NW_OK ? write_result(book, result, sensor, why, err) : status;
    status = status == NW_OK ? write_hot(book, result, hot, err) : status;
    status = status == NW_OK ? book_commit(book, err) : status;
    book_rollback(book);
    return status;
}

enum nw_status book_measure_session(struct nw_book *book, int64_t result, int n_threads,
                                    struct nw_err *err) {
    const struct book_value id = book_int(result);
    struct book_set_frames frames = {.n = 0};
    struct nw_sensor *const sensor = nw_calloc(1, sizeof *sensor);
    struct nw_err why = {0};
    struct hot hot = {.n = {0}};
    enum nw_status told = NW_OK;
    enum nw_status status = sensor ? book_read_set_frames(book, FRAMES, &id, 1, &frames, err)
                                   : nw_err_set(err, NW_NOMEM, "sensor");
    if (status == NW_OK) {
        told = frames.n == 0 ? nw_err_set(&why, NW_DATA, "the files are no longer where they were")
                             : analyse(&frames, n_threads, sensor, &why);
        status = told == NW_NOMEM ? nw_err_set(err, told, "%s", why.text) : NW_OK;
    }
    const struct nw_sensor *const found = told == NW_OK ? sensor : NULL;
    if (status == NW_OK) {
        const double at_K =
            found && found->n_darks > 0 ? found->darks[found->main_dark].temperature_K : NAN;
        status = find_hot(&frames, gain_of(found, &frames), at_K, &hot, err);
    }
    if (status == NW_OK) {
        status = write_session(book, result, found, found ? "" : why.text, &hot, err);
    }
    book_set_frames_done(&frames);
    free(sensor);
    return status;
}
