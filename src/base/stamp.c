/* stamp.c - dates and times of day as programs write them; see zone.h.
 * Idea: pieces in any order: a time is what has a colon, a zone stands behind it, names of months
 * and days of the week are known, the other numbers are the date. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/base_internal.h"
#include "base/text.h"
#include "base/zone.h"

enum { TEXT_MAX = 64 };

struct pieces {
    long numbers[3]; /* of the date, in the order of the text */
    size_t digits[3];
    size_t n;
    long month; /* by name; 0 without */
    struct nw_stamp stamp;
    const char *time_end; /* a sign here begins a zone */
    bool is_fine;
};

static bool is_letter(char c) {
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}

static long take_digits(const char **at) {
    long value = 0;
    for (; base_is_digit(**at); ++*at) {
        value = value < 100000000 ? value * 10 + (**at - '0') : value;
    }
    return value;
}

/* Behind the hours: ":mm[:ss[.f]]". */
static const char *take_time(const char *at, long hours, struct pieces *p) {
    double second_s = 0.0;
    at++;
    const char *const minutes_at = at;
    const long minutes = take_digits(&at);
    bool is_fine = at - minutes_at == 2 && minutes <= 59 && hours <= 23 && !p->stamp.has_time;
    if (*at == ':' && base_is_digit(at[1])) {
        char text[TEXT_MAX];
        size_t n = 0;
        for (at++; base_is_digit(*at) || ((*at == '.' || *at == ',') && base_is_digit(at[1]));
             at++) {
            text[n++] = *at == ',' ? '.' : *at;
        }
        text[n] = '\0';
        is_fine = is_fine && nw_text_to_double(text, &second_s) && second_s < 61.0;
    }
    p->is_fine = p->is_fine && is_fine;
    p->time_end = at;
    p->stamp.has_time = true;
    p->stamp.time_s = (double)hours * 3600.0 + (double)minutes * 60.0 + second_s;
    return at;
}

/* "+02:00", "-0330", "+02" behind a time. */
static const char *take_zone(const char *at, struct pieces *p) {
    char text[TEXT_MAX];
    size_t n = 1 + strspn(at + 1, "0123456789:");
    (void)snprintf(text, sizeof text, "%.*s", (int)n, at);
    struct nw_time_zone zone = {0};
    p->is_fine = p->is_fine && nw_time_zone_read(text, NULL, &zone, NULL) == NW_OK;
    p->is_fine = p->is_fine && !p->stamp.has_zone;
    p->stamp.has_zone = true;
    p->stamp.zone_s = zone.standard_s;
    return at + n;
}

/* Names: T, Z, UTC, AM, PM, months, days of the week. */
static const char *take_word(const char *at, struct pieces *p) {
    static const char MONTHS[] = "janfebmaraprmayjunjulaugsepoctnovdec";
    static const char DAYS[] = "montuewedthufrisatsun";
    char word[TEXT_MAX];
    size_t n = 0;
    for (; is_letter(at[n]); n++) {
        word[n] = (char)(at[n] | 0x20);
    }
    word[n] = '\0';
    char first[4];
    (void)snprintf(first, sizeof first, "%.3s", word);
    const char *const month = n >= 3 ? strstr(MONTHS, first) : NULL;
    const char *const day = n >= 3 ? strstr(DAYS, first) : NULL;
    const bool is_afternoon = strcmp(word, "pm") == 0;
    if (strcmp(word, "t") == 0) {
        return at + n;
    }
    if (strcmp(word, "z") == 0 || strcmp(word, "utc") == 0) {
        p->stamp.has_zone = true;
        p->is_fine = p->is_fine && p->stamp.has_time;
    } else if (is_afternoon || strcmp(word, "am") == 0) {
        const double hour = floor(p->stamp.time_s / 3600.0);
        p->is_fine = p->is_fine && p->stamp.has_time && hour >= 1.0 && hour <= 12.0;
        p->stamp.time_s += (is_afternoon ? 43200.0 : 0.0) - (hour >= 12.0 ? 43200.0 : 0.0);
    } else if (month && (month - MONTHS) % 3 == 0 && p->month == 0) {
        p->month = 1 + (month - MONTHS) / 3;
    } else if (!day || (day - DAYS) % 3 != 0) {
        p->is_fine = false;
    }
    return at + n;
}

static const char *take_number(const char *at, struct pieces *p) {
    const char *end = at;
    const long value = take_digits(&end);
    const size_t digits = (size_t)(end - at);
    if (*end == ':') {
        p->is_fine = p->is_fine && digits <= 2;
        return take_time(end, value, p);
    }
    if (digits == 8 && p->n == 0) { /* 20260514 */
        p->numbers[0] = value / 10000;
        p->numbers[1] = value / 100 % 100;
        p->numbers[2] = value % 100;
        p->digits[0] = 4;
        p->digits[1] = p->digits[2] = 2;
        p->n = 3;
    } else if (p->n < 3 && digits <= 4) {
        p->numbers[p->n] = value;
        p->digits[p->n] = digits;
        p->n++;
    } else {
        p->is_fine = false;
    }
    return end;
}

/* Year, month and day from the numbers; false when they are none. */
static bool date_of(const struct pieces *p, enum nw_date_order order, double *ret_s) {
    size_t year = 0;
    size_t month = 1;
    size_t day = 2;
    if (p->month > 0) { /* two numbers: the one with four digits is the year, else the last */
        if (p->n != 2) {
            return false;
        }
        year = p->digits[0] == 4 ? 0 : 1;
        day = 1 - year;
    } else if (p->n != 3) {
        return false;
    } else if (p->digits[0] != 4) {
        year = order == NW_DATE_YMD ? 0 : 2;
        month = order == NW_DATE_MDY ? 0 : 1;
        day = order == NW_DATE_YMD ? 2 : order == NW_DATE_DMY ? 0 : 1;
    }
    const long y = p->numbers[year] + (p->digits[year] <= 2 ? 2000 : 0);
    const long m = p->month > 0 ? p->month : p->numbers[month];
    const long d = p->numbers[day];
    if (!base_is_date(y, m, d)) {
        return false;
    }
    *ret_s = (double)(base_day_number(y, m, d) - BASE_JDN_1970) * 86400.0;
    return true;
}

bool nw_stamp_read(const char *text, size_t len, enum nw_date_order order, struct nw_stamp *ret) {
    char copy[TEXT_MAX];
    struct pieces p = {.is_fine = len > 0 && len < TEXT_MAX};
    if (!p.is_fine) {
        return false;
    }
    memcpy(copy, text, len);
    copy[len] = '\0';
    for (const char *at = copy; *at != '\0' && p.is_fine;) {
        const bool is_behind_time = at == p.time_end || (p.time_end && *at == '+');
        if (base_is_digit(*at)) {
            at = take_number(at, &p);
        } else if (is_letter(*at)) {
            at = take_word(at, &p);
        } else if (is_behind_time && (*at == '+' || *at == '-') && base_is_digit(at[1])) {
            at = take_zone(at, &p);
        } else {
            p.is_fine = strchr(" \t-./,", *at) != NULL;
            at++;
        }
    }
    if (p.is_fine && (p.n > 0 || p.month > 0)) {
        p.stamp.has_date = p.is_fine = date_of(&p, order, &p.stamp.date_s);
    }
    if (!p.is_fine || !(p.stamp.has_date || p.stamp.has_time)) {
        return false;
    }
    *ret = p.stamp;
    return true;
}
