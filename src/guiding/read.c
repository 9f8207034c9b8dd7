/* read.c - the guide log of docs/formats.md into rows on the sky.
 * Idea: base's table gives columns and header lines with their places; this file knows names,
 * units, ranges and signs. A key that is nearly a known one is a mistake; an unknown one is
 * somebody else's. Holds: rows are in order of time; a logged pulse column holds no NaN (an empty
 * cell is no pulse); errors and pulses are + east, + north when is_dec_sign_known. */
#include <math.h>

#include "guiding/guiding_internal.h"

#define RAD_PER_ARCSEC (1.0 / NW_ARCSEC_PER_RAD)
#define ERROR_MAX_arcsec 3600.0 /* a star a degree from its lock point is not guided */
#define PULSE_MAX_s 60.0

/* Numbers among the header lines: where they go, in which unit, what is within reason. */
struct number_key {
    const char *key;
    size_t offset;
    double scale, low, high;
};
#define AT(member) offsetof(struct nw_guide_log, member)
static const struct number_key NUMBER_KEYS[] = {
    {"exposure_s", AT(exposure_s), 1.0, 1e-4, 600.0},
    {"guide_scale_arcsec_per_px", AT(guide_scale_rad_px), RAD_PER_ARCSEC, 0.01, 200.0},
    {"ra_rate_arcsec_per_s", AT(ra_rate_rad_s), RAD_PER_ARCSEC, 0.01, 1000.0},
    {"dec_rate_arcsec_per_s", AT(dec_rate_rad_s), RAD_PER_ARCSEC, 0.01, 1000.0},
    {"declination_deg", AT(declination_rad), NW_RAD_PER_DEG, -90.0, 90.0},
    {"hour_angle_h", AT(hour_angle_rad), 15.0 * NW_RAD_PER_DEG, -24.0, 24.0},
    {"latitude_deg", AT(latitude_rad), NW_RAD_PER_DEG, -90.0, 90.0},
    {"elevation_m", AT(elevation_m), 1.0, -500.0, 9000.0},
    {"worm_period_s", AT(worm_period_s), 1.0, 1.0, 1e5},
    {"clock_offset_s", AT(clock_offset_s), 1.0, -1e6, 1e6},
};
enum { N_NUMBER_KEYS = sizeof NUMBER_KEYS / sizeof NUMBER_KEYS[0] };
static const char *const WORD_KEYS[] = {"axes", "pulse_acts", "tube_side", "time_zone"};
enum { N_WORD_KEYS = sizeof WORD_KEYS / sizeof WORD_KEYS[0] };

static enum nw_status refuse_misspelt_keys(const struct nw_table *table, struct nw_err *err) {
    const char *known[N_NUMBER_KEYS + N_WORD_KEYS];
    for (size_t i = 0; i < N_NUMBER_KEYS; i++) {
        known[i] = NUMBER_KEYS[i].key;
    }
    for (size_t i = 0; i < N_WORD_KEYS; i++) {
        known[N_NUMBER_KEYS + i] = WORD_KEYS[i];
    }
    for (size_t i = 0; i < nw_table_n_metas(table); i++) {
        size_t line = 0;
        const char *const key = nw_table_meta_at(table, i, NULL, &line);
        const char *const near = nw_text_nearest(key, known, N_NUMBER_KEYS + N_WORD_KEYS);
        if (near && !nw_text_equal_nocase(near, key)) {
            return nw_err_set(err, NW_FORMAT, "%s:%zu: unknown header key \"%s\"; did you mean %s?",
                              nw_table_name(table), line, key, near);
        }
        size_t first = line;
        (void)nw_table_meta(table, key, &first);
        if (near && first != line) {
            return nw_err_set(err, NW_FORMAT, "%s:%zu: header key %s stands here and on line %zu",
                              nw_table_name(table), line, near, first);
        }
    }
    return NW_OK;
}

