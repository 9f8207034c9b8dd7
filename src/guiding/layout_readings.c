/* layout_readings.c - climate and power logs of other programs as our CSV; see runs.h.
 * Idea: cells, numbers and times are read as those of guide logs are; a list "ours = theirs [unit]"
 * says which column is which, and the end of our name which unit it is wanted in. */
#include <math.h>

#include "guiding/layout_internal.h"

enum { MAX_READINGS = 64 };

/* One column: how it is called here and there, and how its numbers become ours. */
struct reading {
    char ours[64];
    struct nw_log_name theirs;
    double factor, offset; /* ours = cell * factor + offset */
    int column;            /* -1: not there */
};
struct readings {
    struct reading items[MAX_READINGS];
    size_t n;
};

/* Endings of our names, and the unit that they stand for. */
static const struct {
    const char *ending, *unit;
    enum nw_dim dim;
} UNITS[] = {
    {"_c", "degC", NW_DIM_TEMPERATURE}, {"_hpa", "hPa", NW_DIM_PRESSURE},
    {"_m_per_s", "m/s", NW_DIM_SPEED},  {"_percent", "%", NW_DIM_NUMBER},
    {"_w", "W", NW_DIM_POWER},          {" W", "W", NW_DIM_POWER},
};

/* From their unit to ours: through SI. */
static enum nw_status set_unit(struct reading *r, const char *unit, const char *place,
                               struct nw_err *err) {
    for (size_t i = 0; i < sizeof UNITS / sizeof UNITS[0]; i++) {
        double factor = 1.0;
        double offset = 0.0;
        double own_factor = 1.0;
        double own_offset = 0.0;
        if (!nw_text_ends_nocase(r->ours, UNITS[i].ending)) {
            continue;
        }
        enum nw_status status = nw_unit_read(unit, UNITS[i].dim, &factor, &offset, err);
        if (status == NW_OK) {
            status = nw_unit_read(UNITS[i].unit, UNITS[i].dim, &own_factor, &own_offset, err);
        }
        if (status != NW_OK) {
            return nw_err_at(err, NW_FORMAT, "%s: %s", place, r->ours);
        }
        r->factor = factor / own_factor;
        r->offset = (offset - own_offset) / own_factor;
        return NW_OK;
    }
    return nw_err_set(err, NW_FORMAT,
                      "%s: %s has a unit in brackets, but only names that end in _c, _hpa, "
                      "_m_per_s, _percent, _w or W take one",
                      place, r->ours);
}

static struct layout_text trim(const char *from, const char *to) {
    while (from < to && (*from == ' ' || *from == '\t' || *from == '\n')) {
        from++;
    }
    while (to > from && (to[-1] == ' ' || to[-1] == '\t' || to[-1] == '\n')) {
        to--;
    }
    return (struct layout_text){from, (size_t)(to - from)};
}

/* "temperature_c = Outside [degF]" between two commas. */
static enum nw_status read_one(const char *from, const char *to, const char *place,
                               struct reading *ret, struct nw_err *err) {
    const char *const equals = memchr(from, '=', (size_t)(to - from));
    const char *const bracket = memchr(from, '[', (size_t)(to - from));
    const char *const closing = bracket ? memchr(bracket, ']', (size_t)(to - bracket)) : NULL;
    long number = 0;
    *ret = (struct reading){.factor = 1.0, .column = -1};
    if (!equals || (bracket && (!closing || bracket < equals))) {
        return nw_err_set(err, NW_FORMAT, "%s: '%.*s', expected OURS = THEIRS [unit]", place,
                          (int)(to - from), from);
    }
    const struct layout_text ours = trim(from, equals);
    const struct layout_text theirs = trim(equals + 1, bracket ? bracket : to);
    if (ours.len == 0 || theirs.len == 0 || ours.len >= sizeof ret->ours ||
        theirs.len >= sizeof ret->theirs.name) {
        return nw_err_set(err, NW_FORMAT, "%s: '%.*s', expected two names", place, (int)(to - from),
                          from);
    }
    nw_layout_copy(ret->ours, sizeof ret->ours, ours);
    nw_layout_copy(ret->theirs.name, sizeof ret->theirs.name, theirs);
    if (nw_text_to_long(ret->theirs.name, &number) && number >= 1 && number <= LAYOUT_CELLS_MAX) {
        ret->theirs.number = (size_t)number;
    }
    if (!bracket) {
        return NW_OK;
    }
    char unit[24];
    nw_layout_copy(unit, sizeof unit, trim(bracket + 1, closing));
    return set_unit(ret, unit, place, err);
}

static enum nw_status read_list(const struct nw_log_layout *layout, struct readings *ret,
                                struct nw_err *err) {
    char place[80];
    const char *at = layout->readings;
    const char *const end = at + strlen(at);
    (void)snprintf(place, sizeof place, "logs.%.48s.readings", layout->name);
    ret->n = 0;
    while (at < end) {
        const char *const comma = memchr(at, ',', (size_t)(end - at));
        const char *const stop = comma ? comma : end;
        if (ret->n == MAX_READINGS) {
            return nw_err_set(err, NW_LIMIT, "%s: over %d columns", place, MAX_READINGS);
        }
        const enum nw_status status = read_one(at, stop, place, &ret->items[ret->n++], err);
        if (status != NW_OK) {
            return status;
        }
        at = comma ? comma + 1 : end;
    }
    return NW_OK;
}

