/* layout_time.c - times of described logs.
 * Idea: a local time has one UTC, two in the hour that autumn repeats, none in the hour that spring
 * leaves out; among two, the first that does not run backwards is taken. Clock times alone count
 * from the day on which the run began, and a clock that falls by over half a day passed midnight.
 */
#include <math.h>

#include "guiding/layout_internal.h"

#define DAY_s 86400.0
#define JD_1970 2440587.5 /* 1970-01-01T00:00, Julian date; from the definition of both counts */
#define MJD_1970 40587.0

enum nw_status nw_layout_clock_init(const struct nw_log_layout *layout, struct layout_clock *ret,
                                    struct nw_err *err) {
    *ret = (struct layout_clock){.layout = layout, .last_clock_s = NAN, .last_utc_s = -INFINITY};
    ret->has_zone = layout->time_zone[0] != '\0';
    if (ret->has_zone && nw_time_zone_read(layout->time_zone, NULL, &ret->zone, err) != NW_OK) {
        return nw_err_at(err, NW_FORMAT, "logs.%s.time_zone", layout->name);
    }
    return NW_OK;
}

static enum nw_date_order order_of(const struct layout_clock *clock) {
    const char first = clock->layout->date_order[0];
    return first == 'd' ? NW_DATE_DMY : first == 'm' ? NW_DATE_MDY : NW_DATE_YMD;
}

static double to_utc(struct layout_clock *clock, double local_s) {
    double t[2] = {NAN, NAN};
    const size_t n = nw_time_zone_utc(&clock->zone, local_s, t);
    if (n == 0) { /* a clock that was not put forward in time */
        return local_s - clock->zone.standard_s;
    }
    return n == 2 && t[0] < clock->last_utc_s - 1.0 ? t[1] : t[0];
}

/* UTC of a stamp with date and time. */
static double stamp_utc_s(struct layout_clock *clock, const struct nw_stamp *stamp) {
    clock->is_zoned = stamp->has_zone || clock->has_zone;
    return stamp->has_zone ? stamp->date_s + stamp->time_s - stamp->zone_s
                           : to_utc(clock, stamp->date_s + stamp->time_s);
}

bool nw_layout_clock_start(struct layout_clock *clock, struct layout_text start) {
    struct nw_stamp stamp = {0};
    clock->has_start = false;
    clock->last_clock_s = NAN;
    clock->has_day = false;
    clock->day_s = 0.0;
    if (start.len == 0) {
        return true;
    }
    if (!nw_stamp_read(start.at, start.len, order_of(clock), &stamp) || !stamp.has_date) {
        return false;
    }
    clock->has_day = true;
    clock->day_s = stamp.date_s;
    if (stamp.has_time) {
        clock->has_start = true;
        clock->start_utc_s = stamp_utc_s(clock, &stamp);
        clock->last_clock_s = stamp.time_s;
    }
    return true;
}

/* Numbers: since the start of the run, or a count of days or seconds. */
static bool read_number(struct layout_clock *clock, const struct nw_log_field *field,
                        struct layout_text text, double *ret_s) {
    double value = NAN;
    double unit_s = NAN;
    double offset = 0.0;
    if (!nw_layout_number(clock->layout, text, &value) || !isfinite(value)) {
        return false;
    }
    value *= field->factor;
    clock->has_dates = true;
    if (strcmp(field->unit, "unix") == 0) {
        *ret_s = value;
    } else if (strcmp(field->unit, "jd") == 0) {
        *ret_s = (value - JD_1970) * DAY_s;
    } else if (strcmp(field->unit, "mjd") == 0) {
        *ret_s = (value - MJD_1970) * DAY_s;
    } else if (nw_unit_read(field->unit, NW_DIM_TIME, &unit_s, &offset, NULL) == NW_OK) {
        clock->has_dates = clock->has_start;
        *ret_s = value * unit_s + (clock->has_start ? clock->start_utc_s : 0.0);
        return isfinite(*ret_s);
    }
    clock->is_zoned = true; /* these counts are UTC */
    return isfinite(*ret_s);
}

/* A time of day without a date: the day is that of the start, then counted at midnight. */
static double clock_s(struct layout_clock *clock, const struct nw_stamp *stamp) {
    if (isfinite(clock->last_clock_s) && stamp->time_s < clock->last_clock_s - 0.5 * DAY_s) {
        clock->day_s += DAY_s;
    }
    clock->last_clock_s = stamp->time_s;
    return clock->day_s + stamp->time_s;
}

bool nw_layout_clock_read(struct layout_clock *clock, struct layout_text time,
                          struct layout_text date, double *ret_s, char reason[static 120]) {
    const struct nw_log_field *const field = &clock->layout->columns[NW_LOG_COLUMN_TIME];
    struct nw_stamp stamp = {0};
    struct nw_stamp day = {0};
    char quoted[40];
    nw_layout_copy(quoted, sizeof quoted, time);
    if (field->unit[0] != '\0') {
        if (!read_number(clock, field, time, ret_s)) {
            (void)snprintf(reason, 120, "time: \"%s\" is not a number", quoted);
            return false;
        }
        return true;
    }
    if (!nw_stamp_read(time.at, time.len, order_of(clock), &stamp) || !stamp.has_time) {
        (void)snprintf(reason, 120, "time: \"%s\" is no time of day", quoted);
        return false;
    }
    if (date.len > 0) {
        if (!nw_stamp_read(date.at, date.len, order_of(clock), &day) || !day.has_date) {
            nw_layout_copy(quoted, sizeof quoted, date);
            (void)snprintf(reason, 120, "date: \"%s\" is no date", quoted);
            return false;
        }
        stamp.has_date = true;
        stamp.date_s = day.date_s;
    }
    if (!stamp.has_date) {
        const double local_s = clock_s(clock, &stamp);
        if (!clock->has_day) { /* days since the first row */
            clock->has_dates = false;
            *ret_s = local_s;
            return true;
        }
        stamp.date_s = local_s - stamp.time_s;
    }
    clock->has_dates = true;
    *ret_s = stamp_utc_s(clock, &stamp);
    return true;
}
