/* runs.c - files of guide logs, whatever their form; see runs.h.
 * Idea: a file that says ra_err_arcsec is our CSV; any other is tried with each layout, and the one
 * that reads most rows is right. */
#include "guiding/runs.h"

#include <math.h>

#include "guiding/layout_internal.h"

void nw_guide_runs_free(struct nw_guide_runs *runs) {
    if (!runs) {
        return;
    }
    for (size_t i = 0; i < runs->n; i++) {
        nw_guide_free(runs->items[i].log);
    }
    free(runs->items);
    free(runs->path);
    free(runs);
}

/* ---- The CSV as one run ---- */

static void note_csv_columns(const struct nw_guide_log *log, struct nw_guide_column_use *uses) {
    static const struct {
        enum nw_log_column column;
        const char *heading, *unit;
    } CSV[] = {
        {NW_LOG_COLUMN_RA_ERROR, "ra_err_arcsec", "arcsec"},
        {NW_LOG_COLUMN_DEC_ERROR, "dec_err_arcsec", "arcsec"},
        {NW_LOG_COLUMN_RA_PULSE, "ra_pulse_ms", "ms"},
        {NW_LOG_COLUMN_DEC_PULSE, "dec_pulse_ms", "ms"},
        {NW_LOG_COLUMN_SNR, "snr", ""},
        {NW_LOG_COLUMN_LOCK_X, "lock_x_px", "px"},
        {NW_LOG_COLUMN_LOCK_Y, "lock_y_px", "px"},
    };
    bool is_there[sizeof CSV / sizeof CSV[0]] = {true, true};
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *const row = &log->rows[i];
        const double values[] = {
            0.0, 0.0, row->ra_pulse_s, row->dec_pulse_s, row->snr, row->lock_x_px, row->lock_y_px};
        for (size_t k = 2; k < sizeof CSV / sizeof CSV[0]; k++) {
            is_there[k] = is_there[k] || isfinite(values[k]);
        }
    }
    for (size_t k = 0; k < sizeof CSV / sizeof CSV[0]; k++) {
        struct nw_guide_column_use *const use = &uses[CSV[k].column];
        use->is_used = is_there[k];
        use->factor = 1.0;
        nw_text_copy(use->heading, sizeof use->heading, CSV[k].heading);
        nw_text_copy(use->unit, sizeof use->unit, CSV[k].unit);
    }
    struct nw_guide_column_use *const time = &uses[NW_LOG_COLUMN_TIME];
    time->is_used = true;
    time->factor = 1.0;
    nw_text_copy(time->heading, sizeof time->heading, log->has_dates ? "time" : "t_s");
    nw_text_copy(time->unit, sizeof time->unit, log->has_dates ? "" : "s");
}

static enum nw_status parse_csv(const char *name, const char *data, size_t len,
                                struct nw_guide_runs **ret, struct nw_err *err) {
    struct nw_guide_runs *runs = nw_calloc(1, sizeof *runs);
    struct nw_guide_run *run = nw_calloc(1, sizeof *run);
    char *const path = nw_strdup(name);
    if (!runs || !run || !path) {
        free(runs);
        free(run);
        free(path);
        return nw_err_set(err, NW_NOMEM, "a guide log");
    }
    *runs = (struct nw_guide_runs){.path = path, .items = run};
    const enum nw_status status = nw_guide_parse(name, data, len, &run->log, err);
    if (status != NW_OK) {
        nw_guide_runs_free(runs);
        return status;
    }
    const struct nw_guide_log *const log = run->log;
    runs->n = 1;
    run->n_rows = log->n;
    run->first_line = log->rows[0].line;
    run->last_line = log->rows[log->n - 1].line;
    for (size_t i = 0; i < log->n; i++) {
        run->n_events += log->rows[i].is_event ? 1 : 0;
        run->n_no_star += isnan(log->rows[i].ra_rad) || isnan(log->rows[i].dec_rad) ? 1 : 0;
    }
    note_csv_columns(log, runs->columns);
    runs->n_lines = run->last_line;
    *ret = runs;
    return NW_OK;
}

/* ---- Choice ---- */

static bool contains(const char *data, size_t len, const char *word) {
    const size_t n = strlen(word);
    const char *at = data;
    while ((size_t)(data + len - at) >= n) {
        at = memchr(at, word[0], (size_t)(data + len - at) - n + 1);
        if (!at) {
            return false;
        }
        if (memcmp(at, word, n) == 0) {
            return true;
        }
        at++;
    }
    return false;
}

static size_t rows_of(const struct nw_guide_runs *runs) {
    size_t n = 0;
    for (size_t i = 0; i < runs->n; i++) {
        n += runs->items[i].n_rows - runs->items[i].n_no_star;
    }
    return n;
}

