/* html.c - what pages share: see html.h. The strips over a clock tell nothing by colour alone. */
#include "report/html.h"

#include <math.h>

#include "report/svg.h"

#define AS NW_ARCSEC_PER_RAD

static const char STYLE[] =
    "<style>\n"
    "body { font: 16px/1.45 sans-serif; margin: 1em auto; max-width: 50em; padding: 0 1em; }\n"
    "svg { width: 100%; height: auto; }\n"
    "table { border-collapse: collapse; }\n"
    "td, th { border-bottom: 1px solid #888; padding: .2em .8em .2em 0; text-align: left; }\n"
    "td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; }\n"
    "tr.on td { font-weight: bold; border-left: .4em solid #000; padding-left: .5em; }\n"
    "</style>\n";

void html_begin(struct nw_buf *page, const char *title, int refresh_s) {
    nw_buf_printf(page, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
    if (refresh_s > 0) {
        nw_buf_printf(page, "<meta http-equiv=\"refresh\" content=\"%d\">\n", refresh_s);
    }
    nw_buf_printf(page, "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
                        "<link rel=\"icon\" href=\"data:,\">\n<title>");
    html_text(page, title);
    nw_buf_printf(page, "</title>\n%s</head>\n<body>\n", STYLE);
}

void html_end(struct nw_buf *page) {
    nw_buf_printf(page, "</body>\n</html>\n");
}

void html_text(struct nw_buf *page, const char *text) {
    struct nw_buf clean;
    nw_buf_init(&clean, 1 << 16);
    nw_report_clean(&clean, text);
    for (const char *at = clean.data ? clean.data : ""; *at != '\0'; at++) {
        const char *const entity = *at == '&'   ? "&amp;"
                                   : *at == '<' ? "&lt;"
                                   : *at == '>' ? "&gt;"
                                   : *at == '"' ? "&quot;"
                                                : NULL;
        if (entity) {
            nw_buf_printf(page, "%s", entity);
        } else {
            nw_buf_printf(page, "%c", *at);
        }
    }
    nw_buf_done(&clean);
}

struct strips {
    struct nw_svg svg;
    double *t, *y, *low, *high; /* as long as subs and guiding */
    double from_s, to_s, shift_s;
};

static struct nw_svg_frame strip(const struct strips *s, double top_mm, const char *label) {
    return (struct nw_svg_frame){
        .left_mm = 20.0,
        .top_mm = top_mm,
        .width_mm = 164.0,
        .height_mm = 38.0,
        .x = {.low = s->from_s, .high = s->to_s, .scale = NW_SVG_CLOCK, .has_grid = true},
        .y = {.label = label, .has_grid = true}};
}

static const struct nw_svg_style MARKS = {
    .ink = NW_SVG_BLACK, .fill = NW_SVG_INKED, .mark_mm = 1.6};
static const struct nw_svg_style BAND = {.ink = NW_SVG_NO_INK, .fill = NW_SVG_TINT};
static const struct nw_svg_style LINE = {.ink = NW_SVG_BLUE, .line_mm = 0.5};

static void draw_width(struct strips *s, const struct nw_live *live) {
    const bool is_arcsec = isfinite(live->subs[0].scale_rad_px);
    struct nw_svg_frame frame = strip(s, 8.0, is_arcsec ? "width [arcsec]" : "width [px]");
    size_t n_foretold = 0;
    for (size_t i = 0; i < live->n; i++) {
        const struct nw_live_sub *const sub = &live->subs[i];
        const double scale = is_arcsec ? sub->scale_rad_px * AS : 1.0;
        s->t[i] = sub->t_start_utc_s + s->shift_s;
        s->y[i] = sub->fwhm_px * scale;
        s->low[i] = (sub->foretold_px - 2.0 * sub->foretold_sigma_px) * scale;
        s->high[i] = (sub->foretold_px + 2.0 * sub->foretold_sigma_px) * scale;
        n_foretold += isfinite(s->low[i]) ? 1 : 0;
    }
    nw_svg_range(s->y, live->n, 0.15, &frame.y.low, &frame.y.high);
    for (size_t i = 0; i < live->n && n_foretold > 1; i++) {
        frame.y.low = fmin(frame.y.low, isfinite(s->low[i]) ? s->low[i] : INFINITY);
        frame.y.high = fmax(frame.y.high, isfinite(s->high[i]) ? s->high[i] : -INFINITY);
    }
    nw_svg_axes(&s->svg, &frame);
    if (n_foretold > 1) {
        nw_svg_band(&s->svg, &frame, s->t, s->low, s->high, live->n, &BAND);
    }
    nw_svg_marks(&s->svg, &frame, s->t, s->y, live->n, &MARKS);
    if (n_foretold > 1) {
        nw_svg_text(&s->svg, (double[2]){20.0, 5.5}, NW_SVG_START, NW_SVG_SMALL_mm,
                    "grey: foretold from the rig, two standard errors either way");
    }
}

static void draw_light(struct strips *s, const struct nw_live *live) {
    struct nw_svg_frame frame = strip(s, 60.0, "light [%]");
    for (size_t i = 0; i < live->n; i++) {
        s->t[i] = live->subs[i].t_start_utc_s + s->shift_s;
        s->y[i] = 100.0 * live->subs[i].transmission;
    }
    frame.y.high = 105.0;
    nw_svg_axes(&s->svg, &frame);
    nw_svg_marks(&s->svg, &frame, s->t, s->y, live->n, &MARKS);
}

static void draw_guiding(struct strips *s, const struct nw_live *live) {
    struct nw_svg_frame frame = strip(s, 112.0, "guiding [arcsec]");
    double top = 0.1;
    for (size_t i = 0; i < live->n_guiding; i++) {
        s->t[i] = live->guiding[i].t_end_utc_s + s->shift_s;
        s->y[i] = live->guiding[i].rms_rad * AS;
        top = fmax(top, s->y[i]);
    }
    frame.y.high = 1.15 * top;
    nw_svg_axes(&s->svg, &frame);
    if (live->n_guiding > 0) {
        nw_svg_polyline(&s->svg, &frame, s->t, s->y, live->n_guiding, &LINE);
    } else {
        nw_svg_text(&s->svg, (double[2]){24.0, 130.0}, NW_SVG_START, NW_SVG_TEXT_mm,
                    "no guide log of this night in the book");
    }
}

/* Margin above the dew or frost point; what was shut or covered leaves a gap. */
static void draw_dew(struct strips *s, const struct nw_live *live, double top_mm) {
    struct nw_svg_frame frame = strip(s, top_mm, "above dew [K]");
    size_t n = 0; /* of the hours that are shown */
    for (size_t i = 0; i < live->n_climate; i++) {
        const double t_s = live->climate[i].t_utc_s + s->shift_s;
        if (t_s >= s->from_s && t_s <= s->to_s) {
            s->t[n] = t_s;
            s->y[n++] = live->climate[i].margin_K;
        }
    }
    nw_svg_range(s->y, n, 0.1, &frame.y.low, &frame.y.high);
    frame.y.low = fmin(frame.y.low, 0.0);
    nw_svg_axes(&s->svg, &frame);
    nw_svg_polyline(&s->svg, &frame, s->t, s->y, n, &LINE);
}

static void draw_volts(struct strips *s, const struct nw_live *live, double top_mm) {
    char label[80];
    (void)snprintf(label, sizeof label, "%.20s [V]", live->volts_of);
    struct nw_svg_frame frame = strip(s, top_mm, label);
    for (size_t i = 0; i < live->n_volts; i++) {
        s->t[i] = live->volts[i].t_utc_s + s->shift_s;
        s->y[i] = live->volts[i].volts;
    }
    nw_svg_range(s->y, live->n_volts, 0.15, &frame.y.low, &frame.y.high);
    nw_svg_axes(&s->svg, &frame);
    nw_svg_polyline(&s->svg, &frame, s->t, s->y, live->n_volts, &LINE);
}

static size_t most(size_t a, size_t b) {
    return a > b ? a : b;
}

enum nw_status html_strips(const struct nw_live *live, double shift_s, struct nw_buf *ret,
                           struct nw_err *err) {
    const size_t n = most(most(live->n, live->n_guiding), most(live->n_climate, live->n_volts)) + 1;
    double *const room = nw_calloc(4 * n, sizeof *room);
    if (!room) {
        return nw_err_set(err, NW_NOMEM, "page of %zu subs", live->n);
    }
    struct strips s = {.t = room, .y = room + n, .low = room + 2 * n, .high = room + 3 * n};
    s.from_s = live->subs[0].t_start_utc_s - 600.0;
    s.to_s = live->t_last_end_s + 600.0;
    if (live->n_guiding > 0) {
        s.from_s = fmin(s.from_s, live->guiding[0].t_end_utc_s - 600.0);
        s.to_s = fmax(s.to_s, live->guiding[live->n_guiding - 1].t_end_utc_s);
    }
    s.shift_s = shift_s;
    s.from_s += shift_s;
    s.to_s += shift_s;
    const double dew_mm = live->n_climate > 1 ? 52.0 : 0.0;
    const double volts_mm = live->n_volts > 1 ? 52.0 : 0.0;
    nw_svg_begin(&s.svg, "night", 190.0, 162.0 + dew_mm + volts_mm, "The night so far",
                 "star width, light, guide error, dew and volts against the time of day, UTC");
    draw_width(&s, live);
    draw_light(&s, live);
    draw_guiding(&s, live);
    if (live->n_climate > 1) {
        draw_dew(&s, live, 164.0);
    }
    if (live->n_volts > 1) {
        draw_volts(&s, live, 164.0 + dew_mm);
    }
    free(room);
    return nw_svg_end(&s.svg, ret, err);
}
