/* report_night_html.c - one page on a night as HTML that stands alone. */
#include <math.h>

#include "report/html.h"
#include "report/night_words.h"
#include "report/svg.h"

#define AS NW_ARCSEC_PER_RAD
#define INSIDE_mm 24.0
enum { MAX_PAGE = 16 << 20 };

/* ---- Hours ---------------------------------------------------------------------------------- */

/* One bar of the night: parts told apart by hatching, each with its hours. */
static enum nw_status draw_hours(const struct nw_nightly *night, struct nw_buf *ret,
                                 struct nw_err *err) {
    const struct {
        const char *label;
        double hours;
        struct nw_svg_style style;
    } parts[] = {
        {"before", night->before_h, {.fill = NW_SVG_NO_FILL}},
        {"of effect",
         night->exposing_h - night->worthless_h,
         {.fill = NW_SVG_SHADE, .shade = 0.55}},
        {"spoiled", night->worthless_h, {.fill = NW_SVG_CROSS}},
        {"between subs", night->usual_gaps_h, {.fill = NW_SVG_HATCH}},
        {"long gaps", night->long_gaps_h, {.fill = NW_SVG_BACKHATCH}},
        {"after", night->after_h, {.fill = NW_SVG_NO_FILL}},
    };
    enum { N = sizeof parts / sizeof parts[0] };
    struct nw_svg svg;
    double total = 0.0;
    for (size_t i = 0; i < N; i++) {
        total += isfinite(parts[i].hours) ? parts[i].hours : 0.0;
    }
    nw_svg_begin(&svg, "hours", 190.0, 36.0, "Where the hours went",
                 "one bar from dusk to dawn, its parts as shares of the time");
    double x_mm = 5.0;
    size_t n_narrow = 0;
    for (size_t i = 0; i < N; i++) {
        const double width_mm = parts[i].hours > 0.0 ? parts[i].hours / total * 180.0 : 0.0;
        if (!(width_mm > 0.0)) {
            continue;
        }
        char words[64];
        (void)snprintf(words, sizeof words, "%s %.1f h", parts[i].label, parts[i].hours);
        nw_svg_rect(&svg, (double[2]){x_mm, 4.0}, (double[2]){width_mm, 10.0}, &parts[i].style);
        if (width_mm > INSIDE_mm) { /* below its middle; narrow ones in rows below their left end */
            nw_svg_text(&svg, (double[2]){x_mm + 0.5 * width_mm, 18.5}, NW_SVG_MIDDLE,
                        NW_SVG_TEXT_mm, words);
        } else if (width_mm > 0.5) {
            const double y_mm = 24.0 + 4.5 * (double)(n_narrow++ % 3);
            nw_svg_line(&svg, (double[2]){x_mm, 14.0}, (double[2]){x_mm, y_mm},
                        &(struct nw_svg_style){.ink = NW_SVG_GREY, .line_mm = 0.15});
            nw_svg_text(&svg, (double[2]){x_mm + 1.0, y_mm}, NW_SVG_START, NW_SVG_TEXT_mm, words);
        }
        x_mm += width_mm;
    }
    return nw_svg_end(&svg, ret, err);
}

static enum nw_status hours(const struct nw_night_report *r, struct nw_buf *page,
                            struct nw_err *err) {
    struct nw_buf bar;
    double value = NAN;
    char note[NIGHT_WORDS];
    const enum nw_status status = draw_hours(r->night, &bar, err);
    if (status != NW_OK) {
        return status;
    }
    nw_buf_printf(page, "<h2>Where the hours went</h2>\n%s<table>\n", bar.data);
    nw_buf_done(&bar);
    for (size_t i = 0;; i++) {
        const char *const label = night_hours(r, i, &value, note, sizeof note);
        if (!label) {
            break;
        }
        nw_buf_printf(page, "<tr><td>%s</td><td class=\"n\">", label);
        nw_report_fixed(page, 0, value, 2);
        nw_buf_printf(page, "</td><td>");
        html_text(page, note);
        nw_buf_printf(page, "</td></tr>\n");
    }
    nw_buf_printf(page, "</table>\n");
    for (size_t i = 0; i < r->night->n_gaps; i++) {
        char text[NIGHT_WORDS];
        night_gap_words(r, &r->night->gaps[i], text, sizeof text);
        nw_buf_printf(page, "<p>");
        html_text(page, text);
        if (r->night->gaps[i].would_tell[0] != '\0') {
            nw_buf_printf(page, " <i>What would tell more: ");
            html_text(page, r->night->gaps[i].would_tell);
            nw_buf_printf(page, ".</i>");
        }
        nw_buf_printf(page, "</p>\n");
    }
    return NW_OK;
}

