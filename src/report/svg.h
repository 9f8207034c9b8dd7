/* svg.h - drawings and charts as SVG: one document for screen and print.
 *
 * Idea: a page in millimetres, origin top left, y down; a frame maps data to a part of that page.
 * Everything must be told apart without colour: lines differ in dash and width, areas in hatching,
 * marks in shape; colours (Okabe and Ito 2008, Color Universal Design, from memory) only help.
 * Nothing is fetched by the reader: no style sheets, scripts, fonts or pictures. All text is
 * escaped here. Failures (memory, over the limit) are sticky; nw_svg_end says so once.
 *     struct nw_svg svg;
 *     nw_svg_begin(&svg, "worm", 180.0, 120.0, "Worm turn", "error against axis angle");
 *     struct nw_svg_frame frame = {.left_mm = 20, .top_mm = 12, .width_mm = 150, .height_mm = 90,
 *                                  .x = {.low = 0, .high = 360, .label = "axis angle [deg]"}, ...};
 *     nw_svg_axes(&svg, &frame);
 *     nw_svg_polyline(&svg, &frame, x, y, n, &(struct nw_svg_style){.ink = NW_SVG_BLUE});
 *     return nw_svg_end(&svg, ret, err);                                                        */
#ifndef NW_REPORT_SVG_H
#define NW_REPORT_SVG_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"

#define NW_SVG_MAX_BYTES ((size_t)32 << 20) /* of one document */
#define NW_SVG_TEXT_mm 3.2                  /* height of ordinary text: 9 points */
#define NW_SVG_SMALL_mm 2.7

struct nw_svg {
    struct nw_buf buf;
    char id[24]; /* in front of all ids: two drawings may share a page */
    double width_mm, height_mm;
    unsigned n_frames;
    size_t path_n; /* points of the open path */
};

enum nw_svg_ink {
    NW_SVG_BLACK,
    NW_SVG_GREY,
    NW_SVG_PALE,   /* grid lines */
    NW_SVG_BLUE,   /* dark on paper */
    NW_SVG_ORANGE, /* middle */
    NW_SVG_SKY,    /* light */
    NW_SVG_GREEN,
    NW_SVG_RED,
    NW_SVG_NO_INK /* no line */
};
enum nw_svg_dash { NW_SVG_SOLID, NW_SVG_DASHED, NW_SVG_DOTTED, NW_SVG_DASH_DOT };
/* Areas: tints by grey value, hatchings by direction. SHADE takes the grey from `shade`. */
enum nw_svg_fill {
    NW_SVG_NO_FILL,
    NW_SVG_TINT,      /* light grey */
    NW_SVG_HATCH,     /* lines rising to the right */
    NW_SVG_BACKHATCH, /* lines falling to the right */
    NW_SVG_CROSS,     /* both */
    NW_SVG_DOTS,
    NW_SVG_SHADE, /* grey of `shade`: 0 white, 1 black */
    NW_SVG_INKED  /* the colour of `ink` */
};
enum nw_svg_mark { NW_SVG_DOT, NW_SVG_RING, NW_SVG_SQUARE, NW_SVG_PLUS, NW_SVG_TRIANGLE };
struct nw_svg_style { /* {0}: a thin solid black line */
    enum nw_svg_ink ink;
    enum nw_svg_dash dash;
    double line_mm; /* 0: 0.3 mm */
    enum nw_svg_fill fill;
    double shade;
    enum nw_svg_mark mark; /* of nw_svg_marks */
    double mark_mm;        /* 0: 1.2 mm across */
};
enum nw_svg_anchor { NW_SVG_START, NW_SVG_MIDDLE, NW_SVG_END };

/* ---- The page ------------------------------------------------------------------------------ */

/* id: letters, digits, '-'. title and description are read out by screen readers. */
void nw_svg_begin(struct nw_svg *svg, const char *id, double width_mm, double height_mm,
                  const char *title, const char *description);
/* Moves the finished document to *ret (nw_buf_done it) and ends `svg` either way. LIMIT or NOMEM
 * when something did not fit. */
enum nw_status nw_svg_end(struct nw_svg *svg, struct nw_buf *ret, struct nw_err *err) NW_CHECKED;
void nw_svg_drop(struct nw_svg *svg); /* instead of nw_svg_end, after an error elsewhere */

/* ---- In millimetres of the page -------------------------------------------------------------- */

void nw_svg_line(struct nw_svg *svg, const double from_mm[static 2], const double to_mm[static 2],
                 const struct nw_svg_style *style);
