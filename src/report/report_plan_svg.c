/* report_plan_svg.c - the night as a graphic timetable.
 * Idea: as railways draw their days: hours along the page, one track a target, a bar where its
 * window is open, the run of the telescope as one line that stops at tracks and slopes between
 * them; flips, focus runs as marks. Told apart without colour. */
#include <math.h>

#include "report/report_plan.h"

#define LEFT 40.0
#define WIDTH 225.0
#define ROW 11.0
#define TOP 30.0

struct page {
    struct nw_svg svg;
    const struct nw_plan_report *r;
    double t0_s, t1_s, bottom;
};

static double x_of(const struct page *p, double t_s) {
    return LEFT + WIDTH * (t_s - p->t0_s) / (p->t1_s - p->t0_s);
}

static double y_of(size_t row) {
    return TOP + ROW * ((double)row + 1.0);
}

static void line(struct page *p, double x0, double y0, double x1, double y1,
                 const struct nw_svg_style *style) {
    nw_svg_line(&p->svg, (const double[2]){x0, y0}, (const double[2]){x1, y1}, style);
}

static void text_at(struct page *p, double x, double y, enum nw_svg_anchor anchor,
                    const char *text) {
    nw_svg_text(&p->svg, (const double[2]){x, y}, anchor, NW_SVG_SMALL_mm, text);
}

static void draw_hours(struct page *p) {
    char text[48];
    const struct nw_time_zone *const zone = &p->r->zone;
    const int n = (int)((p->t1_s - p->t0_s) / 3600.0) + 1;
    for (int i = 0; i <= n; i++) {
        const double t_s = ceil(p->t0_s / 3600.0) * 3600.0 + 3600.0 * i;
        if (t_s > p->t1_s) {
            break;
        }
        const double offset = nw_time_zone_is_summer(zone, t_s) ? zone->summer_s : zone->standard_s;
        line(p, x_of(p, t_s), TOP, x_of(p, t_s), p->bottom,
             &(struct nw_svg_style){.ink = NW_SVG_PALE, .line_mm = 0.25});
        text_at(p, x_of(p, t_s), TOP - 2.0, NW_SVG_MIDDLE,
                nw_report_clock(text, sizeof text, t_s + offset));
    }
}

/* Twilight tinted at both ends; the Moon above the horizon as a dashed line over the tracks. */
static void draw_sky(struct page *p) {
    const struct nw_plan *const plan = p->r->plan;
    const struct nw_svg_style tint = {.ink = NW_SVG_NO_INK, .fill = NW_SVG_TINT};
    const double dark0 = plan->dark.exists ? plan->dark.start_s : p->t1_s;
    const double dark1 = plan->dark.exists ? plan->dark.end_s : p->t1_s;
    const double h = p->bottom - TOP;
    nw_svg_rect(&p->svg, (const double[2]){LEFT, TOP},
                (const double[2]){x_of(p, fmin(dark0, p->t1_s)) - LEFT, h}, &tint);
    nw_svg_rect(&p->svg, (const double[2]){x_of(p, dark1), TOP},
                (const double[2]){x_of(p, p->t1_s) - x_of(p, dark1), h}, &tint);
    const struct nw_svg_style moon = {.ink = NW_SVG_BLACK, .dash = NW_SVG_DASHED, .line_mm = 0.7};
    const double y = TOP - 8.0;
    for (size_t k = 0; k < plan->n_slots; k++) {
        const double t_s = plan->slot0_s + (double)k * NW_SLOT_s;
        if (plan->moments[k].moon_altitude_rad > 0.0) {
            size_t end = k;
            while (end + 1 < plan->n_slots && plan->moments[end + 1].moon_altitude_rad > 0.0) {
                end++;
            }
            line(p, x_of(p, t_s), y, x_of(p, t_s + (double)(end - k + 1) * NW_SLOT_s), y, &moon);
            k = end;
        }
    }
    char text[64];
    (void)snprintf(text, sizeof text, "Moon up, %.0f %%", plan->moon_lit * 100.0);
    text_at(p, LEFT - 2.0, y + 1.0, NW_SVG_END, text);
}

