/* rig_internal.h - what the files of the command `rig` share. */
#ifndef NW_CLI_RIG_INTERNAL_H
#define NW_CLI_RIG_INTERNAL_H

#include <jansson.h>

#include "rig/rig.h"

/* Reads the headers of the frames in `folder` (two levels deep) and sums up what they say: of the
 * camera and size that most light frames have; numbers and names are those of its first frame that
 * has them, the exposure is the most frequent one. NOTFOUND: no frames there. */
enum nw_status cli_rig_facts(const char *folder, struct nw_rig_facts *ret,
                             struct nw_err *err) NW_CHECKED;

/* nightwright.rig.1: values of one setup with units in their keys; nightwright.rig-keys.1. */
enum nw_status cli_rig_json(const struct nw_rig *rig, const struct nw_setup *setup, json_t **ret,
                            struct nw_err *err) NW_CHECKED;
enum nw_status cli_rig_keys_json(json_t **ret, struct nw_err *err) NW_CHECKED;

#endif
