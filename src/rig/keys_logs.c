/* keys_logs.c - keys of the rig file: how text logs are laid out. */
#include "rig/keys_row.h"
#include "rig/logs.h"

#define LOG_WORD(p, m, list, def, text) WORD("logs.*." p, LOG, nw_log_layout, m, list, def, 0, text)
#define PATTERN(p, m, text) LOG_WORD(p, m, NULL, "", text)
#define HEADER(p, id, d, text)                                                                     \
    {                                                                                              \
        .path = "logs.*.header." p, .object = NW_RIG_LOG, .kind = NW_RIG_LOG_LINE,                 \
        .dim = NW_DIM_##d, .offset = offsetof(struct nw_log_layout, header[NW_LOG_##id]),          \
        .size = SIZE_OF(nw_log_layout, header[0]), .meaning = (text)                               \
    }
#define COLUMN(p, id, d, fl, text)                                                                 \
    {                                                                                              \
        .path = "logs.*.columns." p, .object = NW_RIG_LOG, .kind = NW_RIG_LOG_COLUMN,              \
        .dim = NW_DIM_##d, .flags = (fl),                                                          \
        .offset = offsetof(struct nw_log_layout, columns[NW_LOG_COLUMN_##id]),                     \
        .size = SIZE_OF(nw_log_layout, columns[0]), .meaning = (text)                              \
    }

static const struct nw_rig_key ROWS[] = {
    PATTERN("run_start", run_start,
            "pattern of the line that begins a run of guiding, {time} where its date and time "
            "stand; without: the file is one run"),
    PATTERN("run_stop", run_stop,
            "pattern of the line that ends a run; without: the next start or the end of the file"),
    PATTERN("row", row,
            "pattern of the lines that are rows of the table, such as {number};*; without: all "
            "lines of a run that begin with a digit, a sign or a quote"),
    LOG_WORD("comment", comment, NULL, "", "lines that begin so are skipped"),
    LOG_WORD("separator", separator, "comma|semicolon|tab|bar|blanks", "comma",
             "what stands between two cells"),
    LOG_WORD("decimal", decimal, "point|comma", "point", "decimal mark of the numbers"),
    LOG_WORD("missing", missing, NULL, "",
             "what a cell holds where nothing was measured, besides nothing, - and nan"),
    LOG_WORD("axes", axes, "sky|mount", "sky",
             "sky: + is east and north; mount: along the axes, and the declination turns over with "
             "the tube side"),
    LOG_WORD("ra_error_is", ra_error_is, "sky|axis", "sky",
             "whether the right-ascension error is an angle on the sky or at the axis, larger by "
             "1 / cos dec"),
    LOG_WORD("pulse_acts", pulse_acts, "before|after", "",
             "whether the pulse of a row moves the star before or after that row's error was "
             "measured; without: found from the log where it tells"),
    LOG_WORD("time_is", time_is, "start|middle|end", "middle",
             "which moment of the guide exposure the time of a row is"),
    LOG_WORD("date_order", date_order, "ymd|dmy|mdy", "ymd",
             "order of year, month, day; a date that begins with four digits is always ymd"),
    LOG_WORD("time_zone", time_zone, NULL, "",
             "zone of the log's clock: UTC, +02:00, Europe/Vienna or CET-1CEST,M3.5.0,M10.5.0/3; "
             "without: UTC"),
    DERIVED("logs.*.clock_offset", LOG, nw_log_layout, clock_offset_s, TIME, "-1e6 s", "1e6 s",
            "0 s", "added to the log's times"),
    LOG_WORD("settings", settings, NULL, "",
             "names of lines \"name: value\" that say how the guide program was set, with commas "
             "between: `book change` notices when they change"),
    LOG_WORD(
        "readings", readings, NULL, "",
        "columns of a climate or power log, with commas between: ours = theirs [unit], such as "
        "temperature_c = Outside [degF], power hub V = Bus; then no errors are needed"),
    HEADER("start", START, NUMBER, "date and time at which a run begins"),
    HEADER("exposure", EXPOSURE, TIME, "length of a guide exposure; s"),
    HEADER("guide_scale", GUIDE_SCALE, ANGLE, "angle of a pixel of the guide camera; arcsec"),
    HEADER("ra_rate", RA_RATE, ANGULAR_RATE,
           "speed of a pulse at the axis; arcsec/s, or unit: sidereal for a share of it"),
    HEADER("dec_rate", DEC_RATE, ANGULAR_RATE, "speed of a pulse in declination"),
    HEADER("declination", DECLINATION, ANGLE, "where the telescope points; deg"),
    HEADER("hour_angle", HOUR_ANGLE, ANGLE, "hour angle of the same, west positive; h"),
    HEADER("latitude", LATITUDE, ANGLE, "of the site; deg"),
    HEADER("elevation", ELEVATION, LENGTH, "of the site above the sea; m"),
    HEADER("worm_period", WORM_PERIOD, TIME, "one turn of the worm; s"),
    HEADER("tube_side", TUBE_SIDE, NUMBER,
           "side of the pier on which the tube stands; east and west: the log's words for it"),
    COLUMN("time", TIME, TIME, NW_RIG_REQUIRED,
           "time of a row: as date and time of day, or with unit s, ms, min, h since the start of "
           "the run, or unit unix, jd, mjd"),
    COLUMN("date", DATE, NUMBER, 0, "date of a row, where it has a column of its own"),
    COLUMN("ra_error", RA_ERROR, ANGLE, 0,
           "star minus lock point along right ascension, + east; arcsec or px; factor: -1 turns "
           "it over"),
    COLUMN("dec_error", DEC_ERROR, ANGLE, 0, "the same in declination, + north"),
    COLUMN("ra_pulse", RA_PULSE, TIME, 0,
           "correction as sent, + moves the star east; ms. Without a sign in the log: direction, "
           "plus and minus; or minus_column"),
    COLUMN("dec_pulse", DEC_PULSE, TIME, 0, "the same in declination, + moves the star north"),
    COLUMN("snr", SNR, NUMBER, 0, "signal to noise of the guide star"),
    COLUMN("lock_x", LOCK_X, NUMBER, 0, "lock point on the guide camera, px"),
    COLUMN("lock_y", LOCK_Y, NUMBER, 0, "its other coordinate"),
    COLUMN("note", NOTE, NUMBER, 0, "column in which the patterns of events are looked for, too"),
    PATTERN("events.dither", events[NW_LOG_EVENT_DITHER],
            "pattern of lines that tell of a dither; {time} where such a line has a time"),
    PATTERN("events.settled", events[NW_LOG_EVENT_SETTLED], "the end of a dither"),
    PATTERN("events.pause", events[NW_LOG_EVENT_PAUSE], "guiding is held"),
    PATTERN("events.resume", events[NW_LOG_EVENT_RESUME], "and goes on"),
    PATTERN("events.lost", events[NW_LOG_EVENT_LOST],
            "no star; a row of the table that matches loses its errors"),
};
KEYS_OF(logs, ROWS);
