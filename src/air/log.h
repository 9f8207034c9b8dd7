/* log.h - a forecast or a climate log as series over time. A public header of air.
 *
 * One CSV serves both: the weather outside, as forecast or as measured, and beside it what was
 * measured inside and what was switched. Pure: a table comes in, series go out; docs/formats.md. */
#ifndef NW_AIR_LOG_H
#define NW_AIR_LOG_H

#include "air/air.h"
#include "rig/rig.h"

/* Series, SI, NaN where nothing was measured. Switches: 1 on or open, 0 off or closed. */
#define NW_AIR_SERIES_LIST(X)                                                                      \
    X(AIR, air_K)                                                                                  \
    X(VAPOUR, vapour_Pa)                                                                           \
    X(PRESSURE, pressure_Pa)                                                                       \
    X(CLOUD, cloud)                                                                                \
    X(WIND, wind_m_s)                                                                              \
    X(ROOM, room_K)                                                                                \
    X(ROOM_VAPOUR, room_vapour_Pa)                                                                 \
    X(COVER, cover_K)                                                                              \
    X(COVER_VAPOUR, cover_vapour_Pa)                                                               \
    X(ROOF_OPEN, roof_open)                                                                        \
    X(COVERED, covered)                                                                            \
    X(HEATER, heater_W)                                                                            \
    X(ROOM_HEATER, room_heater_W)                                                                  \
    X(DRYER, dryer_on)
enum nw_air_series {
#define X(name, word) NW_AIR_##name,
    NW_AIR_SERIES_LIST(X)
#undef X
        NW_AIR_N_SERIES
};

#define NW_AIR_MAX_ROWS 200000
#define NW_AIR_MAX_PLAIN_ROWS 1000000 /* read without a rig */
struct nw_air_log {
    size_t n, n_surfaces;
    size_t n_left_out; /* rows of a clock that was set back; of a plain log only */
    double *t_s;       /* UTC, ascending */
    double *data;      /* series k of row i at data[k * n + i]; behind them the surfaces */
    char (*surface_names)[NW_NAME_SIZE];
    bool has[NW_AIR_N_SERIES]; /* at least one value */
};
const char *nw_air_series_word(enum nw_air_series series); /* "air_K": the field above */
void nw_air_log_done(struct nw_air_log *log);
double nw_air_log_at(const struct nw_air_log *log, enum nw_air_series series, size_t row);
double nw_air_log_surface_K(const struct nw_air_log *log, size_t surface, size_t row);
/* The weather at a time, linear between rows, held beyond the ends. */
struct nw_air_weather {
    double air_K, vapour_Pa, pressure_Pa, cloud, wind_m_s;
};
struct nw_air_weather nw_air_log_weather(const struct nw_air_log *log, double t_s);

/* Reads a table: `time` (ISO 8601; header `time_zone` where it has none), `temperature_c`, and
 * `humidity_percent` or `dew_point_c`; what else there may be: docs/formats.md. What the weather
 * lacks is filled from the rig's usual night. FORMAT, NOTFOUND and DOMAIN with line and column:
 * times not ascending, humidity over 105 %, no rows, gaps in the weather. */
enum nw_status nw_air_log_read(const struct nw_table *table, const struct nw_rig *rig,
                               struct nw_air_log *ret, struct nw_err *err) NW_CHECKED;
/* The same without a rig: every other column NAME_c is a surface, nothing is filled in, the weather
 * may have gaps; only one column of temperature_c, room_c, cover_c or a surface must be there. Rows
 * that do not come after those before (a clock set back) are left out and counted. */
enum nw_status nw_air_log_read_plain(const struct nw_table *table, struct nw_air_log *ret,
                                     struct nw_err *err) NW_CHECKED;
/* An empty log of n rows to be filled, all NaN; names: n_surfaces of them, copied. NOMEM. */
enum nw_status nw_air_log_make(size_t n, size_t n_surfaces, char (*names)[NW_NAME_SIZE],
                               struct nw_air_log *ret, struct nw_err *err) NW_CHECKED;
/* A plain log as one of this rig: its surfaces in the rig's order, the weather completed. Errors as
 * of nw_air_log_read, rows counted instead of lines; name: of the log, in messages. */
enum nw_status nw_air_log_adopt(const struct nw_air_log *plain, const char *name,
                                const struct nw_rig *rig, struct nw_air_log *ret,
                                struct nw_err *err) NW_CHECKED;
/* The rig's usual night: site.temperature at `middle_s`, site.temperature_rate until `end_s`, the
 * vapour of site.humidity at the middle, kept while the air can hold it. */
enum nw_status nw_air_log_usual(const struct nw_rig *rig, double begin_s, double middle_s,
                                double end_s, struct nw_air_log *ret,
                                struct nw_err *err) NW_CHECKED;

#endif
