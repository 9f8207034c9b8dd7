/* log.c - CSV rows to series of weather and climate; see log.h.
 * Idea: one table of columns says name, unit and series; humidity and dew point both become vapour
 * pressure. Weather must be there in every row, all else may have gaps. */
#include <math.h>

#include "air/log.h"

#define MOST_HUMIDITY 1.05 /* what sensors say in fog; more is a mistake */

static const struct {
    const char *name, *unit;
    enum nw_dim dim;
    enum nw_air_series series;
} COLUMNS[] = {
    {"temperature_c", "degC", NW_DIM_TEMPERATURE, NW_AIR_AIR},
    {"pressure_hpa", "hPa", NW_DIM_PRESSURE, NW_AIR_PRESSURE},
    {"cloud_percent", "%", NW_DIM_NUMBER, NW_AIR_CLOUD},
    {"wind_m_per_s", "m/s", NW_DIM_SPEED, NW_AIR_WIND},
    {"room_c", "degC", NW_DIM_TEMPERATURE, NW_AIR_ROOM},
    {"cover_c", "degC", NW_DIM_TEMPERATURE, NW_AIR_COVER},
    {"roof_open", NULL, NW_DIM_NUMBER, NW_AIR_ROOF_OPEN},
    {"covered", NULL, NW_DIM_NUMBER, NW_AIR_COVERED},
    {"heater_w", "W", NW_DIM_POWER, NW_AIR_HEATER},
    {"room_heater_w", "W", NW_DIM_POWER, NW_AIR_ROOM_HEATER},
    {"dryer_on", NULL, NW_DIM_NUMBER, NW_AIR_DRYER},
};
/* Humidity or dew point, and the temperature it belongs to. */
static const struct {
    const char *humidity, *dew_point;
    enum nw_air_series vapour, temperature;
} MOISTURE[] = {
    {"humidity_percent", "dew_point_c", NW_AIR_VAPOUR, NW_AIR_AIR},
    {"room_humidity_percent", "room_dew_point_c", NW_AIR_ROOM_VAPOUR, NW_AIR_ROOM},
    {"cover_humidity_percent", "cover_dew_point_c", NW_AIR_COVER_VAPOUR, NW_AIR_COVER},
};

const char *nw_air_series_word(enum nw_air_series series) {
    static const char *const WORDS[] = {
#define X(name, word) #word,
        NW_AIR_SERIES_LIST(X)
#undef X
    };
    return WORDS[series];
}

void nw_air_log_done(struct nw_air_log *log) {
    free(log->t_s);
    free(log->data);
    free(log->surface_names);
    *log = (struct nw_air_log){0};
}

static double *series_of(struct nw_air_log *log, size_t k) {
    return log->data + k * log->n;
}

double nw_air_log_at(const struct nw_air_log *log, enum nw_air_series series, size_t row) {
    return log->data[(size_t)series * log->n + row];
}

double nw_air_log_surface_K(const struct nw_air_log *log, size_t surface, size_t row) {
    return log->data[(NW_AIR_N_SERIES + surface) * log->n + row];
}

struct nw_air_weather nw_air_log_weather(const struct nw_air_log *log, double t_s) {
    size_t low = 0;
    size_t high = log->n - 1;
    while (high - low > 1) {
        const size_t middle = low + (high - low) / 2;
        *(log->t_s[middle] <= t_s ? &low : &high) = middle;
    }
    const double width_s = log->t_s[high] - log->t_s[low];
    const double share =
        width_s > 0.0 ? fmin(1.0, fmax(0.0, (t_s - log->t_s[low]) / width_s)) : 0.0;
    double v[5];
    for (int k = 0; k < 5; k++) {
        const double *const s = log->data + (size_t)k * log->n;
        v[k] = s[low] + share * (s[high] - s[low]);
    }
    return (struct nw_air_weather){v[0], v[1], v[2], v[3], v[4]};
}

enum nw_status nw_air_log_make(size_t n, size_t n_surfaces, char (*names)[NW_NAME_SIZE],
                               struct nw_air_log *ret, struct nw_err *err) {
    struct nw_air_log log = {.n = n, .n_surfaces = n_surfaces};
    log.t_s = nw_calloc(n + 1, sizeof *log.t_s);
    log.data = nw_calloc(n * (NW_AIR_N_SERIES + n_surfaces) + 1, sizeof *log.data);
    log.surface_names = nw_calloc(n_surfaces + 1, sizeof *log.surface_names);
    if (!log.t_s || !log.data || !log.surface_names) {
        nw_air_log_done(&log);
        return nw_err_set(err, NW_NOMEM, "log of %zu rows", n);
    }
    for (size_t i = 0; i < n * (NW_AIR_N_SERIES + n_surfaces); i++) {
        log.data[i] = NAN;
    }
    for (size_t k = 0; k < n_surfaces; k++) {
        nw_text_copy(log.surface_names[k], NW_NAME_SIZE, names[k]);
    }
    *ret = log;
    return NW_OK;
}