void guide_add_setting(struct nw_guide_log *log, const char *name, const char *value, size_t len) {
    const size_t n = strlen(name);
    const size_t used = strlen(log->settings);
    while (len > 0 && strchr(" \t,;", value[len - 1])) {
        len--;
    }
    bool is_there = n == 0;
    for (const char *at = log->settings; *at != '\0' && !is_there; at += strcspn(at, "\n") + 1) {
        is_there = strncmp(at, name, n) == 0 && at[n] == '=';
    }
    if (!is_there && used + n + len + sizeof "=\n" <= sizeof log->settings) {
        (void)snprintf(log->settings + used, sizeof log->settings - used, "%s=%.*s\n", name,
                       (int)len, value);
    }
}

/* `# setting_NAME: value`: kept as written. */
static void read_settings(const struct nw_table *table, struct nw_guide_log *log) {
    static const char PREFIX[] = "setting_";
    for (size_t i = 0; i < nw_table_n_metas(table); i++) {
        size_t line = 0;
        const char *value = NULL;
        const char *const key = nw_table_meta_at(table, i, &value, &line);
        if (strncmp(key, PREFIX, sizeof PREFIX - 1) == 0 && value) {
            guide_add_setting(log, key + sizeof PREFIX - 1, value, strlen(value));
        }
    }
}

static enum nw_status read_number_keys(const struct nw_table *table, struct nw_guide_log *log,
                                       struct nw_err *err) {
    for (size_t i = 0; i < N_NUMBER_KEYS; i++) {
        const struct number_key *k = &NUMBER_KEYS[i];
        size_t line = 0;
        const char *const text = nw_table_meta(table, k->key, &line);
        double value = NAN;
        if (text && !nw_text_to_double(text, &value)) {
            return nw_err_set(err, NW_FORMAT, "%s:%zu: %s: \"%s\" is not a number",
                              nw_table_name(table), line, k->key, text);
        }
        if (text && !(value >= k->low && value <= k->high)) {
            return nw_err_set(err, NW_FORMAT, "%s:%zu: %s: %g is outside %g to %g",
                              nw_table_name(table), line, k->key, value, k->low, k->high);
        }
        value *= k->scale;
        memcpy((char *)log + k->offset, &value, sizeof value);
    }
    log->clock_offset_s = isfinite(log->clock_offset_s) ? log->clock_offset_s : 0.0;
    return NW_OK;
}

/* One of two words, or absent (0); 1 and 2 else. */
static enum nw_status read_choice(const struct nw_table *table, const char *key,
                                  const char *const words[static 2], int *ret, struct nw_err *err) {
    size_t line = 0;
    const char *const text = nw_table_meta(table, key, &line);
    for (int i = 0; text && i < 2; i++) {
        if (nw_text_equal_nocase(text, words[i])) {
            *ret = i + 1;
            return NW_OK;
        }
    }
    if (text) {
        return nw_err_set(err, NW_FORMAT, "%s:%zu: %s: \"%s\" is neither %s nor %s",
                          nw_table_name(table), line, key, text, words[0], words[1]);
    }
    *ret = 0;
    return NW_OK;
}

static enum nw_status read_choices(const struct nw_table *table, struct nw_guide_log *log,
                                   struct nw_err *err) {
    int axes = 0;
    int acts = 0;
    int side = 0;
    enum nw_status status =
        read_choice(table, "axes", (const char *const[]){"sky", "mount"}, &axes, err);
    if (status == NW_OK) {
        status =
            read_choice(table, "pulse_acts", (const char *const[]){"before", "after"}, &acts, err);
    }
    if (status == NW_OK) {
        status = read_choice(table, "tube_side", (const char *const[]){"east", "west"}, &side, err);
    }
    if (status != NW_OK) {
        return status;
    }
    log->axes_mount = axes == 2;
    log->pulse_acts = acts == 1   ? NW_PULSE_ACTS_BEFORE
                      : acts == 2 ? NW_PULSE_ACTS_AFTER
                                  : NW_PULSE_ACTS_UNKNOWN;
    nw_text_copy(log->tube_side, sizeof log->tube_side,
                 side == 1   ? "east"
                 : side == 2 ? "west"
                             : "");
    log->is_dec_sign_known = !log->axes_mount || side != 0;
    read_settings(table, log);
    return NW_OK;
}

