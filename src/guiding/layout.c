/* layout.c - a text log, laid out as its owner described, into runs.
 * Idea: one pass over the lines. Every line is one of: start of a run, stop, event, row, headings,
 * "name: value", or nothing. What stands outside of runs holds for all that follow, what stands in
 * a run for that run alone. Rows and events are kept as they come; layout_finish.c then gives them
 * units and signs. Holds: rows of a run are in order of time. */
#include <math.h>

#include "guiding/layout_internal.h"

/* ---- Runs ---- */

static void end_run(struct layout_reader *r, size_t last_line) {
    if (r->run) {
        const bool has_start = r->is_clock_set && r->clock.has_start && r->clock.has_dates;
        r->run->last_line = last_line;
        r->run->start_s = has_start ? r->clock.start_utc_s : NAN;
    }
    r->run = NULL;
}

static enum nw_status begin_run(struct layout_reader *r, struct layout_text start) {
    void *items = r->runs->items;
    enum nw_status status = nw_grow(&items, &r->runs_cap, r->runs->n + 1, sizeof *r->runs->items,
                                    NW_GUIDE_MAX_RUNS, r->err);
    if (status != NW_OK) {
        return nw_err_at(r->err, status, "%s:%zu: runs", r->name, r->line);
    }
    r->runs->items = items;
    struct nw_guide_log *const log = nw_calloc(1, sizeof *log);
    char *const path = nw_strdup(r->name);
    if (!log || !path) {
        free(log);
        free(path);
        return nw_err_set(r->err, NW_NOMEM, "a guide log");
    }
    log->path = path;
    r->run = &r->runs->items[r->runs->n++];
    *r->run = (struct nw_guide_run){.log = log, .first_line = r->line};
    memcpy(r->run->header_text, r->outside.text, sizeof r->outside.text);
    memcpy(r->run->header_line, r->outside.line, sizeof r->outside.line);
    nw_layout_copy(r->start, sizeof r->start, start);
    r->rows_cap = 0;
    r->is_clock_set = false;
    return NW_OK;
}

/* ---- Lines that are no rows ---- */

/* Lines that the owner wants to hear about when they change. */
static void read_settings(struct layout_reader *r, struct layout_text line) {
    const char *at = r->layout->settings;
    while (r->run && *at != '\0') {
        char name[sizeof r->layout->settings];
        at += strspn(at, ", ");
        const size_t len = strcspn(at, ",");
        nw_text_copy(name, len + 1 < sizeof name ? len + 1 : sizeof name, at);
        struct layout_text value = len > 0 ? nw_layout_value(line, name) : (struct layout_text){0};
        for (size_t i = 0; i < value.len; i++) { /* several may stand in a line */
            value.len = strchr(",;", value.at[i]) ? i : value.len;
        }
        if (value.len > 0) {
            guide_add_setting(r->run->log, name, value.at, value.len);
        }
        at += len;
    }
}

static void read_header(struct layout_reader *r, struct layout_text line) {
    read_settings(r, line);
    for (size_t h = 0; h < NW_LOG_N_HEADERS; h++) {
        const struct nw_log_field *const f = &r->layout->header[h];
        const struct layout_text value =
            f->is_given ? nw_layout_value(line, f->name.name) : (struct layout_text){0};
        if (value.len == 0) {
            continue;
        }
        if (!r->run) {
            nw_layout_copy(r->outside.text[h], sizeof r->outside.text[h], value);
            r->outside.line[h] = r->line;
        } else if (r->run->header_line[h] < r->run->first_line) { /* the first one of the run */
            nw_layout_copy(r->run->header_text[h], sizeof r->run->header_text[h], value);
            r->run->header_line[h] = r->line;
        }
    }
}

/* Takes a line as headings when all described ones are in it; a mark of comments in front of them
 * is no part of the first. */
static bool read_headings(struct layout_reader *r, struct layout_text line) {
    struct layout_cells cells;
    struct layout_columns columns;
    size_t n_found = 0;
    const char *missing = NULL;
    while (line.len > 0 && strchr("#;%/ \t", *line.at) && *line.at != '\0') {
        line.at++;
        line.len--;
    }
    nw_layout_split(r->layout, line, &cells);
    if (nw_layout_bind(r->layout, &cells, &columns, &n_found, &missing)) {
        r->columns = columns;
        r->is_bound = true;
        r->runs->names_line = r->line;
        for (size_t c = 0; c < NW_LOG_N_COLUMNS; c++) {
            struct nw_guide_column_use *const use = &r->runs->columns[c];
            use->heading[0] = '\0';
            if (columns.main[c] >= 0 && (size_t)columns.main[c] < cells.n) {
                nw_layout_copy(use->heading, sizeof use->heading, cells.items[columns.main[c]]);
            }
        }
        return true;
    }
    if (n_found > r->best_found) {
        char texts[LAYOUT_CELLS_MAX][48];
        const char *names[LAYOUT_CELLS_MAX];
        for (size_t i = 0; i < cells.n; i++) {
            nw_layout_copy(texts[i], sizeof texts[i], cells.items[i]);
            names[i] = texts[i];
        }
        const char *const near = nw_text_nearest(missing, names, cells.n);
        r->best_found = n_found;
        r->best_line = r->line;
        nw_text_copy(r->best_missing, sizeof r->best_missing, missing);
        nw_text_copy(r->best_near, sizeof r->best_near, near ? near : "");
    }
    return false;
}