static enum nw_status parse_best(const char *name, const char *data, size_t len,
                                 const struct nw_guide_layouts *layouts, struct nw_guide_runs **ret,
                                 struct nw_err *err) {
    struct nw_guide_runs *best = NULL;
    struct nw_err first = {0};
    enum nw_status status = NW_OK;
    bool is_tie = false;
    for (size_t i = 0; i < layouts->n; i++) {
        struct nw_guide_runs *runs = NULL;
        struct nw_err why = {0};
        if (layouts->items[i].readings[0] != '\0') {
            continue; /* of a climate or power log */
        }
        const enum nw_status got =
            nw_layout_parse(name, data, len, &layouts->items[i], &runs, &why);
        if (got == NW_OK && (!best || rows_of(runs) > rows_of(best))) {
            nw_guide_runs_free(best);
            best = runs;
            is_tie = false;
        } else if (got == NW_NOMEM) { /* says nothing about the layout */
            nw_guide_runs_free(best);
            return nw_err_set(err, got, "%s", why.text);
        } else if (got == NW_OK) {
            is_tie = is_tie || rows_of(runs) == rows_of(best);
            nw_guide_runs_free(runs);
        } else if (status == NW_OK) {
            status = got;
            first = why;
        }
    }
    if (best && is_tie) {
        nw_guide_runs_free(best);
        return nw_err_set(err, NW_FORMAT,
                          "%s: two layouts read as many rows; say which with "
                          "--layout",
                          name);
    }
    if (best) {
        *ret = best;
        return NW_OK;
    }
    if (status == NW_OK) {
        return nw_err_set(err, NW_FORMAT, "%s: no layout under logs: is of a guide log", name);
    }
    (void)nw_err_set(err, status, "%s", first.text);
    return layouts->n > 1
               ? nw_err_at(err, status, "none of %zu layouts fits; the first", layouts->n)
               : status;
}

static enum nw_status parse_named(const char *name, const char *data, size_t len,
                                  const struct nw_guide_layouts *layouts,
                                  struct nw_guide_runs **ret, struct nw_err *err) {
    const char *names[64];
    size_t n = 0;
    for (size_t i = 0; i < layouts->n; i++) {
        if (strcmp(layouts->items[i].name, layouts->which) == 0) {
            return nw_layout_parse(name, data, len, &layouts->items[i], ret, err);
        }
        if (n < 64) {
            names[n++] = layouts->items[i].name;
        }
    }
    const char *const near = nw_text_nearest(layouts->which, names, n);
    return nw_err_set(err, NW_NOTFOUND, "no layout \"%s\" under logs%s%s%s", layouts->which,
                      near ? "; nearest is \"" : "", near ? near : "", near ? "\"" : "");
}

enum nw_status nw_guide_parse_runs(const char *name, const char *data, size_t len,
                                   const struct nw_guide_layouts *layouts,
                                   struct nw_guide_runs **ret, struct nw_err *err) {
    const bool is_utf16 = len >= 2 && ((data[0] == '\xff' && data[1] == '\xfe') ||
                                       (data[0] == '\xfe' && data[1] == '\xff'));
    if (is_utf16) {
        return nw_err_set(err, NW_FORMAT, "%s: is UTF-16; save it as UTF-8", name);
    }
    if (layouts && layouts->which) {
        return parse_named(name, data, len, layouts, ret, err);
    }
    const bool is_csv = contains(data, len, "ra_err_arcsec");
    if (is_csv || !layouts || layouts->n == 0) {
        struct nw_err why = {0};
        const enum nw_status status = parse_csv(name, data, len, ret, &why);
        return status == NW_OK ? status
                               : nw_err_set(err, status, "%s%s", why.text,
                                            is_csv ? ""
                                                   : "; it is not the CSV of docs/formats.md: "
                                                     "describe it under logs: in a rig file");
    }
    if (len >= 3 && memcmp(data, "\xef\xbb\xbf", 3) == 0) { /* byte order mark */
        data += 3;
        len -= 3;
    }
    return parse_best(name, data, len, layouts, ret, err);
}

enum nw_status nw_guide_read_runs(const char *path, const struct nw_guide_layouts *layouts,
                                  struct nw_guide_runs **ret, struct nw_err *err) {
    char *data = NULL;
    size_t len = 0;
    enum nw_status status = nw_file_read(path, LAYOUT_BYTES_MAX, &data, &len, err);
    if (status == NW_OK) {
        status = nw_guide_parse_runs(path, data, len, layouts, ret, err);
    }
    free(data);
    return status;
}