static void room(const struct nw_night_report *r, struct nw_buf *page) {
    char text[NIGHT_WORDS];
    for (size_t i = 0; night_room_words(r, i, text, sizeof text); i++) {
        nw_buf_printf(page, "%s<p>", i == 0 ? "<h2>Damp and power</h2>\n" : "");
        html_text(page, text);
        nw_buf_printf(page, "</p>\n");
    }
}

/* ---- Width ---------------------------------------------------------------------------------- */

static void cell(struct nw_buf *page, double value, int decimals) {
    nw_buf_printf(page, "<td class=\"n\">");
    nw_report_fixed(page, 0, value, decimals);
    nw_buf_printf(page, "</td>");
}

static void width(const struct nw_night_report *r, struct nw_buf *page) {
    const struct nw_star_budget *const b = r->budget;
    nw_buf_printf(page, "<h2>Star width</h2>\n");
    if (!b) {
        nw_buf_printf(page, "<p>");
        html_text(page, r->why_no_budget);
        nw_buf_printf(page, "</p>\n");
        return;
    }
    nw_buf_printf(page, "<table>\n<tr><th>arcsec FWHM</th><th class=\"n\">predicted</th><th "
                        "class=\"n\">measured</th><th class=\"n\">share, %%</th></tr>\n");
    for (size_t i = 0; i < NW_STAR_N_LINES; i++) {
        const struct nw_star_line *const line = &b->lines[i];
        if (line->is_present && line->share >= 0.01) {
            nw_buf_printf(page, "<tr><td>%s</td>", line->label);
            cell(page, line->predicted_rad * AS, 2);
            cell(page, line->measured_rad * AS, 2);
            cell(page, 100.0 * line->share, 0);
            nw_buf_printf(page, "</tr>\n");
        }
    }
    nw_buf_printf(page, "<tr><th>together</th>");
    cell(page, b->predicted_rad * AS, 2);
    cell(page, b->measured_rad * AS, 2);
    nw_buf_printf(
        page,
        "<td></td></tr>\n</table>\n<p>What limits: %s. Not explained: %+.2f &plusmn; %.2f "
        "arcsec&sup2;.</p>\n",
        b->lines[b->limiting].label, b->unexplained_rad2 * AS * AS,
        b->unexplained_sigma_rad2 * AS * AS);
}

/* ---- Subs and events ------------------------------------------------------------------------ */

static void one_sub(const struct nw_night_report *r, const struct nw_nightly_sub *sub,
                    struct nw_buf *page) {
    char when[48];
    char words[NIGHT_WORDS];
    night_sub_words(r, sub, words, sizeof words);
    nw_buf_printf(page, "<tr><td>%s</td><td>sub %zu</td><td>",
                  night_clock(r, r->night->live.subs[sub->sub].t_start_utc_s, when, sizeof when),
                  sub->sub + 1);
    html_text(page, words);
    nw_buf_printf(page, "</td></tr>\n");
}

static void subs(const struct nw_night_report *r, struct nw_buf *page) {
    const size_t n = r->night->n_worth;
    const size_t n_shown = n < NIGHT_TWICE ? (n + 1) / 2 : NIGHT_SUBS;
    const size_t n_worst = n - n_shown < n_shown ? n - n_shown : n_shown;
    nw_buf_printf(page, "<h2>Best and worst subs</h2>\n<p>Worth for point sources against a sub "
                        "with the best width, light and sky of its filter.</p>\n<table>\n");
    for (size_t i = 0; i < n_shown; i++) {
        one_sub(r, &r->night->subs[n - 1 - i], page);
    }
    for (size_t i = n_worst; i-- > 0;) {
        one_sub(r, &r->night->subs[i], page);
    }
    nw_buf_printf(page, "</table>\n");
}