/* ---- Rows ---- */

static void reject(struct nw_guide_run *run, size_t line, const char *reason) {
    run->n_rejected++;
    if (run->n_rejects < NW_GUIDE_MAX_REJECTS) {
        struct nw_guide_reject *const item = &run->rejects[run->n_rejects++];
        item->line = line;
        nw_text_copy(item->reason, sizeof item->reason, reason);
    }
}

static enum nw_status add_row(struct layout_reader *r, const struct nw_guide_row *row) {
    struct nw_guide_log *const log = r->run->log;
    void *rows = log->rows;
    const enum nw_status status =
        nw_grow(&rows, &r->rows_cap, log->n + 1, sizeof *log->rows, LAYOUT_LINES_MAX, r->err);
    if (status != NW_OK) {
        return status;
    }
    if (log->n == 0) {
        log->has_dates = r->clock.has_dates;
        log->has_zone = r->clock.is_zoned;
    }
    log->rows = rows;
    log->rows[log->n++] = *row;
    r->clock.last_utc_s = row->t_s;
    return NW_OK;
}

/* ---- Events ---- */

/* The first pattern that fits; -1 for none. *ret_time: its {time}. */
static int event_of(const struct nw_log_layout *layout, struct layout_text line,
                    struct layout_text *ret_time) {
    for (int e = 0; e < NW_LOG_N_EVENTS; e++) {
        *ret_time = (struct layout_text){"", 0};
        if (layout->events[e][0] != '\0' && nw_pattern_matches(layout->events[e], line.at, line.len,
                                                               &ret_time->at, &ret_time->len)) {
            return e;
        }
    }
    return -1;
}

static void mark(struct nw_guide_run *run, struct nw_guide_row *row, int event) {
    nw_text_copy(row->event, sizeof row->event, nw_log_event_key((enum nw_log_event)event));
    row->is_event = true;
    run->n_events++;
    if (event == NW_LOG_EVENT_LOST) {
        row->ra_rad = NAN;
        row->dec_rad = NAN;
    }
}

/* A line that is an event and no row: its own time, or that of the row above. */
static enum nw_status add_event(struct layout_reader *r, int event, struct layout_text time) {
    const struct nw_guide_log *const log = r->run->log;
    char reason[120] = "";
    struct nw_guide_row row = {.ra_rad = NAN,
                               .dec_rad = NAN,
                               .snr = NAN,
                               .lock_x_px = NAN,
                               .lock_y_px = NAN,
                               .line = r->line};
    row.ra_pulse_s = r->layout->columns[NW_LOG_COLUMN_RA_PULSE].is_given ? 0.0 : NAN;
    row.dec_pulse_s = r->layout->columns[NW_LOG_COLUMN_DEC_PULSE].is_given ? 0.0 : NAN;
    const double last_s = log->n > 0 ? log->rows[log->n - 1].t_s : NAN;
    bool is_timed =
        time.len > 0 && nw_layout_set_clock(r, reason) &&
        nw_layout_clock_read(&r->clock, time, (struct layout_text){"", 0}, &row.t_s, reason);
    if (time.len > 0 && !is_timed) {
        reject(r->run, r->line, reason);
    }
    if (!is_timed || row.t_s < last_s) {
        row.t_s = last_s; /* written late, or without a time */
    }
    if (!isfinite(row.t_s)) {
        return NW_OK; /* before the first row: nothing to dither yet */
    }
    mark(r->run, &row, event);
    return add_row(r, &row);
}

static bool looks_like_row(const struct nw_log_layout *layout, struct layout_text line) {
    if (layout->row[0] != '\0') {
        return nw_pattern_matches(layout->row, line.at, line.len, NULL, NULL);
    }
    size_t i = 0;
    while (i < line.len && (line.at[i] == ' ' || line.at[i] == '\t')) {
        i++;
    }
    return i < line.len && strchr("0123456789+-.\"", line.at[i]) != NULL && line.at[i] != '\0';
}

