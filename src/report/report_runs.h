/* report_runs.h - several guide runs beside each other and pooled. */
#ifndef NW_REPORT_RUNS_H
#define NW_REPORT_RUNS_H

#include "guiding/runs.h"
#include "report/report.h"

/* A table with one line a run, and all together; 80 columns. */
void nw_report_runs_text(const struct nw_guide_result *results, size_t n, struct nw_buf *text);

/* The full account of one run that has an analysis, with what the reader left out. */
void nw_report_run_text(const struct nw_guide_result *result, struct nw_buf *text);
/* A run's own document with its place in the file; without an analysis only place and reason. */
enum nw_status nw_report_run_json(const struct nw_guide_result *result, json_t **ret,
                                  struct nw_err *err) NW_CHECKED;

/* Adds "joined" and "runs" to the document of one run: a full document for each. */
enum nw_status nw_report_runs_json(const struct nw_guide_result *results, size_t n,
                                   json_t *document, struct nw_err *err) NW_CHECKED;

#endif
