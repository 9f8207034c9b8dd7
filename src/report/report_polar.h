/* report_polar.h - where the polar axis points, in words and as JSON. */
#ifndef NW_REPORT_POLAR_H
#define NW_REPORT_POLAR_H

#include "guiding/polar.h"
#include "report/report.h"

struct nw_polar_report {
    bool is_solved; /* false: `why` says what is missing */
    struct nw_polar polar;
    bool is_south;
    char why[200];
};
void nw_report_polar_text(const struct nw_polar_report *report, struct nw_buf *text);
/* Puts "polar_error" into a finished document, in place of what stands there. */
enum nw_status nw_report_polar_json(const struct nw_polar_report *report, json_t *document,
                                    struct nw_err *err) NW_CHECKED;

#endif
