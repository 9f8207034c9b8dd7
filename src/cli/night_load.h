/* night_load.h - what `plan` and `season` load alike. */
#ifndef NW_CLI_NIGHT_LOAD_H
#define NW_CLI_NIGHT_LOAD_H

#include "cli/cli.h"
#include "night/night.h"

struct cli_night { /* all owned; cli_night_done frees it, zeroed and half-filled too */
    struct nw_rig *rig;
    struct nw_targets *targets;
    struct nw_body *bodies;
    struct nw_clearance *model;
    double *forecast_t_s, *forecast_clear;
    double tube_horizon_rad[NW_NIGHT_AZIMUTHS];
    struct nw_forecast forecast;
    struct nw_night_input input;
    struct nw_time_zone zone;
};
enum nw_status cli_night_load(const struct cli_args *args, const char *date_option,
                              struct cli_night *ret, struct nw_err *err) NW_CHECKED;
/* Columns time (ISO 8601) and cloud_percent. */
enum nw_status cli_night_forecast(const char *path, struct cli_night *night,
                                  struct nw_err *err) NW_CHECKED;
void cli_night_done(struct cli_night *night);

#define CLI_NIGHT_OPTIONS                                                                          \
    {.name = "targets",                                                                            \
     .kind = CLI_TEXT,                                                                             \
     .value = "FILE",                                                                              \
     .help = "what you want to image (YAML; docs/plan.md)"},                                       \
        CLI_OPTION_SETUP,                                                                          \
        {.name = "catalogue",                                                                      \
         .kind = CLI_TEXT,                                                                         \
         .value = "FILE",                                                                          \
         .help = "another packed catalogue than the one beside the program"},                      \
        CLI_OPTION_SET

#endif
