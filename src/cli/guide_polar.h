/* guide_polar.h - the polar axis from all runs of a call. */
#ifndef NW_CLI_GUIDE_POLAR_H
#define NW_CLI_GUIDE_POLAR_H

#include "cli/guide_files.h"
#include "cli/guide_frames.h"
#include "report/report_polar.h"

/* The air above the site: the rig's, else standard air at the height that a log names. */
struct guide_air guide_air(const struct nw_rig *rig, const struct guide_files *files);
/* Every run is a pointing; frames NULL: drift alone. What is missing is said in ret->why; NOMEM is
 * the only error. */
enum nw_status guide_polar(const struct guide_files *files, const struct guide_frames *frames,
                           const struct nw_air_state *air, struct nw_polar_report *ret,
                           struct nw_err *err) NW_CHECKED;

#endif
