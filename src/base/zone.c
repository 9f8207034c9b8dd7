/* zone.c - local clocks; see zone.h.
 * Idea: a zone is two offsets and two days of the year; the text of a POSIX rule says all four, and
 * the file of a named zone ends in such a rule. So no library state and no environment take part.
 */
#include "base/zone.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/base_internal.h"
#include "base/buf.h"
#include "base/file.h"
#include "base/text.h"

#define DAY_s 86400.0
#define ZONE_FILE_MAX 100000
static const char *const EXPECTED =
    "expected UTC, +02:00, a zone such as Europe/Vienna or a rule CET-1CEST,M3.5.0,M10.5.0/3";

/* ---- Reading ---- */

/* "h", "hh", "hh:mm", "hh:mm:ss" with a sign; moves *at. */
static bool take_hours(const char **at, long hours_max, double *ret_s) {
    const char *c = *at;
    const double sign = *c == '-' ? -1.0 : 1.0;
    double unit_s = 3600.0;
    double sum_s = 0.0;
    c += *c == '+' || *c == '-' ? 1 : 0;
    for (int part = 0; part < 3; part++) {
        char *end = NULL;
        const long value = base_is_digit(*c) ? strtol(c, &end, 10) : -1;
        if (value < 0 || end - c > 3 || value > (part == 0 ? hours_max : 59)) {
            return false;
        }
        sum_s += (double)value * unit_s;
        unit_s /= 60.0;
        c = end;
        if (*c != ':') {
            break;
        }
        c++;
    }
    *at = c;
    *ret_s = sign * sum_s;
    return true;
}

static bool take_abbreviation(const char **at) {
    const char *c = *at;
    if (*c == '<') {
        const char *const close = strchr(c, '>');
        *at = close ? close + 1 : c;
        return close != NULL;
    }
    while ((*c >= 'A' && *c <= 'Z') || (*c >= 'a' && *c <= 'z')) {
        c++;
    }
    const bool is_long_enough = c - *at >= 3;
    *at = c;
    return is_long_enough;
}

/* ",M3.5.0/2" */
static bool take_change(const char **at, struct nw_time_change *ret) {
    const int max[3] = {12, 5, 6};
    const int min[3] = {1, 1, 0};
    int parts[3] = {0};
    const char *c = *at;
    if (c[0] != ',' || c[1] != 'M') {
        return false;
    }
    c += 2;
    for (int i = 0; i < 3; i++) {
        char *end = NULL;
        const long value = base_is_digit(*c) ? strtol(c, &end, 10) : -1;
        if (value < min[i] || value > max[i] || (i < 2 && *end != '.')) {
            return false;
        }
        parts[i] = (int)value;
        c = end + (i < 2 ? 1 : 0);
    }
    double at_s = 7200.0; /* 02:00 when not said */
    if (*c == '/') {
        c++;
        if (!take_hours(&c, 167, &at_s)) {
            return false;
        }
    }
    *at = c;
    *ret = (struct nw_time_change){parts[0], parts[1], parts[2], at_s};
    return true;
}

/* POSIX counts west of Greenwich +; we count east. */
static bool read_rule(const char *text, struct nw_time_zone *ret) {
    struct nw_time_zone zone = {0};
    const char *c = text;
    double west_s = 0.0;
    if (!take_abbreviation(&c) || !take_hours(&c, 24, &west_s)) {
        return false;
    }
    zone.standard_s = zone.summer_s = -west_s;
    if (*c != '\0') {
        zone.has_summer = true;
        zone.summer_s = zone.standard_s + 3600.0;
        if (!take_abbreviation(&c)) {
            return false;
        }
        if (*c != ',') {
            if (!take_hours(&c, 24, &west_s)) {
                return false;
            }
            zone.summer_s = -west_s;
        }
        if (!take_change(&c, &zone.to_summer) || !take_change(&c, &zone.to_standard)) {
            return false;
        }
    }
    *ret = zone;
    return *c == '\0';
}

/* "+02:00", "-0330", "+2" */
static bool read_offset(const char *text, double *ret_s) {
    if (*text != '+' && *text != '-') {
        return false;
    }
    const size_t n_digits = strspn(text + 1, "0123456789");
    const char *c = text;
    if (n_digits == 4 && text[5] == '\0') { /* hhmm without colon */
        const long hhmm = strtol(text + 1, NULL, 10);
        const long seconds = hhmm / 100 * 3600 + hhmm % 100 * 60;
        *ret_s = *text == '-' ? -(double)seconds : (double)seconds;
        return hhmm / 100 <= 14 && hhmm % 100 <= 59;
    }
    return n_digits <= 2 && take_hours(&c, 14, ret_s) && *c == '\0';
}

