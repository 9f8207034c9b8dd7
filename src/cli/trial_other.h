/* trial_other.h - `trial NAME --frames` for trials that are no differences of widths. */
#ifndef CLI_TRIAL_OTHER_H
#define CLI_TRIAL_OTHER_H

#include "budget/trials.h"
#include "cli/cli.h"
#include "rig/rig.h"

bool cli_trial_is_other(const struct nw_trial *card);
/* Evaluates what --frames names, text or JSON into the result, kept in the book with --keep: by the
 * command whose matter it is, or here. */
enum nw_status cli_trial_other(const struct cli_args *args, const struct nw_trial *card,
                               const struct nw_rig *rig, const struct nw_setup *setup,
                               struct cli_result *result, struct nw_err *err) NW_CHECKED;

#endif
