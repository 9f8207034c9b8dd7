/* text.h - strict readings of text; suggestions for misspelt names; ISO 8601 times. */
#ifndef NW_TEXT_H
#define NW_TEXT_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"

/* The whole of `text` (blanks around allowed) as a finite number, independent of the locale. */
bool nw_text_to_double(const char *text, double *ret);
/* The number that `text` begins with: the place behind it, or NULL when there is none. *ret may be
 * infinite. An 'e' without digits behind it is not part of the number ("1.6e" reads 1.6). */
const char *nw_text_scan_double(const char *text, double *ret);
bool nw_text_to_long(const char *text, long *ret);
bool nw_text_equal_nocase(const char *a, const char *b);
bool nw_text_ends_nocase(const char *text, const char *ending);
bool nw_text_is_utf8(const char *bytes, size_t len);

/* The nearest of n names by edit distance (case ignored, a swap of neighbours counts 1), or NULL
 * when none is near: distance over a third of the word's length (at least 2), or nothing in
 * common. The first of equals. */
const char *nw_text_nearest(const char *word, const char *const *names, size_t n);

/* Copies at most size-1 bytes, always terminates, never splits a UTF-8 character. */
void nw_text_copy(char *to, size_t size, const char *from);

/* ISO 8601 date-times "2026-05-14T21:40:07.25[Z|+hh:mm]" (also a blank for T) to seconds since
 * 1970-01-01T00:00:00 UTC, POSIX count (leap seconds left out; 23:59:60 is the next midnight).
 * Without a zone, `zone_offset_s` (east positive) is taken. Seconds may be left out, the time of
 * day may not. Years 1 to 9999. Resolution of the result in this century: 2.4e-7 s. */
enum nw_status nw_time_read_iso(const char *text, double zone_offset_s, double *ret_t_utc_s,
                                struct nw_err *err) NW_CHECKED;
/* "2026-05-14T21:40:07Z"; digits = decimals of the second, 0 to 6, rounded. text_size >= 32.
 * A time that is not finite or outside the years 1 to 9999 is written "-". */
void nw_time_write_iso(double t_utc_s, int digits, char *text, size_t text_size);

#endif
