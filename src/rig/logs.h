/* logs.h - second public header of rig: how a text log of the owner's programs is laid out.
 *
 * Idea: any text log is lines; patterns (base/pattern.h) say where a run begins and ends and which
 * lines are events; "name: value" lines carry what holds for a run; columns are told by heading or
 * number, with unit and factor. The description stands under `logs:` in the rig file, or in a file
 * of its own that has only that section. It is checked here as far as it can be without a log. */
#ifndef NW_RIG_LOGS_H
#define NW_RIG_LOGS_H

#include "rig/rig.h"

/* Lines "name: value": symbol, key in the rig file, dimension, unit when none is said. */
#define NW_LOG_HEADER_LIST(X)                                                                      \
    X(START, "start", NUMBER, "")                                                                  \
    X(EXPOSURE, "exposure", TIME, "s")                                                             \
    X(GUIDE_SCALE, "guide_scale", ANGLE, "arcsec")                                                 \
    X(RA_RATE, "ra_rate", ANGULAR_RATE, "arcsec/s")                                                \
    X(DEC_RATE, "dec_rate", ANGULAR_RATE, "arcsec/s")                                              \
    X(DECLINATION, "declination", ANGLE, "deg")                                                    \
    X(HOUR_ANGLE, "hour_angle", ANGLE, "h")                                                        \
    X(LATITUDE, "latitude", ANGLE, "deg")                                                          \
    X(ELEVATION, "elevation", LENGTH, "m")                                                         \
    X(WORM_PERIOD, "worm_period", TIME, "s")                                                       \
    X(TUBE_SIDE, "tube_side", NUMBER, "")
enum nw_log_header {
#define X(symbol, key, dim, unit) NW_LOG_##symbol,
    NW_LOG_HEADER_LIST(X) NW_LOG_N_HEADERS
#undef X
};

#define NW_LOG_COLUMN_LIST(X)                                                                      \
    X(TIME, "time", TIME, "")                                                                      \
    X(DATE, "date", NUMBER, "")                                                                    \
    X(RA_ERROR, "ra_error", ANGLE, "arcsec")                                                       \
    X(DEC_ERROR, "dec_error", ANGLE, "arcsec")                                                     \
    X(RA_PULSE, "ra_pulse", TIME, "ms")                                                            \
    X(DEC_PULSE, "dec_pulse", TIME, "ms")                                                          \
    X(SNR, "snr", NUMBER, "")                                                                      \
    X(LOCK_X, "lock_x", NUMBER, "px")                                                              \
    X(LOCK_Y, "lock_y", NUMBER, "px")                                                              \
    X(NOTE, "note", NUMBER, "")
enum nw_log_column {
#define X(symbol, key, dim, unit) NW_LOG_COLUMN_##symbol,
    NW_LOG_COLUMN_LIST(X) NW_LOG_N_COLUMNS
#undef X
};

#define NW_LOG_EVENT_LIST(X)                                                                       \
    X(DITHER, "dither")                                                                            \
    X(SETTLED, "settled")                                                                          \
    X(PAUSE, "pause")                                                                              \
    X(RESUME, "resume")                                                                            \
    X(LOST, "lost")
enum nw_log_event {
#define X(symbol, key) NW_LOG_EVENT_##symbol,
    NW_LOG_EVENT_LIST(X) NW_LOG_N_EVENTS
#undef X
};

struct nw_log_name { /* of a column or a line; number from 1 when the owner gave a number, else 0 */
    char name[48];
    size_t number;
};
struct nw_log_field {
    bool is_given;
    struct nw_log_name name;
    struct nw_log_name minus_column; /* pulses the other way, in a column of their own */
    struct nw_log_name direction;    /* column that says which way */
    char plus[24], minus[24];        /* what that column says */
    char east[24], west[24];         /* tube_side: words of the log */
    char unit[24];                   /* "" = as the list above; also px, sidereal, unix, jd, mjd */
    double factor;                   /* 1 unless given */
    char value[48];                  /* header: not in the log, this holds */
};

struct nw_log_layout {
    char name[NW_NAME_SIZE];
    char run_start[128], run_stop[128], row[128]; /* patterns; "" = none */
    char comment[16], separator[16], decimal[8], missing[24];
    char axes[8], ra_error_is[8], pulse_acts[8], time_is[8], date_order[8];
    char time_zone[72];
    struct nw_val clock_offset_s;
    struct nw_log_field header[NW_LOG_N_HEADERS], columns[NW_LOG_N_COLUMNS];
    char events[NW_LOG_N_EVENTS][128];
    char readings[1024]; /* "OURS = THEIRS [unit], ...": a climate or power log, no guide log */
    char settings[256]; /* names of lines "name: value" to notice changes of, with commas between */
};

const char *nw_log_header_key(enum nw_log_header header);
const char *nw_log_column_key(enum nw_log_column column);
const char *nw_log_event_key(enum nw_log_event event);

/* Only the layouts of a rig file, or of a file with `logs:` alone; what else the file holds is not
 * looked at. NOTFOUND: no such section. *ret is yours to free(). Errors as nw_rig_read. */
enum nw_status nw_rig_read_layouts(const char *path, struct nw_log_layout **ret, size_t *ret_n,
                                   struct nw_err *err) NW_CHECKED;
enum nw_status nw_rig_parse_layouts(const char *name, const char *data, size_t len,
                                    struct nw_log_layout **ret, size_t *ret_n,
                                    struct nw_err *err) NW_CHECKED;

#endif
