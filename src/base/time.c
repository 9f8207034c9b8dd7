/* time.c - ISO 8601 date-times; see text.h.
 * Idea: the calendar goes through the Julian day number in whole numbers (Fliegel & Van Flandern
 * 1968, CACM 11, 657), so no clock, zone database or locale takes part. */
#include "base/text.h"

#include <math.h>

#include "base/base_internal.h"

enum { JDN_1970 = BASE_JDN_1970, S_PER_DAY = 86400, YEAR_MIN = 1, YEAR_MAX = 9999 };

/* Exactly n digits; moves *at on success. */
static bool take_number(const char **at, int n, long *ret) {
    long value = 0;
    for (int i = 0; i < n; i++) {
        if (!base_is_digit((*at)[i])) {
            return false;
        }
        value = value * 10 + ((*at)[i] - '0');
    }
    *at += n;
    *ret = value;
    return true;
}

static bool take_char(const char **at, char c) {
    if (**at != c) {
        return false;
    }
    ++*at;
    return true;
}

long base_day_number(long year, long month, long day) {
    const long a = (month - 14) / 12;
    return (1461 * (year + 4800 + a)) / 4 + (367 * (month - 2 - 12 * a)) / 12 -
           (3 * ((year + 4900 + a) / 100)) / 4 + day - 32075;
}

void base_date_of_day(long jdn, long *year, long *month, long *day) {
    long l = jdn + 68569;
    const long n = (4 * l) / 146097;
    l -= (146097 * n + 3) / 4;
    const long i = (4000 * (l + 1)) / 1461001;
    l = l - (1461 * i) / 4 + 31;
    const long j = (80 * l) / 2447;
    *day = l - (2447 * j) / 80;
    l = j / 11;
    *month = j + 2 - 12 * l;
    *year = 100 * (n - 49) + i + l;
}

bool base_is_date(long year, long month, long day) {
    if (year < YEAR_MIN || month < 1 || month > 12 || day < 1 || day > 31) {
        return false;
    }
    long y = 0;
    long m = 0;
    long d = 0;
    base_date_of_day(base_day_number(year, month, day), &y, &m, &d);
    return y == year && m == month && d == day;
}

static bool take_fraction(const char **at, double *ret) {
    *ret = 0.0;
    if (**at != '.' && **at != ',') { /* ISO 8601 allows both marks */
        return true;
    }
    ++*at;
    if (!base_is_digit(**at)) {
        return false;
    }
    char text[24] = "0.";
    size_t n = 2;
    for (; base_is_digit(**at); ++*at) {
        if (n < sizeof text - 1) {
            text[n++] = **at;
        }
    }
    return nw_text_to_double(text, ret);
}

/* Seconds of the day; 23:59:60 only where a leap second can stand. */
static bool take_time(const char **at, double *ret_s) {
    long hour = 0;
    long minute = 0;
    long second = 0;
    double fraction = 0.0;
    if (!take_number(at, 2, &hour) || !take_char(at, ':') || !take_number(at, 2, &minute)) {
        return false;
    }
    if (take_char(at, ':') && (!take_number(at, 2, &second) || !take_fraction(at, &fraction))) {
        return false;
    }
    if (hour > 23 || minute > 59 || second > (minute % 15 == 14 ? 60 : 59)) {
        return false;
    }
    *ret_s = (double)(hour * 3600 + minute * 60 + second) + (second == 60 ? 0.0 : fraction);
    return true;
}

/* "Z", "+hh:mm", "+hhmm", "+hh"; nothing leaves *offset_s as it is. */
static bool take_zone(const char **at, double *offset_s) {
    if (take_char(at, 'Z') || take_char(at, 'z')) {
        *offset_s = 0.0;
        return true;
    }
    const char sign = **at;
    if (sign != '+' && sign != '-') {
        return true;
    }
    ++*at;
    long hour = 0;
    long minute = 0;
    if (!take_number(at, 2, &hour)) {
        return false;
    }
    if (take_char(at, ':') ? !take_number(at, 2, &minute)
                           : base_is_digit(**at) && !take_number(at, 2, &minute)) {
        return false;
    }
    if (hour > 14 || minute > 59) {
        return false;
    }
    *offset_s = (sign == '-' ? -1.0 : 1.0) * (double)(hour * 3600 + minute * 60);
    return true;
}