/* A line inside a run: row, event, or something else. */
static enum nw_status read_line(struct layout_reader *r, struct layout_text line) {
    struct layout_text time = {"", 0};
    struct nw_guide_row row;
    char note[48];
    char reason[120];
    int event = event_of(r->layout, line, &time);
    const bool is_row = r->is_bound && looks_like_row(r->layout, line);
    if (is_row && nw_layout_row(r, line, &row, note, reason)) {
        struct layout_text unused;
        if (event < 0 && note[0] != '\0') {
            event = event_of(r->layout, (struct layout_text){note, strlen(note)}, &unused);
        }
        if (event >= 0) {
            mark(r->run, &row, event);
        }
        return add_row(r, &row);
    }
    if (event >= 0) {
        return add_event(r, event, time);
    }
    if (is_row) {
        reject(r->run, r->line, reason);
        return NW_OK;
    }
    if (!read_headings(r, line)) {
        read_header(r, line);
        r->other_line = r->is_bound && r->other_line == 0 ? r->line : r->other_line;
    }
    return NW_OK;
}

static enum nw_status take_line(struct layout_reader *r, struct layout_text line) {
    const struct nw_log_layout *const layout = r->layout;
    struct layout_text start = {"", 0};
    if (line.len > LAYOUT_LINE_MAX) {
        if (r->run) {
            reject(r->run, r->line, "a line of over 4096 bytes");
        }
        return NW_OK;
    }
    if (r->has_many &&
        nw_pattern_matches(layout->run_start, line.at, line.len, &start.at, &start.len)) {
        end_run(r, r->line - 1);
        const enum nw_status status = begin_run(r, start);
        read_header(r, line);
        return status;
    }
    if (r->run && layout->run_stop[0] != '\0' &&
        nw_pattern_matches(layout->run_stop, line.at, line.len, NULL, NULL)) {
        end_run(r, r->line);
        return NW_OK;
    }
    if (r->run) {
        return read_line(r, line);
    }
    if (r->is_bound && looks_like_row(layout, line)) {
        r->runs->n_outside++;
    } else if (!read_headings(r, line)) {
        read_header(r, line);
    }
    return NW_OK;
}

/* ---- The file ---- */

static enum nw_status read_lines(struct layout_reader *r, const char *data, size_t len) {
    const char *const end = data + len;
    const char *at = data;
    const char *const comment = r->layout->comment;
    const size_t comment_len = strlen(comment);
    enum nw_status status = NW_OK;
    while (at < end && status == NW_OK) {
        const char *const stop = memchr(at, '\n', (size_t)(end - at));
        struct layout_text line = {at, (size_t)((stop ? stop : end) - at)};
        r->line++;
        at = stop ? stop + 1 : end;
        line.len -= line.len > 0 && line.at[line.len - 1] == '\r' ? 1 : 0;
        const bool is_comment = comment_len > 0 && line.len >= comment_len &&
                                memcmp(line.at, comment, comment_len) == 0;
        if (line.len > 0 && !is_comment) {
            status = take_line(r, line);
        }
        if (r->line > LAYOUT_LINES_MAX) {
            return nw_err_set(r->err, NW_LIMIT, "%s: over %d lines", r->name, LAYOUT_LINES_MAX);
        }
    }
    end_run(r, r->line);
    r->runs->n_lines = r->line;
    return status;
}

static enum nw_status fail_empty(const struct layout_reader *r) {
    const struct nw_log_layout *const layout = r->layout;
    if (!r->is_bound) {
        if (r->best_found == 0) {
            const struct nw_log_field *const f = layout->columns;
            return nw_err_set(
                r->err, NW_FORMAT, "%s: no line holds the headings of logs.%s (%s, %s, %s)",
                r->name, layout->name, f[NW_LOG_COLUMN_TIME].name.name,
                f[NW_LOG_COLUMN_RA_ERROR].name.name, f[NW_LOG_COLUMN_DEC_ERROR].name.name);
        }
        return nw_err_set(r->err, NW_FORMAT,
                          "%s:%zu: has most headings of logs.%s, but no \"%s\"%s%s%s", r->name,
                          r->best_line, layout->name, r->best_missing,
                          r->best_near[0] != '\0' ? "; nearest is \"" : "", r->best_near,
                          r->best_near[0] != '\0' ? "\"" : "");
    }
    for (size_t i = 0; i < r->runs->n; i++) {
        const struct nw_guide_run *const run = &r->runs->items[i];
        if (run->n_rejects > 0) {
            return nw_err_set(r->err, NW_DATA, "%s:%zu: none of %zu rows can be read; here: %s",
                              r->name, run->rejects[0].line, run->n_rejected,
                              run->rejects[0].reason);
        }
    }
    if (r->has_many && r->runs->n == 0) {
        return nw_err_set(r->err, NW_FORMAT, "%s: no line fits run_start \"%s\" of logs.%s",
                          r->name, layout->run_start, layout->name);
    }
    bool is_any_row = false;
    for (size_t i = 0; i < r->runs->n; i++) {
        is_any_row = is_any_row || r->runs->items[i].log->n > 0;
    }
    if (!is_any_row && r->other_line > 0) {
        return nw_err_set(r->err, NW_DATA,
                          "%s:%zu: no row found; this line is none, since %s of logs.%s", r->name,
                          r->other_line,
                          layout->row[0] != '\0' ? "it does not fit the pattern row"
                                                 : "it does not begin with a digit, sign, point or "
                                                   "quote: give a pattern row",
                          layout->name);
    }
    return nw_err_set(r->err, NW_DATA, "%s: no row with both errors", r->name);
}