/* corner: left, top. */
void nw_svg_rect(struct nw_svg *svg, const double corner_mm[static 2],
                 const double size_mm[static 2], const struct nw_svg_style *style);
void nw_svg_circle(struct nw_svg *svg, const double centre_mm[static 2], double radius_mm,
                   const struct nw_svg_style *style);
/* Base line at `at`. */
void nw_svg_text(struct nw_svg *svg, const double at_mm[static 2], enum nw_svg_anchor anchor,
                 double height_mm, const char *text);
/* The same, turned: angle_deg counts clockwise on the page, -90 reads upwards. */
void nw_svg_text_turned(struct nw_svg *svg, const double at_mm[static 2], double angle_deg,
                        enum nw_svg_anchor anchor, double height_mm, const char *text);
/* A path of any number of closed or open pieces, filled by the even-odd rule: outlines, contours.
 * Points that are not finite are left out and break the piece. */
void nw_svg_path_begin(struct nw_svg *svg, const struct nw_svg_style *style);
void nw_svg_path_move(struct nw_svg *svg, double x_mm, double y_mm);
void nw_svg_path_to(struct nw_svg *svg, double x_mm, double y_mm);
void nw_svg_path_close(struct nw_svg *svg);
void nw_svg_path_end(struct nw_svg *svg);

/* ---- Charts (svg_chart.c) -------------------------------------------------------------------- */

enum nw_svg_scale {
    NW_SVG_LINEAR,
    NW_SVG_LOG,   /* low > 0 */
    NW_SVG_CLOCK, /* seconds UTC, marked as hours and minutes */
    NW_SVG_TURN   /* degrees, marked at whole parts of a turn */
};
struct nw_svg_axis {
    double low, high; /* low < high; at the left and at the bottom, unless is_reversed */
    enum nw_svg_scale scale;
    bool is_reversed;
    const char *label; /* with unit: "lag [s]"; NULL: none */
    bool has_grid;
    bool has_no_numbers; /* ticks alone: strips that share an axis */
};
struct nw_svg_frame {
    double left_mm, top_mm, width_mm, height_mm; /* of the plotting area; numbers stand outside */
    struct nw_svg_axis x, y;
    unsigned clip; /* set by nw_svg_axes */
};

/* Ticks at 1, 2 or 5 times a power of ten (of CLOCK: whole fractions of an hour), at most
 * `max_ticks` (2 to 20), within [low, high]. Returns how many; *ret_decimals to print them with. */
size_t nw_svg_ticks(double low, double high, enum nw_svg_scale scale, size_t max_ticks,
                    double ticks[static 24], int *ret_decimals);
/* Widens [low, high] by `margin` of its length and opens an empty range; for axes from data. */
void nw_svg_range(const double *values, size_t n, double margin, double *ret_low, double *ret_high);

/* Draws box, grid, ticks, numbers and labels; series drawn afterwards are clipped to the box. */
void nw_svg_axes(struct nw_svg *svg, struct nw_svg_frame *frame);
/* Data to the page; clamped to a page's length beyond the box; NaN stays NaN. */
double nw_svg_x_mm(const struct nw_svg_frame *frame, double x);
double nw_svg_y_mm(const struct nw_svg_frame *frame, double y);

/* A line through points; NaN breaks it. With more points than the paper shows and x ascending, each
 * 0.1 mm keeps its first, lowest, highest and last point, which draws the same picture (Jugel et
 * al. 2014, PVLDB 7, 797). */
void nw_svg_polyline(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                     const double *y, size_t n, const struct nw_svg_style *style);
/* The area between two lines over the same x. */
void nw_svg_band(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                 const double *low, const double *high, size_t n, const struct nw_svg_style *style);
/* The style's mark at each point that is there. */
void nw_svg_marks(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                  const double *y, size_t n, const struct nw_svg_style *style);
/* A bar from low to high at each x (intervals). */
void nw_svg_bars(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                 const double *low, const double *high, size_t n, const struct nw_svg_style *style);
/* A line across the whole box at x or y, with a word beside it (NULL: none). */
void nw_svg_x_line(struct nw_svg *svg, const struct nw_svg_frame *frame, double x, const char *word,
                   const struct nw_svg_style *style);
void nw_svg_y_line(struct nw_svg *svg, const struct nw_svg_frame *frame, double y, const char *word,
                   const struct nw_svg_style *style);
/* A sample of a line or an area with its name, at a place of the page; returns the height taken. */
double nw_svg_key(struct nw_svg *svg, const double at_mm[static 2],
                  const struct nw_svg_style *style, const char *text);

#endif
