/* foretell.h - what a rig foretells of a night's star width, for the commands that follow one. */
#ifndef NW_CLI_FORETELL_H
#define NW_CLI_FORETELL_H

#include "book/live.h"
#include "rig/rig.h"

enum nw_status cli_foretell(const struct nw_rig *rig, const struct nw_setup *setup,
                            struct nw_live_foretold *ret, struct nw_err *err) NW_CHECKED;

#endif
