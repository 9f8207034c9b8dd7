/* report_upkeep.h - what is due at the observatory: text, nightwright.book.1 (verb "upkeep"), and a
 * calendar. A public header of report of its own; the rest: report.h. */
#ifndef NW_REPORT_UPKEEP_H
#define NW_REPORT_UPKEEP_H

#include "book/fading.h"
#include "book/upkeep.h"
#include "book/worms.h"
#include "report/report.h"

void nw_report_upkeep_text(const struct nw_upkeep *tasks, size_t n, double now_utc_s,
                           struct nw_buf *buf);
enum nw_status nw_report_upkeep_json(const struct nw_upkeep *tasks, size_t n, double now_utc_s,
                                     json_t **ret, struct nw_err *err) NW_CHECKED;
/* RFC 5545: a whole day for each task, with an alarm at nine; what is overdue stands on today. The
 * identifier is the task's: a newer calendar takes the place of an older one. */
enum nw_status nw_report_upkeep_ics(const struct nw_upkeep *tasks, size_t n, double now_utc_s,
                                    struct nw_buf *ret, struct nw_err *err) NW_CHECKED;

/* Light lost over the months: `book trend light`. */
void nw_report_fading_text(const struct nw_fading *fading, double now_utc_s, struct nw_buf *buf);
enum nw_status nw_report_fading_json(const struct nw_fading *fading, json_t **ret,
                                     struct nw_err *err) NW_CHECKED;
/* The worm over nights: `book trend worm`. */
void nw_report_worms_text(const struct nw_worms *worms, struct nw_buf *buf);
enum nw_status nw_report_worms_json(const struct nw_worms *worms, json_t **ret,
                                    struct nw_err *err) NW_CHECKED;

#endif
