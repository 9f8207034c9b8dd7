/* logs.c - one guide log into the book: each of its runs with its analysis and its samples.
 * Idea: the samples stay (32 bytes each), so that a later program can analyse them anew without the
 * file; what the present one found stands beside them in columns. */
#include <math.h>
#include <stddef.h>

#include "book/book_internal.h"

enum { AXIS_VALUES = 9, EVENT_BYTES = 1 << 22 };

enum nw_status book_read_log(const char *path, const struct nw_book_add_opts *opts,
                             struct book_log *ret, struct nw_err *err) {
    struct book_log log = {0};
    enum nw_status status = nw_guide_read_runs(path, opts->layouts, &log.runs, err);
    if (status != NW_OK) {
        return status;
    }
    log.results = log.runs ? nw_calloc(log.runs->n, sizeof *log.results) : NULL;
    if (!log.results) {
        book_log_done(&log);
        return nw_err_set(err, NW_NOMEM, "%s: its runs", path);
    }
    const struct nw_guide_opts guide_opts = {
        .sub_length_s = opts->sub_length_s, .noise_floor_rad = NAN, .is_loop_only = false};
    for (size_t i = 0; i < log.runs->n; i++) {
        struct nw_guide_result *const result = &log.results[i];
        struct nw_err why = {0};
        if (nw_guide_analyse(log.runs->items[i].log, &guide_opts, &result->analysis, &why) !=
            NW_OK) { /* the run stays, with its reason */
            nw_text_copy(result->why, sizeof result->why, why.text);
        }
    }
    *ret = log;
    return NW_OK;
}

void book_log_done(struct book_log *log) {
    for (size_t i = 0; log->results && log->runs && i < log->runs->n; i++) {
        nw_guide_analysis_free(log->results[i].analysis);
    }
    free(log->results);
    nw_guide_runs_free(log->runs);
    *log = (struct book_log){0};
}

/* NULL when memory is out. */
static unsigned char *pack_samples(const struct nw_guide_log *log) {
    unsigned char *const bytes = nw_calloc(log->n + 1, BOOK_SAMPLE_BYTES);
    for (size_t i = 0; bytes && i < log->n; i++) {
        const struct nw_guide_row *const row = &log->rows[i];
        unsigned char *const to = bytes + BOOK_SAMPLE_BYTES * i;
        uint64_t bits = 0;
        memcpy(&bits, &row->t_s, sizeof bits);
        book_put_bits(to, bits, 8);
        book_put_float(to + 8, row->ra_rad);
        book_put_float(to + 12, row->dec_rad);
        book_put_float(to + 16, row->ra_pulse_s);
        book_put_float(to + 20, row->dec_pulse_s);
        book_put_float(to + 24, row->lock_x_px);
        book_put_float(to + 28, row->lock_y_px);
    }
    return bytes;
}

/* Dithers that the analysis found without being told stand among the events as if they had been
 * told: nothing else is kept of how they showed. */
static void write_events(const struct nw_guide_log *log, const struct nw_guide_analysis *a,
                         struct nw_buf *to) {
    nw_buf_printf(to, "%s", "");
    const double start_s = log->n > 0 ? log->rows[0].t_s : 0.0;
    for (const char *at = log->settings; *at != '\0'; at += strcspn(at, "\n") + 1) {
        nw_buf_printf(to, "%.6f " BOOK_HEADER_EVENT "%.*s\n", start_s, (int)strcspn(at, "\n"), at);
    }
    for (size_t i = 0; i < log->n; i++) {
        if (log->rows[i].is_event) {
            nw_buf_printf(to, "%.6f %s\n", log->rows[i].t_s, log->rows[i].event);
        }
    }
    bool is_told = false;
    for (size_t i = 0; i < log->n && !is_told; i++) {
        is_told = log->rows[i].is_event && strstr(log->rows[i].event, "dither");
    }
    for (size_t i = 0; a && !is_told && i < a->n_dithers; i++) {
        nw_buf_printf(to, "%.6f dither\n%.6f settled\n", a->dithers[i].start_s,
                      a->dithers[i].end_s);
    }
}

static size_t put_axis(struct book_value *to, const struct nw_guide_axis *axis) {
    static const struct nw_guide_axis NOTHING = {
        .rms_logged_rad = NAN,
        .noise_rad = NAN,
        .motion_in_sub_rad = NAN,
        .motion_low_rad = NAN,
        .motion_high_rad = NAN,
        .drift_rad_s = NAN,
        .drift_sigma_rad_s = NAN,
        .response = NAN,
        .response_sigma = NAN,
    };
    const struct nw_guide_axis *const a = axis ? axis : &NOTHING;
    const double values[AXIS_VALUES] = {
        a->rms_logged_rad,    a->noise_rad,       a->motion_in_sub_rad,
        a->motion_low_rad,    a->motion_high_rad, a->drift_rad_s,
        a->drift_sigma_rad_s, a->response,        a->response_sigma,
    };
    for (size_t i = 0; i < AXIS_VALUES; i++) {
        to[i] = book_real(values[i]);
    }
    return AXIS_VALUES;
}

