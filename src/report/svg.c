/* svg.c - the page and its shapes; see svg.h.
 * Idea: every call appends one element; hatchings are patterns defined once at the head. */
#include "report/svg.h"

#include <assert.h>
#include <math.h>

#include "report/report.h"

#define LINE_mm 0.3
#define FAR_mm 1e5 /* past any page: keeps numbers short */

static const char *ink_colour(enum nw_svg_ink ink) {
    static const char *const COLOURS[] = {
        [NW_SVG_BLACK] = "#000000", [NW_SVG_GREY] = "#666666",   [NW_SVG_PALE] = "#cccccc",
        [NW_SVG_BLUE] = "#0072b2",  [NW_SVG_ORANGE] = "#e69f00", [NW_SVG_SKY] = "#56b4e9",
        [NW_SVG_GREEN] = "#009e73", [NW_SVG_RED] = "#d55e00",    [NW_SVG_NO_INK] = "none",
    };
    assert(ink <= NW_SVG_NO_INK);
    return COLOURS[ink];
}

/* XML text: report's cleaning first, then the five characters that mean something. */
static void add_escaped(struct nw_buf *buf, const char *text) {
    struct nw_buf clean;
    nw_buf_init(&clean, 1 << 16);
    nw_report_clean(&clean, text);
    for (const char *c = nw_buf_failed(&clean) || !clean.data ? "" : clean.data; *c != '\0'; c++) {
        switch (*c) {
        case '&':
            nw_buf_printf(buf, "&amp;");
            break;
        case '<':
            nw_buf_printf(buf, "&lt;");
            break;
        case '>':
            nw_buf_printf(buf, "&gt;");
            break;
        case '"':
            nw_buf_printf(buf, "&quot;");
            break;
        case '\'':
            nw_buf_printf(buf, "&#39;");
            break;
        default:
            nw_buf_printf(buf, "%c", *c);
        }
    }
    nw_buf_done(&clean);
}

static double near(double v_mm) {
    return isfinite(v_mm) ? fmin(FAR_mm, fmax(-FAR_mm, v_mm)) : 0.0;
}

static void add_pattern(struct nw_svg *svg, const char *name, const char *inside) {
    nw_buf_printf(&svg->buf,
                  "<pattern id=\"%s-%s\" width=\"1.6\" height=\"1.6\" "
                  "patternUnits=\"userSpaceOnUse\"><path d=\"%s\" stroke=\"#444444\" "
                  "stroke-width=\"0.2\" stroke-linecap=\"round\" fill=\"none\"/></pattern>\n",
                  svg->id, name, inside);
}

void nw_svg_begin(struct nw_svg *svg, const char *id, double width_mm, double height_mm,
                  const char *title, const char *description) {
    assert(width_mm > 0.0 && height_mm > 0.0);
    *svg = (struct nw_svg){.width_mm = width_mm, .height_mm = height_mm};
    nw_buf_init(&svg->buf, NW_SVG_MAX_BYTES);
    nw_text_copy(svg->id, sizeof svg->id, id);
    nw_buf_printf(&svg->buf,
                  "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%gmm\" height=\"%gmm\" "
                  "viewBox=\"0 0 %g %g\" role=\"img\" aria-labelledby=\"%s-title %s-desc\" "
                  "font-family=\"DejaVu Sans, Liberation Sans, Arial, sans-serif\">\n"
                  "<title id=\"%s-title\">",
                  width_mm, height_mm, width_mm, height_mm, svg->id, svg->id, svg->id);
    add_escaped(&svg->buf, title);
    nw_buf_printf(&svg->buf, "</title>\n<desc id=\"%s-desc\">", svg->id);
    add_escaped(&svg->buf, description);
    nw_buf_printf(&svg->buf, "</desc>\n<defs>\n");
    /* each pattern overlaps its tile's corners, so that lines join without gaps */
    add_pattern(svg, "hatch", "M-0.4,0.4 L0.4,-0.4 M0,1.6 L1.6,0 M1.2,2 L2,1.2");
    add_pattern(svg, "backhatch", "M1.2,-0.4 L2,0.4 M0,0 L1.6,1.6 M-0.4,1.2 L0.4,2");
    add_pattern(svg, "cross", "M0,0 L1.6,1.6 M0,1.6 L1.6,0");
    add_pattern(svg, "dots", "M0.4,0.4 l0.01,0 M1.2,1.2 l0.01,0");
    nw_buf_printf(&svg->buf, "</defs>\n<rect width=\"%g\" height=\"%g\" fill=\"#ffffff\"/>\n",
                  width_mm, height_mm);
}

