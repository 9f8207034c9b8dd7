/* layout_finish.c - a run of a described log gets its header, units and signs.
 * Idea: a header line begins with a number, with or without a unit behind it; the layout's unit
 * rules over the one in the log, that over our own. What rows need and nobody says (scale of a
 * pixel, declination) is an error: a guess would look like a measurement. */
#include <math.h>

#include "guiding/layout_internal.h"

#define RAD_PER_ARCSEC (1.0 / NW_ARCSEC_PER_RAD)
#define HOUR_rad (15.0 * NW_RAD_PER_DEG)
/* Rows that begin later belong to another pointing than the lines above. */
#define LEAD_MOST_s 3600.0

/* Where a header number goes, and what is within reason (SI; exposure to worm as in read.c). */
struct target {
    size_t offset;
    double low, high;
    bool is_set;
};
#define AT(member) offsetof(struct nw_guide_log, member)
static const struct target TARGETS[NW_LOG_N_HEADERS] = {
    [NW_LOG_EXPOSURE] = {AT(exposure_s), 1e-4, 600.0, true},
    [NW_LOG_GUIDE_SCALE] = {AT(guide_scale_rad_px), 0.01 * RAD_PER_ARCSEC, 200.0 * RAD_PER_ARCSEC,
                            true},
    [NW_LOG_RA_RATE] = {AT(ra_rate_rad_s), 0.01 * RAD_PER_ARCSEC, 1000.0 * RAD_PER_ARCSEC, true},
    [NW_LOG_DEC_RATE] = {AT(dec_rate_rad_s), 0.01 * RAD_PER_ARCSEC, 1000.0 * RAD_PER_ARCSEC, true},
    [NW_LOG_DECLINATION] = {AT(declination_rad), -90.0 * NW_RAD_PER_DEG, 90.0 * NW_RAD_PER_DEG,
                            true},
    [NW_LOG_HOUR_ANGLE] = {AT(hour_angle_rad), -24.0 * HOUR_rad, 24.0 * HOUR_rad, true},
    [NW_LOG_LATITUDE] = {AT(latitude_rad), -90.0 * NW_RAD_PER_DEG, 90.0 * NW_RAD_PER_DEG, true},
    [NW_LOG_ELEVATION] = {AT(elevation_m), -500.0, 9000.0, true},
    [NW_LOG_WORM_PERIOD] = {AT(worm_period_s), 1.0, 1e5, true},
};
static const struct {
    enum nw_dim dim;
    const char *unit;
} KINDS[NW_LOG_N_HEADERS] = {
#define X(symbol, key, dim, unit) {NW_DIM_##dim, unit},
    NW_LOG_HEADER_LIST(X)
#undef X
};

static bool is_unknown_word(const char *text) {
    static const char *const WORDS[] = {"", "-", "n/a", "na", "none", "nan", "unknown", "?"};
    for (size_t i = 0; i < sizeof WORDS / sizeof WORDS[0]; i++) {
        if (nw_text_equal_nocase(text, WORDS[i])) {
            return true;
        }
    }
    return false;
}

/* Digits behind a mark of degrees, hours or minutes: "41:16:09", "-1h12m", "+41 16 09". */
static const char *take_sixtieths(const char *text, double *value, bool is_negative) {
    double part = 1.0 / 60.0;
    for (int i = 0; i < 2; i++) {
        const char *const digits = text + strspn(text, ":dhm' ");
        double sixtieths = NAN;
        const char *const rest = digits > text && *digits >= '0' && *digits <= '9'
                                     ? nw_text_scan_double(digits, &sixtieths)
                                     : NULL;
        if (!rest || !(sixtieths < 60.0)) {
            break;
        }
        *value += (is_negative ? -part : part) * sixtieths;
        part /= 60.0;
        text = rest;
    }
    return text;
}

/* Factor of the unit that stands behind a number; NaN when there is none that we know. */
static double unit_behind(const char *text, enum nw_dim dim) {
    char unit[32];
    text += strspn(text, " \t");
    size_t n = strcspn(text, " \t,;)]|");
    n = n < sizeof unit - 1 ? n : sizeof unit - 1;
    memcpy(unit, text, n);
    unit[n] = '\0';
    for (size_t i = 0; i < n; i++) { /* "arcsec/px", "arcsec/pixel" */
        if (unit[i] == '/' && (unit[i + 1] == 'p' || unit[i + 1] == 'P')) {
            unit[i] = '\0';
            break;
        }
    }
    double factor = NAN;
    double offset = 0.0;
    if (dim == NW_DIM_ANGULAR_RATE &&
        (nw_text_equal_nocase(unit, "x") || nw_text_equal_nocase(unit, "sidereal"))) {
        return NW_SIDEREAL_RATE_RAD_S;
    }
    if (dim == NW_DIM_ANGLE && strcmp(unit, "\"") == 0) {
        return RAD_PER_ARCSEC;
    }
    return n > 0 && nw_unit_read(unit, dim, &factor, &offset, NULL) == NW_OK ? factor : NAN;
}

