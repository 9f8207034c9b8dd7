/* report_log.h - what a description made of a log: for the owner who writes one. */
#ifndef NW_REPORT_LOG_H
#define NW_REPORT_LOG_H

#include "guiding/runs.h"
#include "report/report.h"

/* Runs, columns, header, counts, rows left out with reasons, the first rows of one run (from 0) and
 * a minute of it drawn, with a check of signs. 80 columns. */
void nw_report_log_text(const struct nw_guide_runs *runs, size_t run, struct nw_buf *text);

/* The document "nightwright.log.1": the same without the drawing. */
enum nw_status nw_report_log_json(const struct nw_guide_runs *runs, json_t **ret,
                                  struct nw_err *err) NW_CHECKED;

#endif