/* ---- Reading -------------------------------------------------------------------------------- */

static enum nw_status read_times(const struct nw_table *table, bool must_rise,
                                 struct nw_air_log *log, struct nw_err *err) {
    const char *const name = nw_table_name(table);
    const int column = nw_table_column(table, "time");
    if (column < 0) {
        return nw_err_set(err, NW_NOTFOUND, "%s: no column time (ISO 8601)", name);
    }
    const enum nw_status status = nw_table_times(table, (size_t)column, log->t_s, err);
    for (size_t i = 1; i < log->n && status == NW_OK && must_rise; i++) {
        if (!(log->t_s[i] > log->t_s[i - 1])) {
            return nw_err_set(err, NW_DOMAIN, "%s:%zu: time %s does not come after the row before",
                              name, nw_table_line(table, i),
                              nw_table_cell(table, i, (size_t)column));
        }
    }
    return status;
}

/* A clock that was set back: rows at or before the latest time are left out. */
static enum nw_status keep_rising(struct nw_air_log *log, struct nw_err *err) {
    const size_t n_series = NW_AIR_N_SERIES + log->n_surfaces;
    const size_t n_all = log->n;
    size_t *const kept = nw_calloc(n_all + 1, sizeof *kept);
    size_t n = 0;
    if (!kept) {
        return nw_err_set(err, NW_NOMEM, "%zu rows", n_all);
    }
    for (size_t i = 0; i < n_all; i++) {
        if (n == 0 || log->t_s[i] > log->t_s[kept[n - 1]]) {
            kept[n++] = i;
        }
    }
    for (size_t k = 0; k < n_series; k++) {
        for (size_t i = 0; i < n; i++) {
            log->data[k * n + i] = log->data[k * n_all + kept[i]];
        }
    }
    for (size_t i = 0; i < n; i++) {
        log->t_s[i] = log->t_s[kept[i]];
    }
    log->n_left_out = n_all - n;
    log->n = n;
    free(kept);
    return NW_OK;
}

static enum nw_status read_column(const struct nw_table *table, const char *column,
                                  const char *unit, enum nw_dim dim, double *values,
                                  bool *ret_present, struct nw_err *err) {
    const struct nw_column_map map = {
        .name = column, .dim = dim, .unit = unit, .is_optional = true};
    return nw_table_numbers(table, &map, values, ret_present, err);
}

/* Vapour pressure from whichever of the two columns is there; the dew point wins. */
static enum nw_status read_moisture(const struct nw_table *table, size_t which,
                                    struct nw_air_log *log, struct nw_err *err) {
    double *const e = series_of(log, MOISTURE[which].vapour);
    const double *const t = series_of(log, MOISTURE[which].temperature);
    bool has_dew = false;
    bool has_humidity = false;
    enum nw_status status =
        read_column(table, MOISTURE[which].dew_point, "degC", NW_DIM_TEMPERATURE, e, &has_dew, err);
    if (status == NW_OK && !has_dew) {
        status =
            read_column(table, MOISTURE[which].humidity, "%", NW_DIM_NUMBER, e, &has_humidity, err);
    }
    for (size_t i = 0; i < log->n && status == NW_OK; i++) {
        if (has_humidity && (e[i] > MOST_HUMIDITY || e[i] < 0.0)) {
            return nw_err_set(err, NW_DOMAIN, "%s:%zu: %s is %g, expected 0 to 105",
                              nw_table_name(table), nw_table_line(table, i),
                              MOISTURE[which].humidity, 100.0 * e[i]);
        }
        e[i] = has_dew ? nw_air_saturation_water_Pa(e[i]) : nw_air_vapour_Pa(t[i], e[i]);
    }
    return status;
}

/* What the weather lacks comes from the rig; temperature and moisture must be there. table NULL:
 * rows are counted instead of lines. */
static enum nw_status complete(const char *name, const struct nw_table *table,
                               const struct nw_rig *rig, struct nw_air_log *log,
                               struct nw_err *err) {
    const double usual[] = {NAN, NAN, rig->site.pressure_Pa.v,
                            rig->damp.is_there ? rig->damp.cloud_share.v : 0.0,
                            rig->damp.is_there ? rig->damp.wind_m_s.v : 1.5};
    for (int k = NW_AIR_AIR; k <= NW_AIR_WIND; k++) {
        double *const s = series_of(log, (size_t)k);
        for (size_t i = 0; i < log->n; i++) {
            s[i] = isfinite(s[i]) ? s[i] : usual[k];
            if (!isfinite(s[i])) {
                return nw_err_set(
                    err, NW_DOMAIN, "%s:%zu: no %s, expected one in every row, -45 to 60 degC",
                    name, table ? nw_table_line(table, i) : i + 1,
                    k == NW_AIR_AIR ? "temperature_c" : "humidity_percent or dew_point_c");
            }
        }
    }
    return NW_OK;
}

