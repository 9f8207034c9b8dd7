/* guide_compare.h - `guiding --compare`: all runs of the call, settings by event rows or spans. */
#ifndef NW_CLI_GUIDE_COMPARE_H
#define NW_CLI_GUIDE_COMPARE_H

#include "cli/guide_files.h"

/* spans: "NAME=FROM/TO", ISO 8601 or seconds of the log; none: event rows say which setting rules.
 */
enum nw_status guide_compare(const struct guide_files *files, const char *const *spans,
                             size_t n_spans, bool wants_json, struct cli_result *result,
                             struct nw_err *err) NW_CHECKED;

#endif
