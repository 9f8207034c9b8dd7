/* report_guiding_parts.h - parts of the page and the document of `guiding`, one file each. */
#ifndef NW_REPORT_GUIDING_PARTS_H
#define NW_REPORT_GUIDING_PARTS_H

#include "report/report_guiding.h"

void nw_report_worm_json(struct nw_json *json, const struct nw_guide_log *log,
                         const struct nw_guide_analysis *analysis);
void nw_report_worm_text(const struct nw_guide_analysis *analysis, struct nw_buf *text);
/* Into the object of one axis. */
void nw_report_selfcheck_json(struct nw_json *json, json_t *axis, const struct nw_guide_axis *a);
void nw_report_selfcheck_text(const struct nw_guide_analysis *analysis, struct nw_buf *text);
void nw_report_backlash_json(struct nw_json *json, const struct nw_guide_analysis *analysis);
void nw_report_backlash_text(const struct nw_guide_analysis *analysis, struct nw_buf *text);
void nw_report_replay_json(struct nw_json *json, const struct nw_guide_analysis *analysis);
void nw_report_replay_text(const struct nw_guide_analysis *analysis, struct nw_buf *text);

#endif