static void draw_tracks(struct page *p) {
    const struct nw_plan *const plan = p->r->plan;
    for (size_t i = 0; i < plan->n_targets; i++) {
        const struct nw_night_target *const t = &plan->targets[i];
        line(p, LEFT, y_of(i), LEFT + WIDTH, y_of(i),
             &(struct nw_svg_style){.ink = NW_SVG_GREY, .line_mm = 0.2});
        if (isfinite(t->first_s)) {
            nw_svg_rect(&p->svg, (const double[2]){x_of(p, t->first_s), y_of(i) - 1.5},
                        (const double[2]){x_of(p, t->last_s) - x_of(p, t->first_s), 3.0},
                        &(struct nw_svg_style){.ink = NW_SVG_GREY, .fill = NW_SVG_HATCH});
        }
        if (isfinite(t->transit_s)) {
            text_at(p, x_of(p, t->transit_s), y_of(i) + 4.6, NW_SVG_MIDDLE, "^");
        }
        text_at(p, LEFT - 2.0, y_of(i) + 1.0, NW_SVG_END, t->target->name);
    }
}

static void draw_run(struct page *p) {
    const struct nw_plan *const plan = p->r->plan;
    const struct nw_svg_style run = {.ink = NW_SVG_BLUE, .line_mm = 1.1};
    char text[96];
    for (size_t i = 0; i < plan->n_blocks; i++) {
        const struct nw_night_block *const b = &plan->blocks[i];
        const double y = y_of(b->target);
        line(p, x_of(p, b->start_s), y, x_of(p, b->end_s), y, &run);
        if (i > 0) {
            line(p, x_of(p, plan->blocks[i - 1].end_s), y_of(plan->blocks[i - 1].target),
                 x_of(p, b->start_s), y, &run);
        }
        nw_svg_circle(&p->svg, (const double[2]){x_of(p, b->start_s), y}, b->flip ? 1.6 : 0.9,
                      &(struct nw_svg_style){.ink = NW_SVG_BLACK,
                                             .fill = b->flip ? NW_SVG_NO_FILL : NW_SVG_INKED});
        (void)snprintf(text, sizeof text, "%.12s %zux%.0f", b->filter, b->subs, b->exposure_s);
        nw_svg_text_turned(&p->svg, (const double[2]){x_of(p, b->start_s) + 1.5, y - 2.2}, -18.0,
                           NW_SVG_START, 2.2, text);
    }
}

enum nw_status nw_report_plan_svg(const struct nw_plan_report *r, struct nw_buf *ret,
                                  struct nw_err *err) {
    struct page p = {.r = r};
    char title[160];
    char date[40];
    p.t0_s = floor(r->plan->sunset_s / 1800.0) * 1800.0;
    p.t1_s = ceil(r->plan->sunrise_s / 1800.0) * 1800.0;
    p.bottom = TOP + ROW * ((double)r->plan->n_targets + 0.8);
    nw_time_write_iso(r->input->date_s, 0, date, sizeof date);
    (void)snprintf(title, sizeof title, "Timetable of the night of %.10s, %s", date,
                   r->input->setup->name);
    nw_svg_begin(&p.svg, "night", LEFT + WIDTH + 12.0, p.bottom + 22.0, title,
                 "hours along, one track a target: hatched where its window is open, the run of "
                 "the telescope as a thick line");
    nw_svg_text(&p.svg, (const double[2]){LEFT, 10.0}, NW_SVG_START, 4.2, title);
    draw_sky(&p);
    draw_hours(&p);
    draw_tracks(&p);
    draw_run(&p);
    (void)snprintf(title, sizeof title, "clock: %s", r->zone_name);
    text_at(&p, LEFT + WIDTH, 10.0, NW_SVG_END, title);
    text_at(&p, LEFT, p.bottom + 6.0, NW_SVG_START,
            "thick line: the telescope; dot: block with focus run; ring: after a flip; ^ meridian");
    text_at(&p, LEFT, p.bottom + 11.0, NW_SVG_START,
            "hatched: window open; grey ends: twilight; dashed: Moon above the horizon");
    return nw_svg_end(&p.svg, ret, err);
}
