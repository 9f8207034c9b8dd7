/* report_night.h - one page on a night: text, nightwright.report.1, or one HTML file that stands
 * alone. A public header of report of its own; the rest: report.h. */
#ifndef NW_REPORT_NIGHT_H
#define NW_REPORT_NIGHT_H

#include "book/nightly.h"
#include "budget/budget.h"
#include "report/report.h"

struct nw_night_report {
    const struct nw_nightly *night;
    const struct nw_rig *rig; /* NULL: no rig was given, no budget */
    const struct nw_setup *setup;
    const struct nw_star_budget *budget; /* of this night; NULL: see why_no_budget */
    char why_no_budget[200];
    char remark[400];     /* on what the budget left out; "" = nothing */
    bool is_without_site; /* for sharing: no names of place and rig; times count from the first
                             sub, and when it was dark is left out */
};
void nw_report_night_text(const struct nw_night_report *report, struct nw_buf *buf);
enum nw_status nw_report_night_json(const struct nw_night_report *report, json_t **ret,
                                    struct nw_err *err) NW_CHECKED;
/* Nothing is fetched, no script: readable for as long as there are browsers, and in print. */
enum nw_status nw_report_night_html(const struct nw_night_report *report, struct nw_buf *ret,
                                    struct nw_err *err) NW_CHECKED;

#endif
