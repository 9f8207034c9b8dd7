/* synth_set.h - the part of `synth` that writes bias, dark and flat frames. */
#ifndef NW_CLI_SYNTH_SET_H
#define NW_CLI_SYNTH_SET_H

#include "cli/cli.h"

/* With --set; size 0 x 0: the whole chip. */
enum nw_status cli_synth_set(const struct cli_args *args, size_t width_px, size_t height_px,
                             struct cli_result *result, struct nw_err *err) NW_CHECKED;
/* The end of a `synth` that wrote n frames of a kind: text or JSON. */
enum nw_status cli_synth_written(const struct cli_args *args, size_t n, const char *kind,
                                 struct cli_result *result, struct nw_err *err) NW_CHECKED;
/* What --inject knows beside --set. */
enum nw_status cli_synth_set_list(const struct cli_args *args, struct cli_result *result,
                                  struct nw_err *err) NW_CHECKED;

#endif
