/* trial_trail.h - `trial drive-off-trail --frames`. */
#ifndef CLI_TRIAL_TRAIL_H
#define CLI_TRIAL_TRAIL_H

#include "budget/trials.h"
#include "cli/cli.h"
#include "report/report_trail.h"
#include "rig/rig.h"

/* One frame read and evaluated; is_told false: why_null says why. ret_facts (may be NULL): what its
 * header says. */
void cli_trail_judge(const char *path, const struct nw_rig *rig, const struct nw_setup *setup,
                     struct nw_trail_frame *ret, struct nw_frame_facts *ret_facts);
/* Evaluates the frames named in --frames, text or JSON into the result. DATA: no frame tells
 * anything; the text is that of the first. */
enum nw_status cli_trial_trail(const struct cli_args *args, const struct nw_trial *card,
                               const struct nw_rig *rig, const struct nw_setup *setup,
                               struct cli_result *result, struct nw_err *err) NW_CHECKED;

#endif
