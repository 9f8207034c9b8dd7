/* svg_chart.c - axes and series on an SVG page; see svg.h.
 * Idea: a frame maps data to the page; ticks are 1, 2 or 5 times a power of ten, or whole fractions
 * of an hour; series are cut to the box by a clip path of the frame. */
#include <assert.h>
#include <math.h>

#include "report/svg.h"

#define TICK_mm 1.2
#define MARK_mm 1.2
#define COLUMN_mm 0.1  /* below what print shows */
#define OUTSIDE_mm 300 /* values far outside the box stop here, so that lines keep their slope */

/* ---- Ticks ---- */

static double nice_step(double rough) {
    const double decade = pow(10.0, floor(log10(rough)));
    const double lead = rough / decade;
    return (lead <= 1.0 + 1e-9   ? 1.0
            : lead <= 2.0 + 1e-9 ? 2.0
            : lead <= 5.0 + 1e-9 ? 5.0
                                 : 10.0) *
           decade;
}

static double nice_clock_step(double rough_s) {
    static const double STEPS_s[] = {1.0,    2.0,    5.0,     10.0,    15.0,    30.0,
                                     60.0,   120.0,  300.0,   600.0,   900.0,   1800.0,
                                     3600.0, 7200.0, 10800.0, 21600.0, 43200.0, 86400.0};
    const size_t n = sizeof STEPS_s / sizeof STEPS_s[0];
    for (size_t i = 0; i < n; i++) {
        if (STEPS_s[i] >= rough_s) {
            return STEPS_s[i];
        }
    }
    return 86400.0 * ceil(rough_s / 86400.0);
}

static size_t even_ticks(double low, double high, double step, double ticks[static 24]) {
    size_t n = 0;
    const double first = ceil(low / step - 1e-9);
    for (double k = first; n < 24 && k * step <= high + 1e-9 * step; k += 1.0) {
        ticks[n++] = k * step + 0.0; /* + 0.0: no "-0" */
    }
    return n;
}

/* 1, 2, 5 a decade while they fit; else whole decades, every k-th. */
static size_t log_ticks(double low, double high, size_t max_ticks, double ticks[static 24]) {
    static const double LEADS[] = {1.0, 2.0, 5.0};
    const int first = (int)floor(log10(low) + 1e-9);
    const int last = (int)floor(log10(high) + 1e-9);
    const double decades = log10(high / low);
    const int leads = decades * 3.0 <= (double)max_ticks ? 3 : 1;
    const int every = leads == 3 ? 1 : 1 + (int)(decades / (double)max_ticks);
    size_t n = 0;
    for (int d = first; d <= last && n < 24; d += every) {
        for (int i = 0; i < leads && n < 24; i++) {
            const double v = LEADS[i] * pow(10.0, d);
            if (v >= low * (1.0 - 1e-9) && v <= high * (1.0 + 1e-9)) {
                ticks[n++] = v;
            }
        }
    }
    return n;
}

static double nice_turn_step(double rough) {
    static const double STEPS[] = {5.0, 15.0, 30.0, 45.0, 90.0};
    for (size_t i = 0; i < sizeof STEPS / sizeof STEPS[0]; i++) {
        if (STEPS[i] >= rough) {
            return STEPS[i];
        }
    }
    return 180.0 * ceil(rough / 180.0);
}

size_t nw_svg_ticks(double low, double high, enum nw_svg_scale scale, size_t max_ticks,
                    double ticks[static 24], int *ret_decimals) {
    assert(high > low && max_ticks >= 2 && max_ticks <= 20);
    *ret_decimals = 0;
    if (scale == NW_SVG_LOG) {
        return log_ticks(low, high, max_ticks, ticks);
    }
    const double rough = (high - low) / (double)max_ticks;
    if (scale == NW_SVG_CLOCK) {
        return even_ticks(low, high, nice_clock_step(rough), ticks);
    }
    if (scale == NW_SVG_TURN) {
        return even_ticks(low, high, nice_turn_step(rough), ticks);
    }
    const double step = nice_step(rough);
    const int decimals = -(int)floor(log10(step) + 1e-9);
    *ret_decimals = decimals < 0 ? 0 : decimals > 9 ? 9 : decimals;
    return even_ticks(low, high, step, ticks);
}

