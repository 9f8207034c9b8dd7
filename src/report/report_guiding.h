/* report_guiding.h - a guide analysis as text and as JSON. */
#ifndef NW_REPORT_GUIDING_H
#define NW_REPORT_GUIDING_H

#include "guiding/guiding.h"
#include "report/report.h"

/* The document "nightwright.guiding.1" for one log. The polar error is null here: it is told from
 * all logs of a call (report_polar.h). */
enum nw_status nw_report_guiding_json(const struct nw_guide_log *log,
                                      const struct nw_guide_analysis *analysis, json_t **ret,
                                      struct nw_err *err) NW_CHECKED;

/* The same for people, 80 columns. */
void nw_report_guiding_text(const struct nw_guide_log *log,
                            const struct nw_guide_analysis *analysis, struct nw_buf *text);

/* The same as one page of SVG: errors against lag with the noise shaded and the sub marked, one
 * turn of the worm, the trace below. run: number in its file, 0 = the only one. */
enum nw_status nw_report_guiding_chart(const struct nw_guide_log *log, size_t run,
                                       const struct nw_guide_analysis *analysis, struct nw_buf *ret,
                                       struct nw_err *err) NW_CHECKED;

/* Two settings by turns: "nightwright.guiding-compare.1", and in words. */
enum nw_status nw_report_guide_compare_json(const struct nw_guide_compare *compare, json_t **ret,
                                            struct nw_err *err) NW_CHECKED;
void nw_report_guide_compare_text(const struct nw_guide_compare *compare, struct nw_buf *text);

#endif
