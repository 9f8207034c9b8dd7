/* report_handover.h - subs kept and left out, their weights, calibration frames by name, and the
 * audit of a master: text, JSON, the CSV that goes with the files. */
#ifndef NW_REPORT_HANDOVER_H
#define NW_REPORT_HANDOVER_H

#include "look/handover.h"
#include "report/report.h"

struct nw_hand_file {          /* beside each sub and each calibration frame, in this order */
    char sha256[NW_HASH_TEXT]; /* "": not worked out */
    int64_t size_bytes;
};
struct nw_hand_master {
    const char *path;
    struct nw_hand_audit audit;
    char why_null[200]; /* "" when it was audited */
};
struct nw_handover_report {
    const char *what; /* the night, the target or the folder */
    const struct nw_hand_sub *subs;
    size_t n_subs;
    const struct nw_hand_group *groups;
    size_t n_groups;
    const struct nw_hand_calibration *frames;
    size_t n_frames;
    const struct nw_hand_set *sets;
    size_t n_sets;
    const struct nw_hand_file *files; /* n_subs + n_frames; NULL: no checksums */
    const struct nw_hand_master *masters;
    size_t n_masters;
    size_t n_unreadable; /* files that are no frames, or gone */
};
void nw_report_handover_text(const struct nw_handover_report *report, struct nw_buf *buf);
enum nw_status nw_report_handover_json(const struct nw_handover_report *report, json_t **ret,
                                       struct nw_err *err) NW_CHECKED;
/* RFC 4180: one row a file, subs and then the calibration frames that belong to them. */
void nw_report_handover_csv(const struct nw_handover_report *report, struct nw_buf *csv);

#endif
