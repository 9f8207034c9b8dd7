/* report_sheet.h - the sheet for the shed's wall: one A3 page drawn from the rig's own numbers. A
 * public header of report of its own; the rest: report.h; drawing: svg.h, svg_bodies.h. */
#ifndef NW_REPORT_SHEET_H
#define NW_REPORT_SHEET_H

#include "power/power.h"
#include "report/report.h"

struct nw_sheet_report {
    const struct nw_rig *rig;
    const struct nw_setup *setup;        /* whose bodies are drawn, whose train comes first */
    const struct nw_power_result *power; /* NULL: no circuits are described */
    const char *program;                 /* "nightwright 0.1.0" */
    double t_utc_s;                      /* when it is drawn; NaN: no date on it */
};
/* A3 landscape, 420 x 297 mm, in millimetres: print it at 100 %. Side view and view down the
 * declination axis to scale with masses and balance points; the optical path of up to three trains;
 * the wiring tree; a table of numbers and limits. What the rig does not describe is said so in its
 * place. NOMEM, LIMIT. */
enum nw_status nw_report_sheet_svg(const struct nw_sheet_report *report, struct nw_buf *ret,
                                   struct nw_err *err) NW_CHECKED;

#endif
