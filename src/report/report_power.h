/* report_power.h - the tree from mains to loads as text and as nightwright.power.1. A public header
 * of report of its own; the rest: report.h. */
#ifndef NW_REPORT_POWER_H
#define NW_REPORT_POWER_H

#include "power/power.h"
#include "power/power_log.h"
#include "report/report.h"

struct nw_power_report {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_power_result *result;
    const struct nw_power_log *log; /* NULL: none was given */
    const char *log_path;
};
void nw_report_power_text(const struct nw_power_report *report, struct nw_buf *buf);
enum nw_status nw_report_power_json(const struct nw_power_report *report, json_t **ret,
                                    struct nw_err *err) NW_CHECKED;
/* The log beside the prediction (report_power_log.c). */
void nw_report_power_log_text(const struct nw_power_report *report, struct nw_buf *buf);
void nw_report_power_log_json(const struct nw_power_report *report, struct nw_json *json);
/* "3.2 m of 2.5 mm2", "3.2 m of gauge 18", "" without a wire; text of 40 bytes. */
char *nw_report_wire(char *text, size_t size, const struct nw_circuit *circuit);

#endif
