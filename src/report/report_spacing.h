/* report_spacing.h - rings for a corrector's spacing, and changes of it, as text and as
 * nightwright.spacing.1. A public header of report of its own; the rest: report.h. */
#ifndef NW_REPORT_SPACING_H
#define NW_REPORT_SPACING_H

#include "budget/back_focus.h"
#include "report/report.h"

struct nw_spacing_report {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_back_focus *focus;
    const struct nw_ring_answer *rings; /* NULL: see why_no_rings */
    char why_no_rings[200];
    bool has_change;        /* focal lengths before and after were given */
    struct nw_val change_m; /* of the spacing; NaN: this corrector does not show it */
    bool has_response;      /* curvature before and after a known change */
    struct nw_spacing_response response;
};
void nw_report_spacing_text(const struct nw_spacing_report *report, struct nw_buf *buf);
enum nw_status nw_report_spacing_json(const struct nw_spacing_report *report, json_t **ret,
                                      struct nw_err *err) NW_CHECKED;

#endif
