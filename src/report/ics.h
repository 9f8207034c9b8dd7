/* ics.h - calendars (RFC 5545, through libical), shared by those of report. Private. */
#ifndef NW_REPORT_ICS_H
#define NW_REPORT_ICS_H

#include <libical/ical.h>

#include "base/base.h"

/* Identifiers come from what an event is, so that a newer calendar takes the place of an older. */
struct ics_event {
    const char *uid; /* made plain: what is no letter, digit, point or dash becomes a dash */
    double stamp_s;  /* when it was written; the same event with the same stamp is the same text */
    double start_s, end_s;
    bool is_day; /* whole days (DATE), end_s is not used; else UTC */
    const char *title, *text;
    const char *rule; /* RRULE, NULL: once */
    bool rings;       /* an alarm in the morning of its day */
};

icalcomponent *ics_begin(const char *product); /* "plan" */
void ics_add(icalcomponent *calendar, const struct ics_event *event);
/* Adds the text to *ret and frees the calendar and what libical keeps. */
enum nw_status ics_end(icalcomponent *calendar, struct nw_buf *ret, struct nw_err *err) NW_CHECKED;

#endif
