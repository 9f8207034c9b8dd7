/* handover_load.h - the frames of `handover`: read, measured, judged. */
#ifndef NW_CLI_HANDOVER_LOAD_H
#define NW_CLI_HANDOVER_LOAD_H

#include "cli/cli.h"
#include "report/report_handover.h"

struct cli_handover { /* all owned; cli_handover_done frees it, zeroed and half-filled too */
    struct nw_paths paths, masters;
    struct nw_frame **headers; /* of paths; NULL where unreadable */
    struct nw_series series;   /* of the light frames */
    struct nw_hand_sub *subs;
    size_t n_subs;
    struct nw_hand_calibration *frames;
    size_t n_frames;
    struct nw_hand_group *groups;
    size_t n_groups;
    struct nw_hand_set *sets;
    size_t n_sets;
    struct nw_hand_file *files;
    struct nw_hand_master *audits;
    size_t n_unreadable;
    const char *pattern; /* of subs whose headers do not say; NULL: mono */
};
enum nw_status cli_handover_load(const struct cli_args *args, struct cli_handover *work,
                                 struct nw_err *err) NW_CHECKED;
/* The headers of `paths` into subs and calibration frames. */
enum nw_status cli_handover_headers(struct cli_handover *work, struct nw_err *err) NW_CHECKED;
/* Of all subs and calibration frames. */
enum nw_status cli_handover_hash(struct cli_handover *work, struct nw_err *err) NW_CHECKED;
void cli_handover_done(struct cli_handover *work);
/* Files of a hand-over's CSV, in `folder` by name or (NULL) where they were: what is missing or
 * differs is named on stderr. DATA when anything is. */
enum nw_status cli_handover_verify(const char *csv, const char *folder, struct cli_result *result,
                                   struct nw_err *err) NW_CHECKED;

#endif
