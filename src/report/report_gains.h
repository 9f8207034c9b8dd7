/* report_gains.h - gain settings by filter, for the plan of a night and the light of a rig. */
#ifndef NW_REPORT_GAINS_H
#define NW_REPORT_GAINS_H

#include "light/gains.h"
#include "report/report.h"

/* Nothing when the camera has no documented settings. */
void nw_report_gains_text(const struct nw_light_gain_plan *plan, const struct nw_camera *camera,
                          struct nw_buf *buf);
void nw_report_gains_json(const struct nw_light_gain_plan *plan, const struct nw_camera *camera,
                          struct nw_json *json);

#endif