static double unit_named(const char *unit, enum nw_dim dim) {
    return dim == NW_DIM_ANGLE && strcmp(unit, "h") == 0 ? HOUR_rad : unit_behind(unit, dim);
}

/* Number with unit, SI; false when there is no number. */
static bool read_number(const struct nw_log_layout *layout, enum nw_log_header header,
                        const char *text, double *ret) {
    const struct nw_log_field *const field = &layout->header[header];
    char copy[64];
    double value = NAN;
    nw_text_copy(copy, sizeof copy, text);
    const size_t n = strspn(copy, "+-0123456789.,");
    for (size_t i = 0; i < n && layout->decimal[0] == 'c'; i++) {
        copy[i] = copy[i] == ',' ? '.' : copy[i];
    }
    const char *rest = nw_text_scan_double(copy, &value);
    if (!rest || !isfinite(value)) {
        return false;
    }
    const bool is_degrees = header == NW_LOG_DECLINATION || header == NW_LOG_LATITUDE;
    if (is_degrees || header == NW_LOG_HOUR_ANGLE) {
        rest = take_sixtieths(rest, &value, copy[0] == '-');
    }
    double factor = field->unit[0] != '\0' ? unit_named(field->unit, KINDS[header].dim)
                                           : unit_behind(rest, KINDS[header].dim);
    if (!isfinite(factor)) {
        factor = unit_named(KINDS[header].unit, KINDS[header].dim);
    }
    *ret = value * factor * field->factor;
    return true;
}

static enum nw_status fail(const char *name, const struct nw_guide_run *run,
                           enum nw_log_header header, struct nw_err *err, const char *what) {
    const size_t line = run->header_line[header];
    return nw_err_set(err, NW_FORMAT, "%s:%zu: %s%s: %s", name, line > 0 ? line : run->first_line,
                      nw_log_header_key(header), line > 0 ? "" : " (of the layout)", what);
}

static enum nw_status finish_numbers(const char *name, const struct nw_log_layout *layout,
                                     struct nw_guide_run *run, struct nw_err *err) {
    for (int h = 0; h < NW_LOG_N_HEADERS; h++) {
        const enum nw_log_header header = (enum nw_log_header)h;
        const char *const text = run->header_text[h];
        double value = NAN;
        char what[120];
        if (!TARGETS[h].is_set) {
            continue;
        }
        if (!is_unknown_word(text) && !read_number(layout, header, text, &value)) {
            (void)snprintf(what, sizeof what, "\"%.40s\" does not begin with a number", text);
            return fail(name, run, header, err, what);
        }
        if (value < TARGETS[h].low || value > TARGETS[h].high) {
            (void)snprintf(what, sizeof what, "\"%.40s\" is out of all reason; is its unit right?",
                           text);
            return fail(name, run, header, err, what);
        }
        memcpy((char *)run->log + TARGETS[h].offset, &value, sizeof value);
    }
    return NW_OK;
}

/* The log's own words first, then anything that begins with e or w. */
static enum nw_status finish_side(const char *name, const struct nw_log_layout *layout,
                                  struct nw_guide_run *run, struct nw_err *err) {
    const struct nw_log_field *const field = &layout->header[NW_LOG_TUBE_SIDE];
    const char *const text = run->header_text[NW_LOG_TUBE_SIDE];
    const bool has_words = field->east[0] != '\0' || field->west[0] != '\0';
    char word[48];
    nw_text_copy(word, sizeof word, text);
    word[strcspn(word, ",;|")] = '\0';
    for (size_t n = strlen(word); n > 0 && word[n - 1] == ' '; n--) {
        word[n - 1] = '\0';
    }
    if (is_unknown_word(word)) {
        return NW_OK;
    }
    const bool is_east =
        has_words ? nw_text_equal_nocase(word, field->east) : word[0] == 'e' || word[0] == 'E';
    const bool is_west =
        has_words ? nw_text_equal_nocase(word, field->west) : word[0] == 'w' || word[0] == 'W';
    if (!is_east && !is_west) {
        char what[120];
        (void)snprintf(what, sizeof what, "\"%.32s\" is neither %s nor %s", word,
                       has_words ? field->east : "east", has_words ? field->west : "west");
        return fail(name, run, NW_LOG_TUBE_SIDE, err, what);
    }
    nw_text_copy(run->log->tube_side, sizeof run->log->tube_side, is_east ? "east" : "west");
    return NW_OK;
}

