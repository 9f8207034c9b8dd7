/* report_focus.h - what focus runs say, as text of 80 columns and as nightwright.focus.1; the best
 * interval between runs. A public header of report of its own; the rest: report.h. */
#ifndef NW_REPORT_FOCUS_H
#define NW_REPORT_FOCUS_H

#include "budget/focus_interval.h"
#include "field/focus.h"
#include "report/report.h"

enum { NW_FOCUS_SETS = 24 };

struct nw_focus_report {
    const struct nw_focus_job *job;
    const struct nw_focus_runs *runs;
    size_t n_frames;
    const struct nw_focus_after *flips, *slews; /* NULL: widths were not measured */
    /* with a rig; else NULL and NaN */
    const struct nw_setup *setup;
    double step_m, step_sigma, per_travel; /* travel of a step, relative error; defocus of travel */
    const struct nw_focus_interval *interval; /* NULL: not worked out, see why_no_interval */
    char why_no_interval[200];
};
void nw_report_focus_text(const struct nw_focus_report *report, struct nw_buf *buf);
enum nw_status nw_report_focus_json(const struct nw_focus_report *report, json_t **ret,
                                    struct nw_err *err) NW_CHECKED;

/* What was measured, as keys of the rig file: path and value, as --set takes them. Number of
 * pairs; 0 without a rig. */
struct nw_focus_set {
    char path[128], value[128];
};
size_t nw_report_focus_sets(const struct nw_focus_report *report,
                            struct nw_focus_set sets[static NW_FOCUS_SETS]);

/* The advice of an interval in one sentence, and whether there is anything to win. */
bool nw_report_interval_words(const struct nw_focus_interval *interval, char *text, size_t size);

#endif