void nw_svg_range(const double *values, size_t n, double margin, double *ret_low,
                  double *ret_high) {
    double low = INFINITY;
    double high = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        if (isfinite(values[i])) {
            low = fmin(low, values[i]);
            high = fmax(high, values[i]);
        }
    }
    if (!(high >= low)) {
        low = 0.0;
        high = 1.0;
    }
    const double least = fmax(1e-9, 1e-6 * fmax(fabs(low), fabs(high)));
    const double pad = high - low > least ? margin * (high - low) : least;
    *ret_low = low - pad;
    *ret_high = high + pad;
}

/* ---- Mapping ---- */

static double share_of(const struct nw_svg_axis *axis, double v) {
    const double share = axis->scale == NW_SVG_LOG
                             ? (v > 0.0 ? log(v / axis->low) / log(axis->high / axis->low) : NAN)
                             : (v - axis->low) / (axis->high - axis->low);
    return axis->is_reversed ? 1.0 - share : share;
}

static double clamp(double v_mm, double length_mm) {
    return isnan(v_mm) ? NAN : fmin(length_mm + OUTSIDE_mm, fmax(-(double)OUTSIDE_mm, v_mm));
}

double nw_svg_x_mm(const struct nw_svg_frame *frame, double x) {
    return frame->left_mm + clamp(share_of(&frame->x, x) * frame->width_mm, frame->width_mm);
}

double nw_svg_y_mm(const struct nw_svg_frame *frame, double y) {
    return frame->top_mm +
           clamp((1.0 - share_of(&frame->y, y)) * frame->height_mm, frame->height_mm);
}

/* ---- Axes ---- */

static void tick_text(double v, const struct nw_svg_axis *axis, int decimals, double step,
                      char text[static 32]) {
    if (axis->scale == NW_SVG_CLOCK) {
        char iso[40];
        nw_time_write_iso(v, 0, iso, sizeof iso);
        if (strlen(iso) >= 19) {
            (void)snprintf(text, 32, "%.*s", step < 60.0 ? 8 : 5, iso + 11);
        } else {
            nw_text_copy(text, 32, "-");
        }
    } else if (axis->scale == NW_SVG_LOG) {
        (void)snprintf(text, 32, "%g", v);
    } else {
        (void)snprintf(text, 32, "%.*f", decimals, v);
    }
}

static void draw_x_axis(struct nw_svg *svg, const struct nw_svg_frame *frame) {
    const double bottom = frame->top_mm + frame->height_mm;
    const struct nw_svg_style tick = {.line_mm = 0.25};
    const struct nw_svg_style grid = {.ink = NW_SVG_PALE, .line_mm = 0.15};
    double ticks[24];
    int decimals = 0;
    const double room = fmax(2.0, fmin(12.0, frame->width_mm / 14.0));
    const size_t n =
        nw_svg_ticks(frame->x.low, frame->x.high, frame->x.scale, (size_t)room, ticks, &decimals);
    for (size_t i = 0; i < n; i++) {
        const double x = nw_svg_x_mm(frame, ticks[i]);
        char text[32];
        if (frame->x.has_grid) {
            nw_svg_line(svg, (double[2]){x, frame->top_mm}, (double[2]){x, bottom}, &grid);
        }
        nw_svg_line(svg, (double[2]){x, bottom}, (double[2]){x, bottom - TICK_mm}, &tick);
        if (!frame->x.has_no_numbers) {
            tick_text(ticks[i], &frame->x, decimals, n > 1 ? ticks[1] - ticks[0] : 60.0, text);
            nw_svg_text(svg, (double[2]){x, bottom + 4.2}, NW_SVG_MIDDLE, NW_SVG_SMALL_mm, text);
        }
    }
    if (frame->x.label) {
        nw_svg_text(svg, (double[2]){frame->left_mm + 0.5 * frame->width_mm, bottom + 9.0},
                    NW_SVG_MIDDLE, NW_SVG_TEXT_mm, frame->x.label);
    }
}

