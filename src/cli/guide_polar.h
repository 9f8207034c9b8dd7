/* guide_polar.h - the polar axis from all runs of a call. */
#ifndef NW_CLI_GUIDE_POLAR_H
#define NW_CLI_GUIDE_POLAR_H

#include "cli/guide_files.h"
#include "report/report_polar.h"

/* Every run is a pointing. What is missing is said in ret->why; NOMEM is the only error. */
enum nw_status guide_polar(const struct guide_files *files, struct nw_polar_report *ret,
                           struct nw_err *err) NW_CHECKED;

#endif
