/* html.h - pages that stand alone: head and escaping, shared by those of report. Private. */
#ifndef NW_REPORT_HTML_H
#define NW_REPORT_HTML_H

#include "book/live.h"
#include "report/report.h"

/* Everything up to <body>; refresh_s 0: the page does not ask to be read anew. */
void html_begin(struct nw_buf *page, const char *title, int refresh_s);
void html_end(struct nw_buf *page);
void html_text(struct nw_buf *page, const char *text); /* escaped */
/* Width, light and guiding of a night over one clock, as an SVG for the page. shift_s is added to
 * all times. */
enum nw_status html_strips(const struct nw_live *live, double shift_s, struct nw_buf *ret,
                           struct nw_err *err) NW_CHECKED;

#endif
