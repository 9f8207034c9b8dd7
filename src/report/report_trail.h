/* report_trail.h - the drive-off trial, as text and keys. */
#ifndef NW_REPORT_TRAIL_H
#define NW_REPORT_TRAIL_H

#include "budget/trail_seeing.h"
#include "budget/trials.h"
#include "report/report.h"

struct nw_trail_frame { /* one that was given */
    const char *path;
    bool is_told;
    struct nw_trail_seeing seeing; /* where told */
    char why_null[480];
};
struct nw_trail_report {
    const struct nw_trial *card;
    const struct nw_trail_frame *frames;
    size_t n, n_told;                 /* at least one told */
    struct nw_trail_seeing_mean mean; /* of those */
    struct nw_val assumed_rad;        /* the rig file's word on the seeing */
};
void nw_report_trail_text(const struct nw_trail_report *report, struct nw_buf *buf);
enum nw_status nw_report_trail_json(const struct nw_trail_report *report, json_t **ret,
                                    struct nw_err *err) NW_CHECKED;

#endif