/* What the analysis found, in the order of the columns from duration_s on. */
static size_t put_analysis(struct book_value *to, const struct nw_guide_log *log,
                           const struct nw_guide_analysis *a) {
    const struct nw_guide_period *const worm = a && a->worm.n > 0 ? &a->worm.periods[0] : NULL;
    size_t n = 0;
    to[n++] = book_real(a ? a->duration_s : NAN);
    to[n++] = book_real(a ? a->interval_s : NAN);
    to[n++] = book_real(log->exposure_s);
    to[n++] = book_real(log->declination_rad);
    to[n++] = book_real(log->hour_angle_rad);
    to[n++] = book_real(log->latitude_rad);
    to[n++] = book_real(log->guide_scale_rad_px);
    to[n++] = book_real(log->ra_rate_rad_s);
    to[n++] = book_real(log->dec_rate_rad_s);
    to[n++] = book_real(log->worm_period_s);
    to[n++] = book_int(log->pulse_acts);
    to[n++] = book_int(log->is_dec_sign_known);
    to[n++] = book_size(log->n);
    to[n++] = book_size(a ? a->n_used : 0);
    to[n++] = book_size(a ? a->n_dithers : 0);
    to[n++] = book_size(a ? a->n_bursts : 0);
    to[n++] = book_size(a ? a->n_gaps : 0);
    to[n++] = book_real(a ? a->total_rms_logged_rad : NAN);
    n += put_axis(to + n, a ? &a->ra : NULL);
    n += put_axis(to + n, a ? &a->dec : NULL);
    to[n++] = book_real(worm && a->worm.is_at_axis ? worm->period_s : NAN);
    to[n++] = book_real(worm && a->worm.is_at_axis ? worm->amplitude_rad : NAN);
    to[n++] = book_real(worm && a->worm.is_at_axis ? worm->amplitude_sigma_rad : NAN);
    to[n++] = book_real(a && a->backlash.is_identified ? a->backlash.gap_s : NAN);
    return n;
}

static enum nw_status write_run(struct nw_book *book, int64_t content_id,
                                const struct book_log *log, size_t i, double longitude_rad,
                                struct nw_err *err) {
    enum { BEFORE = 6, VALUES = BEFORE + 18 + 2 * AXIS_VALUES + 4 + 2 };
    const struct nw_guide_log *const run = log->runs->items[i].log;
    const double start_s = run->has_dates && run->n > 0 ? run->rows[0].t_s : NAN;
    struct book_value values[VALUES];
    unsigned char *const samples = pack_samples(run);
    struct nw_buf events;
    nw_buf_init(&events, EVENT_BYTES);
    write_events(run, log->results[i].analysis, &events);
    enum nw_status status = samples && !nw_buf_failed(&events)
                                ? NW_OK
                                : nw_err_set(err, NW_NOMEM, "%zu samples", run->n);
    if (status == NW_OK) {
        status = book_night_id(book, start_s, longitude_rad, &values[2], err);
    }
    values[0] = book_int(content_id);
    values[1] = book_size(i + 1);
    values[3] = book_text(log->results[i].why);
    values[4] = book_text(run->tube_side);
    values[5] = book_real(start_s);
    size_t n = BEFORE;
    n += put_analysis(values + n, run, log->results[i].analysis);
    values[n++] = book_text(events.data);
    values[n++] = book_blob(samples, run->n * BOOK_SAMPLE_BYTES);
    if (status == NW_OK) {
        status =
            book_run(book,
                     "INSERT INTO guide_run VALUES (NULL, ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, "
                     "?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23, ?24, ?25, "
                     "?26, ?27, ?28, ?29, ?30, ?31, ?32, ?33, ?34, ?35, ?36, ?37, ?38, ?39, ?40, "
                     "?41, ?42, ?43, ?44, ?45, ?46, ?47, ?48)",
                     values, n, err);
    }
    free(samples);
    nw_buf_done(&events);
    return status;
}

/* Of the newest frame that says where it was taken: logs do not. */
static enum nw_status last_longitude(struct nw_book *book, double *ret, struct nw_err *err) {
    sqlite3_stmt *statement = NULL;
    bool is_row = false;
    enum nw_status status = book_prepare(
        book,
        "SELECT longitude_rad FROM frame WHERE longitude_rad IS NOT NULL ORDER BY id DESC "
        "LIMIT 1",
        NULL, 0, &statement, err);
    if (status == NW_OK) {
        status = book_step(book, statement, &is_row, err);
    }
    if (status == NW_OK && is_row) {
        *ret = book_column_real(statement, 0);
    }
    (void)sqlite3_finalize(statement);
    return status;
}

enum nw_status book_longitude(struct nw_book *book, const struct nw_book_add_opts *opts,
                              double *ret_rad, struct nw_err *err) {
    *ret_rad = opts->longitude_rad;
    return isfinite(*ret_rad) ? NW_OK : last_longitude(book, ret_rad, err);
}

enum nw_status book_write_log(struct nw_book *book, int64_t content_id, const struct book_log *log,
                              const struct nw_book_add_opts *opts, struct nw_book_added *added,
                              struct nw_err *err) {
    double longitude_rad = NAN;
    enum nw_status status = book_longitude(book, opts, &longitude_rad, err);
    for (size_t i = 0; i < log->runs->n && status == NW_OK; i++) {
        status = write_run(book, content_id, log, i, longitude_rad, err);
        added->n_runs += status == NW_OK ? 1 : 0;
    }
    return status;
}
