/* report_polar.h - where the polar axis points, in words and as JSON. */
#ifndef NW_REPORT_POLAR_H
#define NW_REPORT_POLAR_H

#include "guiding/flexure.h"
#include "guiding/polar.h"
#include "report/report.h"

struct nw_flexure_report { /* of one run of a log and the frames beside it */
    size_t run;            /* from 0 */
    double sub_s;          /* mean exposure of the frames */
    bool is_guide_known;   /* where the guide star stands was said */
    struct nw_camera_lie lie;
    struct nw_flexure flexure;
};
struct nw_polar_report {
    bool is_solved; /* false: `why` says what is missing */
    struct nw_polar polar;
    bool is_south;
    char why[200];
    struct nw_air_state air; /* what was taken off; air_from NULL: not said */
    const char *air_from;    /* "rig", "log", "frames", "assumed" */
    char air_words[96];
    const struct nw_mount *mount; /* its screws; NULL: no rig */
    /* main frames beside the log; n_frames 0: none were given */
    size_t n_frames, n_moves;
    const struct nw_flexure_report *flexures;
    size_t n_flexures;
    char why_no_flexure[200];
};
void nw_report_polar_text(const struct nw_polar_report *report, struct nw_buf *text);
/* Puts "polar_error" and, with frames, "flexure" into a finished document, in place of what stands
 * there. */
enum nw_status nw_report_polar_json(const struct nw_polar_report *report, json_t *document,
                                    struct nw_err *err) NW_CHECKED;

#endif
