/* report_sensor.h - what a camera is by its own frames, as text of 80 columns and as
 * nightwright.sensor.1, and as lines for the rig file. A public header of report of its own. */
#ifndef NW_REPORT_SENSOR_H
#define NW_REPORT_SENSOR_H

#include "light/sensor.h"
#include "report/report.h"

struct nw_sensor_report {
    const struct nw_sensor *sensor;
    const struct nw_camera *camera; /* of the rig; NULL without */
    double elapsed_s;
};
void nw_report_sensor_text(const struct nw_sensor_report *report, struct nw_buf *buf);
enum nw_status nw_report_sensor_json(const struct nw_sensor_report *report, json_t **ret,
                                     struct nw_err *err) NW_CHECKED;

/* One measured key of the rig file's camera: "gain", "{value: 0.25 e/adu, sigma: 0.001 e/adu, from:
 * measured}", and what stood there before ("" = nothing, or no rig). */
struct nw_sensor_set {
    char key[24], value[96], before[48];
};
enum { NW_SENSOR_SETS = 6 };
size_t nw_report_sensor_sets(const struct nw_sensor_report *report,
                             struct nw_sensor_set sets[static NW_SENSOR_SETS]);

#endif
