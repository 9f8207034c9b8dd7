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

void nw_air_log_done(struct nw_air_log *log) {
    free(log->t_s);
    free(log->data);
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

static enum nw_status make(size_t n, size_t n_surfaces, struct nw_air_log *ret,
                           struct nw_err *err) {
    *ret = (struct nw_air_log){.n = n, .n_surfaces = n_surfaces};
    ret->t_s = nw_calloc(n, sizeof *ret->t_s);
    ret->data = nw_calloc(n * (NW_AIR_N_SERIES + n_surfaces), sizeof *ret->data);
    if (!ret->t_s || !ret->data) {
        nw_air_log_done(ret);
        return nw_err_set(err, NW_NOMEM, "log of %zu rows", n);
    }
    for (size_t i = 0; i < n * (NW_AIR_N_SERIES + n_surfaces); i++) {
        ret->data[i] = NAN;
    }
    return NW_OK;
}

/* ---- Reading -------------------------------------------------------------------------------- */

static enum nw_status read_times(const struct nw_table *table, struct nw_air_log *log,
                                 struct nw_err *err) {
    const char *const name = nw_table_name(table);
    const int column = nw_table_column(table, "time");
    size_t line = 0;
    const char *const zone_text = nw_table_meta(table, "time_zone", &line);
    struct nw_time_zone zone = {0};
    if (column < 0) {
        return nw_err_set(err, NW_NOTFOUND, "%s: no column time (ISO 8601)", name);
    }
    if (zone_text && nw_time_zone_read(zone_text, NULL, &zone, err) != NW_OK) {
        return nw_err_at(err, NW_FORMAT, "%s:%zu: time_zone", name, line);
    }
    for (size_t i = 0; i < log->n; i++) {
        const char *const cell = nw_table_cell(table, i, (size_t)column);
        double local_s = NAN;
        double utc_s[2];
        const enum nw_status status = nw_time_read_iso(cell, 0.0, &local_s, err);
        if (status != NW_OK) {
            return nw_err_at(err, status, "%s:%zu: time", name, nw_table_line(table, i));
        }
        log->t_s[i] = local_s;
        const char *const clock = strpbrk(cell, "T ");
        if (zone_text && clock && !strpbrk(clock, "Zz+-") &&
            nw_time_zone_utc(&zone, local_s, utc_s) > 0) {
            log->t_s[i] = utc_s[0];
        }
        if (i > 0 && !(log->t_s[i] > log->t_s[i - 1])) {
            return nw_err_set(err, NW_DOMAIN, "%s:%zu: time %s does not come after the row before",
                              name, nw_table_line(table, i), cell);
        }
    }
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

/* What the weather lacks comes from the rig; temperature and moisture must be there. */
static enum nw_status complete(const struct nw_table *table, const struct nw_rig *rig,
                               struct nw_air_log *log, struct nw_err *err) {
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
                    nw_table_name(table), nw_table_line(table, i),
                    k == NW_AIR_AIR ? "temperature_c" : "humidity_percent or dew_point_c");
            }
        }
    }
    return NW_OK;
}

static enum nw_status read_series(const struct nw_table *table, const struct nw_rig *rig,
                                  struct nw_air_log *log, struct nw_err *err) {
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
        (void)snprintf(name, sizeof name, "%s_c", rig->damp.surfaces[k].name);
        status = read_column(table, name, "degC", NW_DIM_TEMPERATURE,
                             series_of(log, NW_AIR_N_SERIES + k), NULL, err);
    }
    return status == NW_OK ? complete(table, rig, log, err) : status;
}

static void find_out_what_is_there(struct nw_air_log *log) {
    for (size_t k = 0; k < NW_AIR_N_SERIES; k++) {
        for (size_t i = 0; i < log->n && !log->has[k]; i++) {
            log->has[k] = isfinite(series_of(log, k)[i]);
        }
    }
}

enum nw_status nw_air_log_read(const struct nw_table *table, const struct nw_rig *rig,
                               struct nw_air_log *ret, struct nw_err *err) {
    const size_t n = nw_table_n_rows(table);
    struct nw_air_log log;
    if (n < 2 || n > NW_AIR_MAX_ROWS) {
        return nw_err_set(err, n < 2 ? NW_DATA : NW_LIMIT, "%s: %zu rows, expected 2 to %d",
                          nw_table_name(table), n, NW_AIR_MAX_ROWS);
    }
    enum nw_status status = make(n, rig->damp.n_surfaces, &log, err);
    if (status != NW_OK) {
        return status;
    }
    status = read_times(table, &log, err);
    if (status == NW_OK) {
        status = read_series(table, rig, &log, err);
    }
    if (status == NW_OK) {
        find_out_what_is_there(&log);
        *ret = log;
        log = (struct nw_air_log){0};
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
    const enum nw_status status = make(n, 0, ret, err);
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