static void draw_y_axis(struct nw_svg *svg, const struct nw_svg_frame *frame) {
    const struct nw_svg_style tick = {.line_mm = 0.25};
    const struct nw_svg_style grid = {.ink = NW_SVG_PALE, .line_mm = 0.15};
    const double right = frame->left_mm + frame->width_mm;
    double ticks[24];
    int decimals = 0;
    size_t widest = 0;
    const double room = fmax(2.0, fmin(10.0, frame->height_mm / 8.0));
    const size_t n =
        nw_svg_ticks(frame->y.low, frame->y.high, frame->y.scale, (size_t)room, ticks, &decimals);
    for (size_t i = 0; i < n; i++) {
        const double y = nw_svg_y_mm(frame, ticks[i]);
        char text[32];
        if (frame->y.has_grid) {
            nw_svg_line(svg, (double[2]){frame->left_mm, y}, (double[2]){right, y}, &grid);
        }
        nw_svg_line(svg, (double[2]){frame->left_mm, y}, (double[2]){frame->left_mm + TICK_mm, y},
                    &tick);
        if (!frame->y.has_no_numbers) {
            tick_text(ticks[i], &frame->y, decimals, n > 1 ? ticks[1] - ticks[0] : 60.0, text);
            widest = strlen(text) > widest ? strlen(text) : widest;
            nw_svg_text(svg, (double[2]){frame->left_mm - 1.2, y + 0.36 * NW_SVG_SMALL_mm},
                        NW_SVG_END, NW_SVG_SMALL_mm, text);
        }
    }
    if (frame->y.label) { /* a digit is 0.64 of the height wide */
        const double x = frame->left_mm - 3.4 - 0.64 * NW_SVG_SMALL_mm * (double)widest;
        nw_svg_text_turned(svg, (double[2]){x, frame->top_mm + 0.5 * frame->height_mm}, -90.0,
                           NW_SVG_MIDDLE, NW_SVG_TEXT_mm, frame->y.label);
    }
}

void nw_svg_axes(struct nw_svg *svg, struct nw_svg_frame *frame) {
    assert(frame->x.high > frame->x.low && frame->y.high > frame->y.low);
    frame->clip = ++svg->n_frames;
    nw_buf_printf(&svg->buf,
                  "<clipPath id=\"%s-box%u\"><rect x=\"%.2f\" y=\"%.2f\" width=\"%.2f\" "
                  "height=\"%.2f\"/></clipPath>\n",
                  svg->id, frame->clip, frame->left_mm, frame->top_mm, frame->width_mm,
                  frame->height_mm);
    draw_x_axis(svg, frame);
    draw_y_axis(svg, frame);
    nw_svg_rect(svg, (double[2]){frame->left_mm, frame->top_mm},
                (double[2]){frame->width_mm, frame->height_mm},
                &(struct nw_svg_style){.line_mm = 0.3});
}

/* ---- Series ---- */

static void begin_clip(struct nw_svg *svg, const struct nw_svg_frame *frame) {
    assert(frame->clip > 0);
    nw_buf_printf(&svg->buf, "<g clip-path=\"url(#%s-box%u)\">\n", svg->id, frame->clip);
}

static void end_clip(struct nw_svg *svg) {
    nw_buf_printf(&svg->buf, "</g>\n");
}

static bool is_ascending(const double *x, size_t n) {
    for (size_t i = 1; i < n; i++) {
        if (!(x[i] >= x[i - 1])) {
            return false;
        }
    }
    return true;
}