enum nw_status nw_svg_end(struct nw_svg *svg, struct nw_buf *ret, struct nw_err *err) {
    nw_buf_printf(&svg->buf, "</svg>\n");
    if (nw_buf_failed(&svg->buf)) {
        nw_svg_drop(svg);
        return nw_err_set(err, NW_LIMIT, "a drawing over %zu bytes, or no memory for it",
                          NW_SVG_MAX_BYTES);
    }
    *ret = svg->buf;
    *svg = (struct nw_svg){0};
    return NW_OK;
}

void nw_svg_drop(struct nw_svg *svg) {
    nw_buf_done(&svg->buf);
    *svg = (struct nw_svg){0};
}

/* Attributes of the line alone. */
static void add_line_style(struct nw_svg *svg, const struct nw_svg_style *style) {
    static const char *const DASHES[] = {[NW_SVG_SOLID] = NULL,
                                         [NW_SVG_DASHED] = "2 1",
                                         [NW_SVG_DOTTED] = "0.4 0.8",
                                         [NW_SVG_DASH_DOT] = "2.4 0.8 0.4 0.8"};
    nw_buf_printf(&svg->buf, " stroke=\"%s\"", ink_colour(style->ink));
    if (style->ink != NW_SVG_NO_INK) {
        nw_buf_printf(&svg->buf, " stroke-width=\"%g\" stroke-linejoin=\"round\"",
                      style->line_mm > 0.0 ? style->line_mm : LINE_mm);
    }
    if (DASHES[style->dash]) {
        nw_buf_printf(&svg->buf, " stroke-dasharray=\"%s\"", DASHES[style->dash]);
    }
}

static void add_style(struct nw_svg *svg, const struct nw_svg_style *style) {
    static const char *const PATTERNS[] = {[NW_SVG_HATCH] = "hatch",
                                           [NW_SVG_BACKHATCH] = "backhatch",
                                           [NW_SVG_CROSS] = "cross",
                                           [NW_SVG_DOTS] = "dots"};
    const double shade = style->shade >= 0.0 ? fmin(style->shade, 1.0) : 0.0;
    const unsigned grey = (unsigned)lround(255.0 * (1.0 - shade));
    add_line_style(svg, style);
    switch (style->fill) {
    case NW_SVG_NO_FILL:
        nw_buf_printf(&svg->buf, " fill=\"none\"");
        break;
    case NW_SVG_TINT:
        nw_buf_printf(&svg->buf, " fill=\"#dddddd\"");
        break;
    case NW_SVG_INKED:
        nw_buf_printf(&svg->buf, " fill=\"%s\"", ink_colour(style->ink));
        break;
    case NW_SVG_SHADE:
        nw_buf_printf(&svg->buf, " fill=\"#%02x%02x%02x\"", grey, grey, grey);
        break;
    case NW_SVG_HATCH:
    case NW_SVG_BACKHATCH:
    case NW_SVG_CROSS:
    case NW_SVG_DOTS:
        nw_buf_printf(&svg->buf, " fill=\"url(#%s-%s)\"", svg->id, PATTERNS[style->fill]);
        break;
    }
}

static void end_shape(struct nw_svg *svg, const struct nw_svg_style *style) {
    add_style(svg, style);
    nw_buf_printf(&svg->buf, "/>\n");
}