/* "UTC", "Z" or "+hh:mm", "-hh", "+hhmm". */
static bool read_zone(const char *text, double *ret_s) {
    if (nw_text_equal_nocase(text, "UTC") || nw_text_equal_nocase(text, "Z")) {
        *ret_s = 0.0;
        return true;
    }
    int digits[4] = {0};
    int n = 0;
    for (const char *c = text + 1; text[0] != '\0' && *c != '\0'; c++) {
        if (*c == ':' && n == 2) {
            continue;
        }
        if (*c < '0' || *c > '9' || n == 4) {
            return false;
        }
        digits[n++] = *c - '0';
    }
    const int hours = digits[0] * 10 + digits[1];
    const int minutes = digits[2] * 10 + digits[3];
    if ((text[0] != '+' && text[0] != '-') || (n != 2 && n != 4) || hours > 14 || minutes > 59) {
        return false;
    }
    *ret_s = (text[0] == '-' ? -1.0 : 1.0) * (hours * 3600.0 + minutes * 60.0);
    return true;
}

static enum nw_status read_zone_key(const struct nw_table *table, struct nw_guide_log *log,
                                    struct nw_err *err) {
    size_t line = 0;
    const char *const text = nw_table_meta(table, "time_zone", &line);
    if (text && !read_zone(text, &log->zone_offset_s)) {
        return nw_err_set(err, NW_FORMAT,
                          "%s:%zu: time_zone: \"%s\" is not UTC or a number of hours east of it "
                          "such as +02:00",
                          nw_table_name(table), line, text);
    }
    log->has_zone = text != NULL;
    return NW_OK;
}

/* ---- rows ---- */

/* One column into one member of all rows. */
struct column {
    const char *name, *unit;
    enum nw_dim dim;
    size_t offset;
    bool is_required;
    double low, high; /* in SI */
};
#define IN(member) offsetof(struct nw_guide_row, member)
static const struct column COLUMNS[] = {
    {"ra_err_arcsec", "arcsec", NW_DIM_ANGLE, IN(ra_rad), true, -ERROR_MAX_arcsec *RAD_PER_ARCSEC,
     ERROR_MAX_arcsec *RAD_PER_ARCSEC},
    {"dec_err_arcsec", "arcsec", NW_DIM_ANGLE, IN(dec_rad), true, -ERROR_MAX_arcsec *RAD_PER_ARCSEC,
     ERROR_MAX_arcsec *RAD_PER_ARCSEC},
    {"ra_pulse_ms", "ms", NW_DIM_TIME, IN(ra_pulse_s), false, -PULSE_MAX_s, PULSE_MAX_s},
    {"dec_pulse_ms", "ms", NW_DIM_TIME, IN(dec_pulse_s), false, -PULSE_MAX_s, PULSE_MAX_s},
    {"snr", NULL, NW_DIM_NUMBER, IN(snr), false, 0.0, 1e9},
    {"lock_x_px", NULL, NW_DIM_NUMBER, IN(lock_x_px), false, -1e6, 1e6},
    {"lock_y_px", NULL, NW_DIM_NUMBER, IN(lock_y_px), false, -1e6, 1e6},
};
enum { N_COLUMNS = sizeof COLUMNS / sizeof COLUMNS[0] };
/* all names, for suggestions; x_px and y_px are allowed and not used */
static const char *const COLUMN_NAMES[] = {
    "t_s", "time",      "ra_err_arcsec", "dec_err_arcsec", "ra_pulse_ms", "dec_pulse_ms",
    "snr", "lock_x_px", "lock_y_px",     "event",          "x_px",        "y_px"};
enum { N_COLUMN_NAMES = sizeof COLUMN_NAMES / sizeof COLUMN_NAMES[0] };

/* A column that is nearly an optional one would be dropped in silence: refuse it. */
static enum nw_status refuse_misspelt_columns(const struct nw_table *table, struct nw_err *err) {
    for (size_t c = 0; c < nw_table_n_columns(table); c++) {
        const char *const name = nw_table_column_name(table, c);
        const char *const near = nw_text_nearest(name, COLUMN_NAMES, N_COLUMN_NAMES);
        if (near && !nw_text_equal_nocase(near, name) && nw_table_column(table, near) < 0) {
            return nw_err_set(err, NW_FORMAT, "%s: unknown column \"%s\"; did you mean %s?",
                              nw_table_name(table), name, near);
        }
    }
    return NW_OK;
}

