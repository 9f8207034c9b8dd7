/* report_live.h - the night as it goes: a line an event, a line a sub, nightwright.watch.1, and one
 * static page. A public header of report of its own; the rest: report.h. */
#ifndef NW_REPORT_LIVE_H
#define NW_REPORT_LIVE_H

#include "book/live.h"
#include "report/report.h"

/* "21:40  RAISED   width     3.90 arcsec, foretold ..."; is_cleared: that it is over. */
void nw_report_live_alert(const struct nw_live_alert *alert, bool is_cleared, struct nw_buf *buf);
/* The last sub in one line: time, width, light, guiding. */
void nw_report_live_sub(const struct nw_live *live, struct nw_buf *buf);
/* The contact ahead in one sentence: "camera and pier at 02:31, ...", "not known: ...". */
void nw_report_live_contact(const struct nw_live *live, char *to, size_t size);
/* The dew margin and where it goes: "front lens 1.8 K above the dew point at 23:10, ...". */
void nw_report_live_dew(const struct nw_live *live, char *to, size_t size);
enum nw_status nw_report_live_json(const struct nw_live *live, double now_utc_s, json_t **ret,
                                   struct nw_err *err) NW_CHECKED;
/* A page that stands alone: no script, nothing fetched, asks to be read anew each minute. */
enum nw_status nw_report_live_page(const struct nw_live *live, double now_utc_s, struct nw_buf *ret,
                                   struct nw_err *err) NW_CHECKED;

#endif