void nw_svg_line(struct nw_svg *svg, const double from_mm[static 2], const double to_mm[static 2],
                 const struct nw_svg_style *style) {
    nw_buf_printf(&svg->buf, "<line x1=\"%.2f\" y1=\"%.2f\" x2=\"%.2f\" y2=\"%.2f\"",
                  near(from_mm[0]), near(from_mm[1]), near(to_mm[0]), near(to_mm[1]));
    end_shape(svg, style);
}

void nw_svg_rect(struct nw_svg *svg, const double corner_mm[static 2],
                 const double size_mm[static 2], const struct nw_svg_style *style) {
    nw_buf_printf(&svg->buf, "<rect x=\"%.2f\" y=\"%.2f\" width=\"%.2f\" height=\"%.2f\"",
                  near(corner_mm[0]), near(corner_mm[1]), fmax(0.0, near(size_mm[0])),
                  fmax(0.0, near(size_mm[1])));
    end_shape(svg, style);
}

void nw_svg_circle(struct nw_svg *svg, const double centre_mm[static 2], double radius_mm,
                   const struct nw_svg_style *style) {
    nw_buf_printf(&svg->buf, "<circle cx=\"%.2f\" cy=\"%.2f\" r=\"%.2f\"", near(centre_mm[0]),
                  near(centre_mm[1]), fmax(0.0, near(radius_mm)));
    end_shape(svg, style);
}

void nw_svg_text_turned(struct nw_svg *svg, const double at_mm[static 2], double angle_deg,
                        enum nw_svg_anchor anchor, double height_mm, const char *text) {
    static const char *const ANCHORS[] = {"start", "middle", "end"};
    nw_buf_printf(&svg->buf, "<text x=\"%.2f\" y=\"%.2f\" font-size=\"%g\" text-anchor=\"%s\"",
                  near(at_mm[0]), near(at_mm[1]), height_mm, ANCHORS[anchor]);
    if (fabs(angle_deg) > 0.0) {
        nw_buf_printf(&svg->buf, " transform=\"rotate(%g %.2f %.2f)\"", angle_deg, near(at_mm[0]),
                      near(at_mm[1]));
    }
    nw_buf_printf(&svg->buf, ">");
    add_escaped(&svg->buf, text);
    nw_buf_printf(&svg->buf, "</text>\n");
}

void nw_svg_text(struct nw_svg *svg, const double at_mm[static 2], enum nw_svg_anchor anchor,
                 double height_mm, const char *text) {
    nw_svg_text_turned(svg, at_mm, 0.0, anchor, height_mm, text);
}

/* ---- Paths: the style stands first, so that the points can stream ---- */

void nw_svg_path_begin(struct nw_svg *svg, const struct nw_svg_style *style) {
    nw_buf_printf(&svg->buf, "<path fill-rule=\"evenodd\"");
    add_style(svg, style);
    nw_buf_printf(&svg->buf, " d=\"");
    svg->path_n = 0;
}

static void path_point(struct nw_svg *svg, char letter, double x_mm, double y_mm) {
    if (!isfinite(x_mm) || !isfinite(y_mm)) {
        svg->path_n = 0; /* the next point starts a piece */
        return;
    }
    nw_buf_printf(&svg->buf, "%c%.2f,%.2f", svg->path_n == 0 ? 'M' : letter, near(x_mm),
                  near(y_mm));
    svg->path_n++;
}

void nw_svg_path_move(struct nw_svg *svg, double x_mm, double y_mm) {
    path_point(svg, 'M', x_mm, y_mm);
}

void nw_svg_path_to(struct nw_svg *svg, double x_mm, double y_mm) {
    path_point(svg, 'L', x_mm, y_mm);
}

void nw_svg_path_close(struct nw_svg *svg) {
    if (svg->path_n > 0) {
        nw_buf_printf(&svg->buf, "Z");
    }
    svg->path_n = 0;
}

void nw_svg_path_end(struct nw_svg *svg) {
    nw_buf_printf(&svg->buf, "\"/>\n");
    svg->path_n = 0;
}