enum nw_status nw_time_read_iso(const char *text, double zone_offset_s, double *ret_t_utc_s,
                                struct nw_err *err) {
    static const char *const expected = "expected a time such as 2026-05-14T21:40:07.25Z";
    const char *p = base_skip_blanks(text);
    char quoted[BASE_QUOTE_BYTES];
    base_quote(quoted, text);
    long year = 0;
    long month = 0;
    long day = 0;
    double second_s = 0.0;
    double offset_s = zone_offset_s;
    if (!take_number(&p, 4, &year) || !take_char(&p, '-') || !take_number(&p, 2, &month) ||
        !take_char(&p, '-') || !take_number(&p, 2, &day)) {
        return nw_err_set(err, NW_FORMAT, "\"%s\" is not a date and time, %s", quoted, expected);
    }
    if (!base_is_date(year, month, day)) {
        return nw_err_set(err, NW_FORMAT, "\"%s\" names no day of the calendar", quoted);
    }
    if (!take_char(&p, 'T') && !take_char(&p, 't') && !take_char(&p, ' ')) {
        return nw_err_set(err, NW_FORMAT, "\"%s\" has no time of day, %s", quoted, expected);
    }
    if (!take_time(&p, &second_s)) {
        return nw_err_set(err, NW_FORMAT, "\"%s\" has no valid time of day, %s", quoted, expected);
    }
    if (!take_zone(&p, &offset_s)) {
        return nw_err_set(err, NW_FORMAT, "\"%s\" has no valid zone, expected Z or +hh:mm", quoted);
    }
    if (*base_skip_blanks(p) != '\0') {
        return nw_err_set(err, NW_FORMAT, "\"%s\" goes on after the time, %s", quoted, expected);
    }
    const long days = base_day_number(year, month, day) - JDN_1970;
    *ret_t_utc_s = (double)days * S_PER_DAY + (second_s - offset_s);
    return NW_OK;
}

void nw_time_write_iso(double t_utc_s, int digits, char *text, size_t text_size) {
    const int n_digits = digits < 0 ? 0 : digits > 6 ? 6 : digits;
    const double t_min_s = (double)(base_day_number(YEAR_MIN, 1, 1) - JDN_1970) * S_PER_DAY;
    const double t_end_s = (double)(base_day_number(YEAR_MAX, 12, 31) - JDN_1970) * S_PER_DAY;
    if (!(t_utc_s >= t_min_s && t_utc_s < t_end_s)) {
        nw_text_copy(text, text_size, "-");
        return;
    }
    long per_s = 1;
    for (int i = 0; i < n_digits; i++) {
        per_s *= 10;
    }
    double whole_days = floor(t_utc_s / S_PER_DAY);
    long ticks = lround((t_utc_s - whole_days * S_PER_DAY) * (double)per_s);
    if (ticks >= S_PER_DAY * per_s) { /* rounds up to the next midnight */
        ticks -= S_PER_DAY * per_s;
        whole_days += 1.0;
    }
    long year = 0;
    long month = 0;
    long day = 0;
    base_date_of_day((long)whole_days + JDN_1970, &year, &month, &day);
    const long second = ticks / per_s;
    char fraction[32] = "";
    if (n_digits > 0) {
        (void)snprintf(fraction, sizeof fraction, ".%0*ld", n_digits, ticks % per_s);
    }
    (void)snprintf(text, text_size, "%04ld-%02ld-%02ldT%02ld:%02ld:%02ld%sZ", year, month, day,
                   second / 3600, second / 60 % 60, second % 60, fraction);
}
