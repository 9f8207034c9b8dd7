/* report_gaps.h - holes of the nights and their causes, as text and nightwright.book.1 (verb
 * "gaps"). A public header of report of its own; the rest: report.h. */
#ifndef NW_REPORT_GAPS_H
#define NW_REPORT_GAPS_H

#include "book/gaps.h"
#include "report/report.h"

void nw_report_gaps_text(const struct nw_gap *gaps, size_t n, struct nw_buf *buf);
enum nw_status nw_report_gaps_json(const struct nw_gap *gaps, size_t n, json_t **ret,
                                   struct nw_err *err) NW_CHECKED;

#endif
