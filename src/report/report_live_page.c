/* report_live_page.c - the night on one static page, to be opened from a share by any device.
 * Idea: the alerts first, in words; below them three strips over one clock: width with what was
 * foretold, light, guiding. Nothing is told by colour alone. */
#include <math.h>

#include "report/html.h"
#include "report/report_live.h"

enum { MAX_PAGE = 16 << 20 };

static void add_alerts(const struct nw_live *live, struct nw_buf *page) {
    size_t n_on = 0;
    for (size_t i = 0; i < live->n_alerts; i++) {
        n_on += isfinite(live->alerts[i].t_cleared_s) ? 0 : 1;
    }
    nw_buf_printf(page, "<h2>%s</h2>\n", n_on == 0 ? "All quiet" : "Look at this");
    if (live->n_alerts == 0) {
        nw_buf_printf(page, "<p>No alert tonight.</p>\n");
        return;
    }
    nw_buf_printf(page, "<table>\n<tr><th>from</th><th>to</th><th>what</th><th></th></tr>\n");
    for (size_t i = live->n_alerts; i-- > 0;) { /* newest first */
        const struct nw_live_alert *const alert = &live->alerts[i];
        char from[48];
        char to[48];

        const bool is_on = !isfinite(alert->t_cleared_s);
        nw_buf_printf(page, "<tr%s><td>%s</td><td>%s</td><td>%s</td><td>",
                      is_on ? " class=\"on\"" : "",
                      nw_report_clock(from, sizeof from, alert->t_raised_s),
                      is_on ? "now" : nw_report_clock(to, sizeof to, alert->t_cleared_s),
                      nw_live_kind_text(alert->kind));
        html_text(page, alert->text);
        nw_buf_printf(page, "</td></tr>\n");
    }
    nw_buf_printf(page, "</table>\n");
}

static void add_ahead(const struct nw_live *live, struct nw_buf *page) {
    char text[320];
    nw_report_live_contact(live, text, sizeof text);
    nw_buf_printf(page, "<h2>Ahead</h2>\n<table>\n<tr><td>contact</td><td>");
    html_text(page, text);
    nw_buf_printf(page, "</td></tr>\n<tr><td>dew</td><td>");
    nw_report_live_dew(live, text, sizeof text);
    html_text(page, text);
    nw_buf_printf(page,
                  "</td></tr>\n</table>\n<p>Contact: by the outlines of the rig file. This page "
                  "stops nothing: the limits set in the mount do.</p>\n");
}

enum nw_status nw_report_live_page(const struct nw_live *live, double now_utc_s, struct nw_buf *ret,
                                   struct nw_err *err) {
    struct nw_buf drawing;
    char when[32];
    nw_buf_init(&drawing, 1);
    enum nw_status status = live->n > 0 ? html_strips(live, 0.0, &drawing, err) : NW_OK;
    if (status != NW_OK) {
        return status;
    }
    nw_buf_init(ret, MAX_PAGE);
    nw_time_write_iso(now_utc_s, 0, when, sizeof when);
    html_begin(ret, "The night", 60);
    nw_buf_printf(ret, "<h1>Night of %s</h1>\n<p>As of %.10s %.5s UTC: %zu subs, %.1f hours",
                  live->date, when, when + 11, live->n, live->exposure_h);
    if (live->n > 0) {
        nw_buf_printf(ret, "; now ");
        html_text(ret, live->subs[live->n - 1].object);
    }
    nw_buf_printf(ret, ".</p>\n");
    add_alerts(live, ret);
    add_ahead(live, ret);
    nw_buf_printf(ret, "<h2>So far</h2>\n%s", drawing.data ? drawing.data : "<p>No sub yet.</p>\n");
    nw_buf_printf(ret, "<p>Light: against the best sub of the same target and filter. Guiding: rms "
                       "of ten minutes as logged, dithers left out. Times are UTC.</p>\n");
    html_end(ret);
    nw_buf_done(&drawing);
    if (nw_buf_failed(ret)) {
        nw_buf_done(ret);
        return nw_err_set(err, NW_LIMIT, "a page over %d bytes", MAX_PAGE);
    }
    return NW_OK;
}