static void add_note(struct nw_guide_run *run, const char *text) {
    const size_t n = strlen(run->note);
    (void)snprintf(run->note + n, sizeof run->note - n, "%s%s", n > 0 ? "; " : "", text);
}

/* Units that wait for the header: pixels, angles at the axis. */
static enum nw_status finish_errors(const char *name, const struct nw_log_layout *layout,
                                    struct nw_guide_run *run, struct nw_err *err) {
    struct nw_guide_log *const log = run->log;
    const bool is_ra_px = strcmp(layout->columns[NW_LOG_COLUMN_RA_ERROR].unit, "px") == 0;
    const bool is_dec_px = strcmp(layout->columns[NW_LOG_COLUMN_DEC_ERROR].unit, "px") == 0;
    const double scale = log->guide_scale_rad_px * NW_ARCSEC_PER_RAD;
    const bool is_axis = strcmp(layout->ra_error_is, "axis") == 0;
    if ((is_ra_px || is_dec_px) && !isfinite(scale)) {
        return nw_err_set(err, NW_FORMAT,
                          "%s:%zu: errors are in px and nothing says the guide_scale; give "
                          "logs.%s.header.guide_scale a name or a value",
                          name, run->first_line, layout->name);
    }
    if (is_axis && !isfinite(log->declination_rad)) {
        return nw_err_set(err, NW_FORMAT,
                          "%s:%zu: right-ascension errors are at the axis and nothing says the "
                          "declination; give logs.%s.header.declination a name or a value",
                          name, run->first_line, layout->name);
    }
    const double ra_factor = (is_ra_px ? scale : 1.0) * (is_axis ? cos(log->declination_rad) : 1.0);
    for (size_t i = 0; i < log->n; i++) {
        log->rows[i].ra_rad *= ra_factor;
        log->rows[i].dec_rad *= is_dec_px ? scale : 1.0;
    }
    return NW_OK;
}

static void finish_times(const struct nw_log_layout *layout, struct nw_guide_run *run) {
    struct nw_guide_log *const log = run->log;
    double shift_s = log->has_dates ? log->clock_offset_s : 0.0;
    if (layout->time_is[0] != 'm') {
        if (isfinite(log->exposure_s)) {
            shift_s += (layout->time_is[0] == 's' ? 0.5 : -0.5) * log->exposure_s;
        } else {
            add_note(run, "times are not of mid-exposure, and the exposure is not known");
        }
    }
    for (size_t i = 0; i < log->n; i++) {
        log->rows[i].t_s += shift_s;
    }
}

/* An hour angle in the lines above is that of the run's start; the log's is of the first row. */
static void finish_hour_angle(struct nw_guide_run *run) {
    struct nw_guide_log *const log = run->log;
    const double lead_s = log->n > 0 ? log->rows[0].t_s - log->clock_offset_s - run->start_s : NAN;
    if (lead_s > 0.0 && lead_s < LEAD_MOST_s) {
        log->hour_angle_rad += NW_SIDEREAL_RATE_RAD_S * lead_s;
    }
}

enum nw_status nw_layout_finish(const char *name, const struct nw_log_layout *layout,
                                struct nw_guide_run *run, struct nw_err *err) {
    struct nw_guide_log *const log = run->log;
    for (size_t h = 0; h < NW_LOG_N_HEADERS; h++) {
        if (layout->header[h].value[0] != '\0') {
            nw_text_copy(run->header_text[h], sizeof run->header_text[h], layout->header[h].value);
            run->header_line[h] = 0;
        }
    }
    log->pulse_acts = layout->pulse_acts[0] == 'b'   ? NW_PULSE_ACTS_BEFORE
                      : layout->pulse_acts[0] == 'a' ? NW_PULSE_ACTS_AFTER
                                                     : NW_PULSE_ACTS_UNKNOWN;
    log->axes_mount = strcmp(layout->axes, "mount") == 0;
    log->clock_offset_s = isfinite(layout->clock_offset_s.v) ? layout->clock_offset_s.v : 0.0;
    enum nw_status status = finish_numbers(name, layout, run, err);
    if (status == NW_OK) {
        status = finish_side(name, layout, run, err);
    }
    if (status == NW_OK) {
        status = finish_errors(name, layout, run, err);
    }
    if (status != NW_OK) {
        return status;
    }
    log->is_dec_sign_known = !log->axes_mount || log->tube_side[0] != '\0';
    finish_times(layout, run);
    finish_hour_angle(run);
    nw_guide_turn_to_sky(log);
    return NW_OK;
}