static void events(const struct nw_night_report *r, struct nw_buf *page) {
    const struct nw_live *const live = &r->night->live;
    nw_buf_printf(page, "<h2>What went off</h2>\n<ul>\n");
    for (size_t i = 0; i < live->n_alerts; i++) {
        const struct nw_live_alert *const alert = &live->alerts[i];
        char words[NIGHT_WORDS];
        char from[48];
        char to[48];
        nw_buf_printf(
            page, "<li>%s to %s, %s: ", night_clock(r, alert->t_raised_s, from, sizeof from),
            isfinite(alert->t_cleared_s) ? night_clock(r, alert->t_cleared_s, to, sizeof to)
                                         : "the end",
            nw_live_kind_text(alert->kind));
        night_alert_words(r, alert, words, sizeof words);
        html_text(page, words);
        nw_buf_printf(page, "</li>\n");
    }
    for (size_t i = 0; i < r->night->n_changes; i++) {
        const struct nw_book_change *const c = &r->night->changes[i];
        nw_buf_printf(page, "<li>Changed: ");
        html_text(page, c->what);
        nw_buf_printf(page, c->is_owners ? "" : ", ");
        html_text(page, c->old_value);
        nw_buf_printf(page, c->is_owners ? "" : " &rarr; ");
        html_text(page, c->new_value);
        nw_buf_printf(page, "</li>\n");
    }
    if (live->n_alerts + r->night->n_changes == 0) {
        nw_buf_printf(page, "<li>Nothing that <code>watch</code> would have told you of.</li>\n");
    }
    nw_buf_printf(page, "</ul>\n<h2>Tomorrow</h2>\n<ol>\n");
    char text[NIGHT_WORDS];
    size_t i = 0;
    for (; i < NIGHT_TOMORROW && night_tomorrow(r, i, text, sizeof text); i++) {
        nw_buf_printf(page, "<li>");
        html_text(page, text);
        nw_buf_printf(page, "</li>\n");
    }
    nw_buf_printf(page, "</ol>\n%s",
                  i == 0 ? "<p>Leave it as it is: nothing found that is worth a change.</p>\n"
                         : "");
}

/* ---- The page ------------------------------------------------------------------------------- */

static enum nw_status strips(const struct nw_night_report *r, struct nw_buf *page,
                             struct nw_err *err) {
    struct nw_buf drawing;
    const struct nw_live *const live = &r->night->live;
    const double shift_s = r->is_without_site ? -live->subs[0].t_start_utc_s : 0.0;
    const enum nw_status status = html_strips(live, shift_s, &drawing, err);
    if (status == NW_OK) {
        nw_buf_printf(page, "<h2>Through the night</h2>\n%s", drawing.data);
        nw_buf_done(&drawing);
    }
    return status;
}

enum nw_status nw_report_night_html(const struct nw_night_report *report, struct nw_buf *ret,
                                    struct nw_err *err) {
    const struct nw_live *const live = &report->night->live;
    char title[64];
    nw_buf_init(ret, MAX_PAGE);
    (void)snprintf(title, sizeof title, "Night of %s", live->date);
    html_begin(ret, title, 0);
    nw_buf_printf(ret, "<h1>%s</h1>\n<p>%zu subs, %.1f hours of exposure", title, live->n,
                  live->exposure_h);
    if (report->rig && !report->is_without_site) {
        nw_buf_printf(ret, "; ");
        html_text(ret, report->setup->name);
    }
    nw_buf_printf(ret, ". %s.</p>\n",
                  report->is_without_site ? "Times count from the first sub" : "Times are UTC");
    enum nw_status status = hours(report, ret, err);
    if (status == NW_OK) {
        room(report, ret);
        width(report, ret);
        subs(report, ret);
        status = strips(report, ret, err);
    }
    if (status == NW_OK) {
        events(report, ret);
        html_end(ret);
    }
    if (status == NW_OK && nw_buf_failed(ret)) {
        status = nw_err_set(err, NW_LIMIT, "a page over %d bytes", MAX_PAGE);
    }
    if (status != NW_OK) {
        nw_buf_done(ret);
    }
    return status;
}
