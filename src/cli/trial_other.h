/* trial_other.h - `trial NAME --frames` for trials that are no differences of widths. */
#ifndef CLI_TRIAL_OTHER_H
#define CLI_TRIAL_OTHER_H

#include "budget/trials.h"
#include "cli/cli.h"
#include "report/report_told.h"
#include "rig/rig.h"

bool cli_trial_is_other(const struct nw_trial *card);
/* Evaluates what --frames names, text or JSON into the result, kept in the book with --keep: by the
 * command whose matter it is, or here. */
enum nw_status cli_trial_other(const struct cli_args *args, const struct nw_trial *card,
                               const struct nw_rig *rig, const struct nw_setup *setup,
                               struct cli_result *result, struct nw_err *err) NW_CHECKED;

/* `surface` and `throughput` with a rig that is there: options and frames of their own in `args`,
 * --rig and --setup (the argument RIG) not looked at. */
enum nw_status cli_surface_with(const struct cli_args *args, const struct nw_rig *rig,
                                const struct nw_setup *setup, struct cli_result *result,
                                struct nw_err *err) NW_CHECKED;
enum nw_status cli_throughput_with(const struct cli_args *args, const struct nw_rig *rig,
                                   const struct nw_setup *setup, struct cli_result *result,
                                   struct nw_err *err) NW_CHECKED;

/* Frames of a trial evaluated as if they had been named: cap-on and edge-card. */
enum nw_status cli_trial_light(const struct nw_trial *card, const struct nw_rig *rig,
                               const struct nw_setup *setup, const struct nw_paths *frames,
                               struct nw_trial_told *ret, struct nw_err *err) NW_CHECKED;
/* The document of another command's trial of frames: pair, rotator, tube sides, five seconds. */
enum nw_status cli_trial_document(const struct nw_trial *card, const struct nw_rig *rig,
                                  const struct nw_setup *setup, const struct nw_paths *frames,
                                  json_t **ret, struct nw_err *err) NW_CHECKED;
/* The slope of a flat: how the edge card is seen (nw_card_shade), the rig's offset taken off. */
enum nw_status cli_trial_shade(const char *path, const struct nw_setup *setup, double *ret_slope,
                               double *ret_sigma, struct nw_err *err) NW_CHECKED;
/* Slopes over this are a card's, under CLI_PLAIN those of a flat without one. */
#define CLI_SHADED 0.05
#define CLI_PLAIN (CLI_SHADED / 3.0)

#endif