static enum nw_status read_series(const struct nw_table *table, struct nw_air_log *log,
                                  struct nw_err *err) {
    enum nw_status status = NW_OK;
    for (size_t k = 0; k < sizeof COLUMNS / sizeof COLUMNS[0] && status == NW_OK; k++) {
        status = read_column(table, COLUMNS[k].name, COLUMNS[k].unit, COLUMNS[k].dim,
                             series_of(log, COLUMNS[k].series), NULL, err);
    }
    for (size_t k = 0; k < sizeof MOISTURE / sizeof MOISTURE[0] && status == NW_OK; k++) {
        status = read_moisture(table, k, log, err);
    }
    for (size_t k = 0; k < log->n_surfaces && status == NW_OK; k++) {
        char name[NW_NAME_SIZE + 4];
        (void)snprintf(name, sizeof name, "%s_c", log->surface_names[k]);
        status = read_column(table, name, "degC", NW_DIM_TEMPERATURE,
                             series_of(log, NW_AIR_N_SERIES + k), NULL, err);
    }
    return status;
}

static void find_out_what_is_there(struct nw_air_log *log) {
    for (size_t k = 0; k < NW_AIR_N_SERIES; k++) {
        for (size_t i = 0; i < log->n && !log->has[k]; i++) {
            log->has[k] = isfinite(series_of(log, k)[i]);
        }
    }
}

/* Steps and slopes of the air need two rows; a plain log of one is kept all the same. */
static enum nw_status check_rows(size_t n, bool has_rig, const char *name, struct nw_err *err) {
    const size_t least = has_rig ? 2 : 1;
    const size_t most = has_rig ? NW_AIR_MAX_ROWS : NW_AIR_MAX_PLAIN_ROWS;
    return n >= least && n <= most ? NW_OK
                                   : nw_err_set(err, n < least ? NW_DATA : NW_LIMIT,
                                                "%s: %zu row%s, expected %zu to %zu", name, n,
                                                n == 1 ? "" : "s", least, most);
}

/* rig NULL: the names are what is there. */
static enum nw_status read_log(const struct nw_table *table, const struct nw_rig *rig,
                               char (*names)[NW_NAME_SIZE], size_t n_surfaces,
                               struct nw_air_log *ret, struct nw_err *err) {
    const size_t n = nw_table_n_rows(table);
    struct nw_air_log log = {0};
    enum nw_status status = check_rows(n, rig != NULL, nw_table_name(table), err);
    if (status == NW_OK) {
        status = nw_air_log_make(n, n_surfaces, names, &log, err);
    }
    if (status == NW_OK) {
        status = read_times(table, rig != NULL, &log, err);
    }
    if (status == NW_OK) {
        status = read_series(table, &log, err);
    }
    if (status == NW_OK && rig) {
        status = complete(nw_table_name(table), table, rig, &log, err);
    } else if (status == NW_OK) {
        status = keep_rising(&log, err);
    }
    if (status == NW_OK) {
        find_out_what_is_there(&log);
        *ret = log;
        log = (struct nw_air_log){0};
    }
    nw_air_log_done(&log);
    return status;
}

/* The names of a rig's surfaces, one behind the other. */
static enum nw_status names_of(const struct nw_rig *rig, char (**ret)[NW_NAME_SIZE],
                               struct nw_err *err) {
    *ret = nw_calloc(rig->damp.n_surfaces + 1, sizeof **ret);
    if (!*ret) {
        return nw_err_set(err, NW_NOMEM, "names of surfaces");
    }
    for (size_t k = 0; k < rig->damp.n_surfaces; k++) {
        nw_text_copy((*ret)[k], sizeof(*ret)[k], rig->damp.surfaces[k].name);
    }
    return NW_OK;
}

enum nw_status nw_air_log_read(const struct nw_table *table, const struct nw_rig *rig,
                               struct nw_air_log *ret, struct nw_err *err) {
    char(*names)[NW_NAME_SIZE] = NULL;
    enum nw_status status = names_of(rig, &names, err);
    if (status == NW_OK) {
        status = read_log(table, rig, names, rig->damp.n_surfaces, ret, err);
    }
    free(names);
    return status;
}