/* One column of paper: the run of finite points first .. last-1. */
static void column_path(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                        const double *y, size_t n) {
    size_t low = 0;
    size_t high = 0;
    for (size_t i = 1; i < n; i++) {
        low = y[i] < y[low] ? i : low;
        high = y[i] > y[high] ? i : high;
    }
    const size_t picks[] = {0, low < high ? low : high, low < high ? high : low, n - 1};
    for (size_t k = 0; k < 4; k++) {
        if (k == 0 || picks[k] != picks[k - 1]) {
            nw_svg_path_to(svg, nw_svg_x_mm(frame, x[picks[k]]), nw_svg_y_mm(frame, y[picks[k]]));
        }
    }
}

static void thinned_path(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                         const double *y, size_t n) {
    for (size_t i = 0; i < n;) {
        if (!isfinite(y[i])) {
            nw_svg_path_to(svg, NAN, NAN);
            i++;
            continue;
        }
        const double column = floor(nw_svg_x_mm(frame, x[i]) / COLUMN_mm);
        size_t end = i + 1;
        while (end < n && isfinite(y[end]) &&
               floor(nw_svg_x_mm(frame, x[end]) / COLUMN_mm) <= column) {
            end++;
        }
        column_path(svg, frame, x + i, y + i, end - i);
        i = end;
    }
}

void nw_svg_polyline(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                     const double *y, size_t n, const struct nw_svg_style *style) {
    begin_clip(svg, frame);
    nw_svg_path_begin(svg, style);
    if ((double)n > 4.0 * frame->width_mm / COLUMN_mm && !frame->x.is_reversed &&
        is_ascending(x, n)) {
        thinned_path(svg, frame, x, y, n);
    } else {
        for (size_t i = 0; i < n; i++) {
            nw_svg_path_to(svg, nw_svg_x_mm(frame, x[i]), nw_svg_y_mm(frame, y[i]));
        }
    }
    nw_svg_path_end(svg);
    end_clip(svg);
}

void nw_svg_band(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                 const double *low, const double *high, size_t n,
                 const struct nw_svg_style *style) {
    begin_clip(svg, frame);
    nw_svg_path_begin(svg, style);
    for (size_t i = 0; i < n;) {
        size_t end = i; /* pieces between points that are not there */
        while (end < n && isfinite(x[end]) && isfinite(low[end]) && isfinite(high[end])) {
            const double x_mm = nw_svg_x_mm(frame, x[end]);
            nw_svg_path_to(svg, x_mm, nw_svg_y_mm(frame, high[end]));
            end++;
        }
        for (size_t k = end; k > i; k--) {
            nw_svg_path_to(svg, nw_svg_x_mm(frame, x[k - 1]), nw_svg_y_mm(frame, low[k - 1]));
        }
        nw_svg_path_close(svg);
        i = end + 1;
    }
    nw_svg_path_end(svg);
    end_clip(svg);
}

static void draw_mark(struct nw_svg *svg, double x, double y, const struct nw_svg_style *style) {
    const double size = style->mark_mm > 0.0 ? style->mark_mm : MARK_mm;
    const double r = 0.5 * size;
    switch (style->mark) {
    case NW_SVG_DOT:
    case NW_SVG_RING:
        nw_svg_circle(svg, (double[2]){x, y}, r, style);
        break;
    case NW_SVG_SQUARE:
        nw_svg_rect(svg, (double[2]){x - r, y - r}, (double[2]){size, size}, style);
        break;
    case NW_SVG_PLUS:
        nw_svg_line(svg, (double[2]){x - r, y}, (double[2]){x + r, y}, style);
        nw_svg_line(svg, (double[2]){x, y - r}, (double[2]){x, y + r}, style);
        break;
    case NW_SVG_TRIANGLE:
        nw_svg_path_begin(svg, style);
        nw_svg_path_move(svg, x, y - r);
        nw_svg_path_to(svg, x + r, y + r);
        nw_svg_path_to(svg, x - r, y + r);
        nw_svg_path_close(svg);
        nw_svg_path_end(svg);
        break;
    }
}