static enum nw_status read_column(const struct nw_table *table, const struct column *column,
                                  double *values, struct nw_guide_log *log, struct nw_err *err) {
    const struct nw_column_map map = {.name = column->name,
                                      .dim = column->dim,
                                      .unit = column->unit,
                                      .is_optional = !column->is_required};
    bool is_present = false;
    const enum nw_status status = nw_table_numbers(table, &map, values, &is_present, err);
    if (status != NW_OK) {
        return status;
    }
    const bool is_pulse = column->dim == NW_DIM_TIME;
    for (size_t i = 0; i < log->n; i++) {
        if (values[i] < column->low || values[i] > column->high) {
            const double back = column->dim == NW_DIM_ANGLE ? NW_ARCSEC_PER_RAD
                                : is_pulse                  ? 1e3
                                                            : 1.0;
            return nw_err_set(err, NW_FORMAT, "%s:%zu: %s: %g is outside %g to %g",
                              nw_table_name(table), log->rows[i].line, column->name,
                              values[i] * back, column->low * back, column->high * back);
        }
        const double value = is_pulse && is_present && isnan(values[i]) ? 0.0 : values[i];
        memcpy((char *)&log->rows[i] + column->offset, &value, sizeof value);
    }
    return NW_OK;
}

static enum nw_status read_dates(const struct nw_table *table, size_t column,
                                 struct nw_guide_log *log, struct nw_err *err) {
    size_t n_zoned = 0;
    for (size_t i = 0; i < log->n; i++) {
        const char *const text = nw_table_cell(table, i, column);
        struct nw_guide_row *row = &log->rows[i];
        const enum nw_status status = nw_time_read_iso(text, log->zone_offset_s, &row->t_s, err);
        if (status != NW_OK) {
            return nw_err_at(err, status, "%s:%zu: time", nw_table_name(table), row->line);
        }
        const size_t len = strlen(text);
        n_zoned += len > 6 && (text[len - 1] == 'Z' || text[len - 6] == '+' ||
                               text[len - 6] == '-') /* +hh:mm; a date's dash is farther left */
                       ? 1
                       : 0;
        row->t_s += log->clock_offset_s;
    }
    log->has_dates = true;
    log->has_zone = log->has_zone || n_zoned == log->n;
    return NW_OK;
}

static enum nw_status read_times(const struct nw_table *table, double *values,
                                 struct nw_guide_log *log, struct nw_err *err) {
    const int dates = nw_table_column(table, "time");
    if (dates >= 0) {
        return read_dates(table, (size_t)dates, log, err);
    }
    if (nw_table_column(table, "t_s") < 0) {
        return nw_err_set(err, NW_FORMAT, "%s: neither a column t_s nor a column time",
                          nw_table_name(table));
    }
    const struct nw_column_map map = {.name = "t_s", .dim = NW_DIM_TIME, .unit = "s"};
    const enum nw_status status = nw_table_numbers(table, &map, values, NULL, err);
    for (size_t i = 0; status == NW_OK && i < log->n; i++) {
        if (!(fabs(values[i]) <= 1e10)) {
            return nw_err_set(err, NW_FORMAT, "%s:%zu: t_s: no time in this row",
                              nw_table_name(table), log->rows[i].line);
        }
        log->rows[i].t_s = values[i];
    }
    return status;
}

static enum nw_status check_order(const struct nw_table *table, const struct nw_guide_log *log,
                                  struct nw_err *err) {
    size_t n_star = 0;
    for (size_t i = 0; i < log->n; i++) {
        const struct nw_guide_row *row = &log->rows[i];
        n_star += isfinite(row->ra_rad) && isfinite(row->dec_rad) ? 1 : 0;
        if (i > 0 && row->t_s < row[-1].t_s) {
            return nw_err_set(err, NW_FORMAT,
                              "%s:%zu: time runs backwards: %.3f s after the %.3f s of line %zu",
                              nw_table_name(table), row->line, row->t_s - log->rows[0].t_s,
                              row[-1].t_s - log->rows[0].t_s, row[-1].line);
        }
    }
    if (n_star == 0) {
        return nw_err_set(err, NW_DATA, "%s: none of %zu rows has both errors",
                          nw_table_name(table), log->n);
    }
    return NW_OK;
}