/* "front lens_c" is a surface; "room_c" and "dew_point_c" have a meaning of their own. */
static bool is_surface(const char *column) {
    const size_t len = strlen(column);
    bool is_known = len < 3 || len - 2 >= NW_NAME_SIZE || strcmp(column + len - 2, "_c") != 0;
    for (size_t k = 0; k < sizeof COLUMNS / sizeof COLUMNS[0]; k++) {
        is_known |= nw_text_equal_nocase(column, COLUMNS[k].name);
    }
    for (size_t k = 0; k < sizeof MOISTURE / sizeof MOISTURE[0]; k++) {
        is_known |= nw_text_equal_nocase(column, MOISTURE[k].dew_point);
    }
    return !is_known;
}

enum nw_status nw_air_log_read_plain(const struct nw_table *table, struct nw_air_log *ret,
                                     struct nw_err *err) {
    const size_t n_columns = nw_table_n_columns(table);
    char(*const names)[NW_NAME_SIZE] = nw_calloc(n_columns + 1, sizeof *names);
    size_t n = 0;
    if (!names) {
        return nw_err_set(err, NW_NOMEM, "names of surfaces");
    }
    for (size_t k = 0; k < n_columns; k++) {
        const char *const column = nw_table_column_name(table, k);
        if (is_surface(column)) {
            (void)snprintf(names[n++], NW_NAME_SIZE, "%.*s", (int)(strlen(column) - 2), column);
        }
    }
    enum nw_status status = NW_OK;
    if (n == 0 && nw_table_column(table, "temperature_c") < 0 &&
        nw_table_column(table, "room_c") < 0 && nw_table_column(table, "cover_c") < 0) {
        status = nw_err_set(err, NW_NOTFOUND,
                            "%s: no column temperature_c, room_c, cover_c or NAME_c of a surface",
                            nw_table_name(table));
    } else {
        status = read_log(table, NULL, names, n, ret, err);
    }
    free(names);
    return status;
}

enum nw_status nw_air_log_adopt(const struct nw_air_log *plain, const char *name,
                                const struct nw_rig *rig, struct nw_air_log *ret,
                                struct nw_err *err) {
    char(*names)[NW_NAME_SIZE] = NULL;
    struct nw_air_log log = {0};
    enum nw_status status = check_rows(plain->n, true, name, err);
    if (status == NW_OK) {
        status = names_of(rig, &names, err);
    }
    if (status == NW_OK) {
        status = nw_air_log_make(plain->n, rig->damp.n_surfaces, names, &log, err);
    }
    free(names);
    if (status != NW_OK) {
        return status;
    }
    memcpy(log.t_s, plain->t_s, plain->n * sizeof *log.t_s);
    memcpy(log.data, plain->data, plain->n * NW_AIR_N_SERIES * sizeof *log.data);
    for (size_t k = 0; k < log.n_surfaces; k++) {
        for (size_t i = 0; i < plain->n_surfaces; i++) {
            if (nw_text_equal_nocase(plain->surface_names[i], log.surface_names[k])) {
                memcpy(series_of(&log, NW_AIR_N_SERIES + k),
                       plain->data + (NW_AIR_N_SERIES + i) * plain->n, plain->n * sizeof *log.data);
            }
        }
    }
    status = complete(name, NULL, rig, &log, err);
    if (status == NW_OK) {
        find_out_what_is_there(&log);
        *ret = log;
        return NW_OK;
    }
    nw_air_log_done(&log);
    return status;
}

enum nw_status nw_air_log_usual(const struct nw_rig *rig, double begin_s, double middle_s,
                                double end_s, struct nw_air_log *ret, struct nw_err *err) {
    const struct nw_site *const site = &rig->site;
    const double step_s = 600.0;
    const size_t n = (size_t)fmax(2.0, ceil((end_s - begin_s) / step_s) + 1.0);
    const double vapour_Pa = nw_air_vapour_Pa(site->temperature_K.v, site->relative_humidity.v);
    const enum nw_status status = nw_air_log_make(n, 0, NULL, ret, err);
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        const double t_s = fmin(begin_s + step_s * (double)i, end_s + step_s);
        const double air_K =
            site->temperature_K.v + site->temperature_rate_K_s.v * (t_s - middle_s);
        ret->t_s[i] = t_s;
        series_of(ret, NW_AIR_AIR)[i] = air_K;
        series_of(ret, NW_AIR_VAPOUR)[i] = fmin(vapour_Pa, nw_air_saturation_water_Pa(air_K));
        series_of(ret, NW_AIR_PRESSURE)[i] = site->pressure_Pa.v;
        series_of(ret, NW_AIR_CLOUD)[i] = rig->damp.is_there ? rig->damp.cloud_share.v : 0.0;
        series_of(ret, NW_AIR_WIND)[i] = rig->damp.is_there ? rig->damp.wind_m_s.v : 1.5;
    }
    if (status == NW_OK) {
        find_out_what_is_there(ret);
    }
    return status;
}
