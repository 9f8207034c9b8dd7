/* report_owed.h - calibration owed and cooling through the year, as text and JSON. */
#ifndef NW_REPORT_OWED_H
#define NW_REPORT_OWED_H

#include "look/owed.h"
#include "report/report.h"

struct nw_owed_report {
    const char *what; /* "plan of 2026-08-10", or what was taken */
    const struct nw_owed_list *list;
    const struct nw_hand_calibration *frames;
    size_t wanted, n_subs;            /* n_subs 0: none were given, so that nothing can be owed */
    const struct nw_cooling *cooling; /* NULL: not told, for `why_no_cooling` */
    const struct nw_camera *camera;
    char why_no_cooling[200];
};
void nw_report_owed_text(const struct nw_owed_report *report, struct nw_buf *buf);
enum nw_status nw_report_owed_json(const struct nw_owed_report *report, json_t **ret,
                                   struct nw_err *err) NW_CHECKED;

#endif