void nw_svg_marks(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                  const double *y, size_t n, const struct nw_svg_style *style) {
    struct nw_svg_style shape = *style;
    if (shape.mark == NW_SVG_DOT && shape.fill == NW_SVG_NO_FILL) {
        shape.fill = NW_SVG_INKED;
    }
    begin_clip(svg, frame);
    for (size_t i = 0; i < n; i++) {
        const double x_mm = nw_svg_x_mm(frame, x[i]);
        const double y_mm = nw_svg_y_mm(frame, y[i]);
        if (isfinite(x_mm) && isfinite(y_mm)) {
            draw_mark(svg, x_mm, y_mm, &shape);
        }
    }
    end_clip(svg);
}

void nw_svg_bars(struct nw_svg *svg, const struct nw_svg_frame *frame, const double *x,
                 const double *low, const double *high, size_t n,
                 const struct nw_svg_style *style) {
    begin_clip(svg, frame);
    nw_svg_path_begin(svg, style);
    for (size_t i = 0; i < n; i++) {
        nw_svg_path_to(svg, NAN, NAN);
        nw_svg_path_to(svg, nw_svg_x_mm(frame, x[i]), nw_svg_y_mm(frame, low[i]));
        nw_svg_path_to(svg, nw_svg_x_mm(frame, x[i]), nw_svg_y_mm(frame, high[i]));
    }
    nw_svg_path_end(svg);
    end_clip(svg);
}

void nw_svg_x_line(struct nw_svg *svg, const struct nw_svg_frame *frame, double x, const char *word,
                   const struct nw_svg_style *style) {
    const double x_mm = nw_svg_x_mm(frame, x);
    if (!(x >= frame->x.low && x <= frame->x.high)) {
        return;
    }
    nw_svg_line(svg, (double[2]){x_mm, frame->top_mm},
                (double[2]){x_mm, frame->top_mm + frame->height_mm}, style);
    if (word) {
        const bool is_right = x_mm > frame->left_mm + 0.7 * frame->width_mm;
        nw_svg_text(svg, (double[2]){x_mm + (is_right ? -1.0 : 1.0), frame->top_mm + 3.6},
                    is_right ? NW_SVG_END : NW_SVG_START, NW_SVG_SMALL_mm, word);
    }
}

void nw_svg_y_line(struct nw_svg *svg, const struct nw_svg_frame *frame, double y, const char *word,
                   const struct nw_svg_style *style) {
    const double y_mm = nw_svg_y_mm(frame, y);
    const double right_mm = frame->left_mm + frame->width_mm;
    if (!(y >= frame->y.low && y <= frame->y.high)) {
        return;
    }
    nw_svg_line(svg, (double[2]){frame->left_mm, y_mm}, (double[2]){right_mm, y_mm}, style);
    if (word) {
        nw_svg_text(svg, (double[2]){right_mm - 1.0, y_mm - 1.0}, NW_SVG_END, NW_SVG_SMALL_mm,
                    word);
    }
}

double nw_svg_key(struct nw_svg *svg, const double at_mm[static 2],
                  const struct nw_svg_style *style, const char *text) {
    const double middle = at_mm[1] + 1.6;
    if (style->fill != NW_SVG_NO_FILL && style->fill != NW_SVG_INKED) {
        nw_svg_rect(svg, (double[2]){at_mm[0], at_mm[1]}, (double[2]){8.0, 3.2}, style);
    } else {
        nw_svg_line(svg, (double[2]){at_mm[0], middle}, (double[2]){at_mm[0] + 8.0, middle}, style);
    }
    nw_svg_text(svg, (double[2]){at_mm[0] + 9.5, middle + 0.36 * NW_SVG_SMALL_mm}, NW_SVG_START,
                NW_SVG_SMALL_mm, text);
    return 4.4;
}
