/* base_internal.h - shared by the files of base only. */
#ifndef NW_BASE_INTERNAL_H
#define NW_BASE_INTERNAL_H

#include <stdbool.h>

#include "base/err.h"

static inline bool base_is_digit(char c) {
    return c >= '0' && c <= '9';
}

static inline const char *base_skip_blanks(const char *text) {
    while (*text == ' ' || *text == '\t' || *text == '\n' || *text == '\r') {
        text++;
    }
    return text;
}

/* `text` fit to stand in a message: cut ("...") when long, control and broken bytes as '?'. */
enum { BASE_QUOTE_BYTES = 64 };
void base_quote(char to[BASE_QUOTE_BYTES], const char *text);

/* "PATH: WHAT: reason of the operating system"; NOTFOUND, NOMEM or IO by its number. */
enum nw_status base_fail_errno(const char *path, const char *what, int number, struct nw_err *err);

/* The calendar (time.c): Julian day number of a date at noon and back; is there that day? */
enum { BASE_JDN_1970 = 2440588 };
long base_day_number(long year, long month, long day);
void base_date_of_day(long jdn, long *year, long *month, long *day);
bool base_is_date(long year, long month, long day);

/* Exponents of m kg s A K rad mag e adu px byte, in this order. */
enum { BASE_N_DIMS = 11 };
struct base_dims {
    signed char power[BASE_N_DIMS];
};

/* A unit, read: value_si = value * factor, plus zero_si where the unit stands for a temperature
 * scale (degC, degF alone). */
struct base_unit {
    double factor, zero_si;
    bool is_scale;
    struct base_dims dims;
};
enum nw_status base_unit_parse(const char *text, struct base_unit *ret,
                               struct nw_err *err) NW_CHECKED;

#endif
