/* zone.h - local clocks: zones with summer time, and date-times as programs write them. */
#ifndef NW_ZONE_H
#define NW_ZONE_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"

/* The day on which a clock is changed: week-th `day` (0 Sunday) of a month, week 5 the last; at
 * `at_s` of the local time that ends. */
struct nw_time_change {
    int month, week, day;
    double at_s;
};
struct nw_time_zone {
    double standard_s, summer_s; /* local minus UTC, east + */
    bool has_summer;
    struct nw_time_change to_summer, to_standard;
};

/* "UTC", "+02:00", "-0330"; a POSIX rule "CET-1CEST,M3.5.0,M10.5.0/3" (IEEE Std 1003.1, TZ); or the
 * name of a zone ("Europe/Vienna"), whose present rule is taken from the end of its file in
 * `folder` (RFC 8536, 3.3; NULL: /usr/share/zoneinfo): right for as long as that rule holds, not
 * for years before it. FORMAT with the forms allowed; NOTFOUND: no such zone. */
enum nw_status nw_time_zone_read(const char *text, const char *folder, struct nw_time_zone *ret,
                                 struct nw_err *err) NW_CHECKED;

/* All times UTC [s since 1970] at which clocks of this zone show local_s (counted as if it were
 * UTC), in order: one; two in the hour that autumn repeats; none in the hour that spring leaves
 * out. */
size_t nw_time_zone_utc(const struct nw_time_zone *zone, double local_s,
                        double ret_utc_s[static 2]);
bool nw_time_zone_is_summer(const struct nw_time_zone *zone, double t_utc_s);

enum nw_date_order { NW_DATE_YMD, NW_DATE_DMY, NW_DATE_MDY };

/* A date, a time of day, or both, as found in text. */
struct nw_stamp {
    bool has_date, has_time, has_zone;
    double date_s; /* midnight of the date, s since 1970 as if UTC */
    double time_s; /* of the day */
    double zone_s; /* of "Z" or "+02:00" behind the time */
};
/* "2026-05-14T21:40:07.25Z", "14.05.2026 21:40", "5/14/2026 9:40:07 PM", "Thu May 14 21:40:07
 * 2026", "20260514", "21:40:07,5". A date that begins with four digits is year, month, day, one
 * with the name of a month (English) says itself; of others `order` tells. Two digits of a year are
 * 20xx. false: neither date nor time, something left over, or no such day. */
bool nw_stamp_read(const char *text, size_t len, enum nw_date_order order, struct nw_stamp *ret);

#endif