/* ---- Lines ---------------------------------------------------------------------------------- */

struct work {
    const struct nw_log_layout *layout;
    struct readings readings;
    struct layout_columns columns; /* of time and date */
    struct layout_clock clock;
    bool is_bound;
    size_t n_rows;
    char missing[48];
};

static bool bind(struct work *w, const struct layout_cells *headings) {
    size_t n_found = 0;
    const char *missing = NULL;
    bool is_whole = nw_layout_bind(w->layout, headings, &w->columns, &n_found, &missing);
    for (size_t i = 0; i < w->readings.n; i++) {
        struct reading *const r = &w->readings.items[i];
        r->column = r->theirs.number > 0 ? (int)r->theirs.number - 1 : -1;
        for (size_t k = 0; k < headings->n && r->theirs.number == 0 && r->column < 0; k++) {
            r->column = nw_layout_equal(headings->items[k], r->theirs.name) ? (int)k : -1;
        }
        if (r->column < 0) {
            is_whole = false;
            missing = missing ? missing : r->theirs.name;
        }
    }
    if (!is_whole && missing && (n_found > 0 || w->missing[0] == '\0')) {
        nw_text_copy(w->missing, sizeof w->missing, missing);
    }
    return is_whole;
}

static struct layout_text cell(const struct layout_cells *cells, int column) {
    return column >= 0 && (size_t)column < cells->n ? cells->items[column]
                                                    : (struct layout_text){"", 0};
}

static void write_row(struct work *w, const struct layout_cells *cells, struct nw_buf *to) {
    char reason[120];
    char time[40];
    double t_s = NAN;
    if (!nw_layout_clock_read(&w->clock, cell(cells, w->columns.main[NW_LOG_COLUMN_TIME]),
                              cell(cells, w->columns.main[NW_LOG_COLUMN_DATE]), &t_s, reason) ||
        !isfinite(t_s) || !w->clock.has_dates) {
        return;
    }
    w->clock.last_utc_s = t_s;
    const double offset_s = w->layout->clock_offset_s.v;
    nw_time_write_iso(t_s + (isfinite(offset_s) ? offset_s : 0.0), 3, time, sizeof time);
    nw_buf_printf(to, "%s", time);
    for (size_t i = 0; i < w->readings.n; i++) {
        const struct reading *const r = &w->readings.items[i];
        double value = NAN;
        const bool is_number = nw_layout_number(w->layout, cell(cells, r->column), &value);
        const double ours = value * r->factor + r->offset;
        nw_buf_printf(to, is_number && isfinite(ours) ? ",%.9g" : ",", ours);
    }
    nw_buf_printf(to, "\n");
    w->n_rows++;
}

static void take_line(struct work *w, struct layout_text line, struct nw_buf *to) {
    const size_t n_comment = strlen(w->layout->comment);
    struct layout_cells cells;
    if (line.len == 0 || (n_comment > 0 && line.len >= n_comment &&
                          memcmp(line.at, w->layout->comment, n_comment) == 0)) {
        return;
    }
    nw_layout_split(w->layout, line, &cells);
    if (w->is_bound) {
        write_row(w, &cells, to);
    } else if (bind(w, &cells)) {
        w->is_bound = true;
        nw_buf_printf(to, "time");
        for (size_t i = 0; i < w->readings.n; i++) {
            nw_buf_printf(to, ",%s", w->readings.items[i].ours);
        }
        nw_buf_printf(to, "\n");
    }
}

enum nw_status nw_log_readings(const char *name, const char *data, size_t len,
                               const struct nw_log_layout *layout, struct nw_buf *to,
                               struct nw_err *err) {
    struct work *const w = nw_calloc(1, sizeof *w);
    if (!w) {
        return nw_err_set(err, NW_NOMEM, "%s", name);
    }
    if (len >= 3 && memcmp(data, "\xef\xbb\xbf", 3) == 0) { /* byte order mark */
        data += 3;
        len -= 3;
    }
    w->layout = layout;
    enum nw_status status = read_list(layout, &w->readings, err);
    status = status == NW_OK ? nw_layout_clock_init(layout, &w->clock, err) : status;
    for (size_t at = 0; at < len && status == NW_OK;) {
        const char *const end = memchr(data + at, '\n', len - at);
        size_t n = (end ? (size_t)(end - data) : len) - at;
        const size_t next = at + n + 1;
        n -= n > 0 && data[at + n - 1] == '\r' ? 1 : 0;
        take_line(w, (struct layout_text){data + at, n}, to);
        at = next;
    }
    if (status == NW_OK && !w->is_bound) {
        status = nw_err_set(err, NW_NOTFOUND, "%s: no line of headings as in logs.%s: no '%s'",
                            name, layout->name, w->missing);
    } else if (status == NW_OK && w->n_rows == 0) {
        status = nw_err_set(err, NW_DATA, "%s: no row with a date and time (logs.%s)", name,
                            layout->name);
    } else if (status == NW_OK && nw_buf_failed(to)) {
        status = nw_err_set(err, NW_LIMIT, "%s: over %zu bytes", name, to->max);
    }
    free(w);
    return status;
}
