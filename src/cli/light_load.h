/* light_load.h - what `light` is asked: target, minute, sky, star, frame. */
#ifndef NW_CLI_LIGHT_LOAD_H
#define NW_CLI_LIGHT_LOAD_H

#include "cli/cli.h"
#include "night/night.h"
#include "report/report_light.h"

struct cli_light { /* all owned; cli_light_done frees it, zeroed and half-filled too */
    struct nw_rig *rig;
    struct nw_setup setup; /* a copy whose filter and airmass are those asked for; borrows lists */
    struct nw_filter filter;
    struct nw_targets *targets; /* NULL without a target */
    struct nw_series series;
    double *peak_e_s;
    struct nw_light_case what;
    struct nw_light_wants wants;
    struct nw_light_budget bands[NW_LIGHT_BANDS];
    struct nw_light_gain gains[NW_RIG_MAX_SETTINGS];
    struct nw_light_report report;
};
/* Rig, setup, filter, target, minute, wishes, frame; not yet the budget. */
enum nw_status cli_light_load(const struct cli_args *args, struct cli_light *light,
                              struct nw_err *err) NW_CHECKED;
void cli_light_done(struct cli_light *light);

#endif