static bool is_zone_name(const char *text) {
    const size_t len = strlen(text);
    return len < 64 && len > 2 && strchr(text, '/') && text[0] != '/' && !strstr(text, "..") &&
           strspn(text, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_+-/") ==
               len;
}

/* The rule stands between the last two line feeds of the file (RFC 8536, 3.3). */
static enum nw_status read_named(const char *name, const char *folder, struct nw_time_zone *ret,
                                 struct nw_err *err) {
    char path[512];
    char *data = NULL;
    size_t len = 0;
    (void)snprintf(path, sizeof path, "%.300s/%s", folder ? folder : "/usr/share/zoneinfo", name);
    enum nw_status status = nw_file_read(path, ZONE_FILE_MAX, &data, &len, err);
    if (status != NW_OK) {
        return nw_err_set(err, status,
                          "no zone \"%s\" on this computer (%s); its rule can be given instead, "
                          "such as CET-1CEST,M3.5.0,M10.5.0/3",
                          name, path);
    }
    size_t first = len > 0 ? len - 1 : 0; /* the last byte is a line feed */
    while (first > 0 && data[first - 1] != '\n') {
        first--;
    }
    const bool is_rule = len > 44 && memcmp(data, "TZif", 4) == 0 && data[len - 1] == '\n';
    if (is_rule) {
        data[len - 1] = '\0';
    }
    if (!is_rule || !read_rule(data + first, ret)) {
        status = nw_err_set(err, NW_FORMAT, "%s: no rule of a zone at its end", path);
    }
    free(data);
    return status;
}

enum nw_status nw_time_zone_read(const char *text, const char *folder, struct nw_time_zone *ret,
                                 struct nw_err *err) {
    struct nw_time_zone zone = {0};
    char quoted[BASE_QUOTE_BYTES];
    enum nw_status status = NW_OK;
    if (nw_text_equal_nocase(text, "UTC") || nw_text_equal_nocase(text, "Z")) {
        zone = (struct nw_time_zone){0};
    } else if (read_offset(text, &zone.standard_s)) {
        zone.summer_s = zone.standard_s;
    } else if (is_zone_name(text)) {
        status = read_named(text, folder, &zone, err);
    } else if (!read_rule(text, &zone)) {
        base_quote(quoted, text);
        status = nw_err_set(err, NW_FORMAT, "\"%s\" is no time zone, %s", quoted, EXPECTED);
    }
    if (status == NW_OK) {
        *ret = zone;
    }
    return status;
}

/* ---- Use ---- */

/* Local instant of a change, as if UTC. Day 0 of the Julian count at noon is a Monday. */
static double change_s(const struct nw_time_change *change, long year) {
    const long first = base_day_number(year, change->month, 1);
    const long weekday = (first + 1) % 7; /* 0 Sunday */
    long day = 1 + (change->day - weekday + 7) % 7 + 7L * (change->week - 1);
    while (!base_is_date(year, change->month, day)) {
        day -= 7; /* week 5 is the last there is */
    }
    return (double)(first + day - 1 - BASE_JDN_1970) * DAY_s + change->at_s;
}

bool nw_time_zone_is_summer(const struct nw_time_zone *zone, double t_utc_s) {
    const double day = floor((t_utc_s + zone->standard_s) / DAY_s);
    if (!zone->has_summer || !(fabs(day) < 1e6)) {
        return false;
    }
    long year = 0;
    long month = 0;
    long date = 0;
    base_date_of_day((long)day + BASE_JDN_1970, &year, &month, &date);
    const double start_s = change_s(&zone->to_summer, year) - zone->standard_s;
    const double end_s = change_s(&zone->to_standard, year) - zone->summer_s;
    return start_s < end_s ? t_utc_s >= start_s && t_utc_s < end_s
                           : t_utc_s >= start_s || t_utc_s < end_s; /* south of the equator */
}

size_t nw_time_zone_utc(const struct nw_time_zone *zone, double local_s,
                        double ret_utc_s[static 2]) {
    const double summer_s = local_s - zone->summer_s;
    const double standard_s = local_s - zone->standard_s;
    size_t n = 0;
    if (zone->has_summer && nw_time_zone_is_summer(zone, summer_s)) {
        ret_utc_s[n++] = summer_s;
    }
    if (!nw_time_zone_is_summer(zone, standard_s)) {
        ret_utc_s[n++] = standard_s;
    }
    if (n == 2 && ret_utc_s[1] < ret_utc_s[0]) {
        const double swap = ret_utc_s[0];
        ret_utc_s[0] = ret_utc_s[1];
        ret_utc_s[1] = swap;
    }
    return n;
}