/* Numbers of runs without a usable row do not matter: they are dropped. */
static enum nw_status finish_runs(struct layout_reader *r) {
    struct nw_guide_runs *const runs = r->runs;
    size_t n_kept = 0;
    enum nw_status status = NW_OK;
    for (size_t i = 0; i < runs->n; i++) {
        struct nw_guide_run run = runs->items[i];
        for (size_t k = 0; k < run.log->n; k++) {
            run.n_no_star += isnan(run.log->rows[k].ra_rad) || isnan(run.log->rows[k].dec_rad);
        }
        run.n_rows = run.log->n;
        if (run.n_no_star == run.n_rows) {
            runs->n_empty++;
        } else {
            runs->items[i] = runs->items[n_kept]; /* order is kept: the dropped ones go last */
            runs->items[n_kept++] = run;
        }
    }
    if (n_kept == 0) {
        return fail_empty(r);
    }
    for (size_t i = n_kept; i < runs->n; i++) {
        nw_guide_free(runs->items[i].log);
    }
    runs->n = n_kept;
    for (size_t i = 0; i < runs->n && status == NW_OK; i++) {
        status = nw_layout_finish(r->name, r->layout, &runs->items[i], r->err);
    }
    return status;
}

static void note_columns(struct layout_reader *r) {
    for (size_t c = 0; c < NW_LOG_N_COLUMNS; c++) {
        static const char *const UNITS[] = {
#define X(symbol, key, dim, unit) unit,
            NW_LOG_COLUMN_LIST(X)
#undef X
        };
        const struct nw_log_field *const f = &r->layout->columns[c];
        struct nw_guide_column_use *const use = &r->runs->columns[c];
        use->is_used = r->is_bound && r->columns.main[c] >= 0;
        use->number = use->is_used ? (size_t)r->columns.main[c] + 1 : 0;
        use->factor = f->factor;
        nw_text_copy(use->unit, sizeof use->unit, f->unit[0] != '\0' ? f->unit : UNITS[c]);
    }
}

/* Without headings by name, columns are known from the start. */
static void bind_by_number(struct layout_reader *r) {
    const struct layout_cells none = {.n = 0};
    size_t n_found = 0;
    const char *missing = NULL;
    r->is_bound = nw_layout_bind(r->layout, &none, &r->columns, &n_found, &missing);
}

enum nw_status nw_layout_parse(const char *name, const char *data, size_t len,
                               const struct nw_log_layout *layout, struct nw_guide_runs **ret,
                               struct nw_err *err) {
    struct layout_reader r = {.name = name, .layout = layout, .err = err};
    r.has_many = layout->run_start[0] != '\0';
    r.runs = nw_calloc(1, sizeof *r.runs);
    if (!r.runs) {
        return nw_err_set(err, NW_NOMEM, "runs of a guide log");
    }
    r.runs->path = nw_strdup(name);
    nw_text_copy(r.runs->layout, sizeof r.runs->layout, layout->name);
    enum nw_status status = r.runs->path ? nw_layout_clock_init(layout, &r.clock, err)
                                         : nw_err_set(err, NW_NOMEM, "a path");
    if (status == NW_OK) {
        bind_by_number(&r);
        r.line = 1;
        status = r.has_many ? NW_OK : begin_run(&r, (struct layout_text){"", 0});
        r.line = 0;
    }
    if (status == NW_OK) {
        status = read_lines(&r, data, len);
    }
    if (status == NW_OK) {
        note_columns(&r);
        status = finish_runs(&r);
    }
    if (status == NW_OK) {
        *ret = r.runs;
        r.runs = NULL;
    }
    nw_guide_runs_free(r.runs);
    return status;
}
