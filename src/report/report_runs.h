/* report_runs.h - several guide runs beside each other and pooled. */
#ifndef NW_REPORT_RUNS_H
#define NW_REPORT_RUNS_H

#include "guiding/runs.h"
#include "report/report.h"

/* A table with one line a run, and all together; 80 columns. The full account of one run is
 * nw_report_guiding_text. */
void nw_report_runs_text(const struct nw_guide_result *results, size_t n, struct nw_buf *text);

/* Adds "joined" and "runs" to the document of one run: a full document for each. */
enum nw_status nw_report_runs_json(const struct nw_guide_result *results, size_t n,
                                   json_t *document, struct nw_err *err) NW_CHECKED;

#endif