static void read_events(const struct nw_table *table, struct nw_guide_log *log) {
    const int column = nw_table_column(table, "event");
    for (size_t i = 0; column >= 0 && i < log->n; i++) {
        const char *const text = nw_table_cell(table, i, (size_t)column);
        log->rows[i].is_event = text[0] != '\0' && strcmp(text, "-") != 0;
        if (log->rows[i].is_event) {
            nw_text_copy(log->rows[i].event, sizeof log->rows[i].event, text);
        }
    }
}

static enum nw_status read_rows(const struct nw_table *table, struct nw_guide_log *log,
                                struct nw_err *err) {
    log->n = nw_table_n_rows(table);
    if (log->n == 0) {
        return nw_err_set(err, NW_DATA, "%s: no rows below the column names", nw_table_name(table));
    }
    double *values = nw_calloc(log->n, sizeof *values);
    log->rows = nw_calloc(log->n, sizeof *log->rows);
    enum nw_status status = NW_OK;
    if (!values || !log->rows) {
        status = nw_err_set(err, NW_NOMEM, "%zu guide rows", log->n);
        goto done;
    }
    for (size_t i = 0; i < log->n; i++) {
        log->rows[i].line = nw_table_line(table, i);
    }
    status = refuse_misspelt_columns(table, err);
    if (status == NW_OK) {
        status = read_times(table, values, log, err);
    }
    for (size_t c = 0; status == NW_OK && c < N_COLUMNS; c++) {
        status = read_column(table, &COLUMNS[c], values, log, err);
    }
    if (status == NW_OK) {
        status = check_order(table, log, err);
    }
    if (status == NW_OK) {
        read_events(table, log);
    }
done:
    free(values);
    return status;
}

/* docs/formats.md: an axis of the mount counts + north when the tube stands west of the pier; the
 * declination axis is turned over when it stands east. Right ascension keeps its sense. */
void nw_guide_turn_to_sky(struct nw_guide_log *log) {
    if (!log->axes_mount || strcmp(log->tube_side, "east") != 0) {
        return;
    }
    for (size_t i = 0; i < log->n; i++) {
        log->rows[i].dec_rad = -log->rows[i].dec_rad;
        log->rows[i].dec_pulse_s = -log->rows[i].dec_pulse_s;
    }
}

static enum nw_status from_table(const struct nw_table *table, struct nw_guide_log **ret,
                                 struct nw_err *err) {
    struct nw_guide_log *log = nw_calloc(1, sizeof *log);
    enum nw_status status = NW_OK;
    if (!log) {
        return nw_err_set(err, NW_NOMEM, "guide log");
    }
    log->path = nw_strdup(nw_table_name(table));
    status = log->path ? refuse_misspelt_keys(table, err) : nw_err_set(err, NW_NOMEM, "a path");
    if (status == NW_OK) {
        status = read_number_keys(table, log, err);
    }
    if (status == NW_OK) {
        status = read_choices(table, log, err);
    }
    if (status == NW_OK) {
        status = read_zone_key(table, log, err);
    }
    if (status == NW_OK) {
        status = read_rows(table, log, err);
    }
    if (status == NW_OK) {
        nw_guide_turn_to_sky(log);
        *ret = log;
        log = NULL;
    }
    nw_guide_free(log);
    return status;
}

enum nw_status nw_guide_parse(const char *name, const char *data, size_t len,
                              struct nw_guide_log **ret, struct nw_err *err) {
    struct nw_table *table = NULL;
    enum nw_status status = nw_table_parse(name, data, len, &table, err);
    if (status == NW_OK) {
        status = from_table(table, ret, err);
    }
    nw_table_free(table);
    return status;
}

enum nw_status nw_guide_read(const char *path, struct nw_guide_log **ret, struct nw_err *err) {
    struct nw_table *table = NULL;
    enum nw_status status = nw_table_read(path, &table, err);
    if (status == NW_OK) {
        status = from_table(table, ret, err);
    }
    nw_table_free(table);
    return status;
}

void nw_guide_free(struct nw_guide_log *log) {
    if (log) {
        free(log->path);
        free(log->rows);
        free(log);
    }
}
