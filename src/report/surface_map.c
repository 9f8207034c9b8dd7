/* surface_map.c - the focal surface as a page of SVG: contours, whiskers, cells against the depth
 * of focus.
 * Idea: heights below the sensor's plane are thin, above thicker, nil thickest, every line with its
 * number: nothing hangs on colour. Whiskers are drawn twice, inside focus (thin) and outside
 * (thick): those that cross are astigmatism, those that agree are motion or coma. */
#include "report/report_surface.h"
#include "report/svg.h"

#include <math.h>

#define UM 1e6

enum { GRID_X = 72, GRID_Y = 48, LABELS_MAX = 40 };

struct map {
    const struct nw_surface_report *r;
    struct nw_svg *svg;
    double left_mm, top_mm, width_mm, height_mm; /* the chip */
    double u_max, v_max;
    double scale; /* of heights for show: um, or steps */
};

static void to_page(const struct map *m, double u, double v, double ret[static 2]) {
    ret[0] = m->left_mm + 0.5 * m->width_mm * (1.0 + u / m->u_max);
    ret[1] = m->top_mm + 0.5 * m->height_mm * (1.0 - v / m->v_max); /* y upwards */
}

static double height_at(const struct map *m, double x, double y) {
    const double u = m->u_max * (2.0 * x / GRID_X - 1.0);
    const double v = m->v_max * (2.0 * y / GRID_Y - 1.0);
    return m->scale * nw_surface_height(m->r->surface, u, v);
}

/* Where the contour crosses the edges of a cell of the grid: 0, 2 or 4 points. */
static size_t crossings(const struct map *m, double x, double y, double level, double ret[][2]) {
    static const double CORNERS[5][2] = {{0, 0}, {1, 0}, {1, 1}, {0, 1}, {0, 0}};
    size_t n = 0;
    for (size_t k = 0; k < 4; k++) {
        const double a = height_at(m, x + CORNERS[k][0], y + CORNERS[k][1]) - level;
        const double b = height_at(m, x + CORNERS[k + 1][0], y + CORNERS[k + 1][1]) - level;
        if ((a < 0.0) != (b < 0.0)) {
            const double t = a / (a - b);
            ret[n][0] = x + CORNERS[k][0] + t * (CORNERS[k + 1][0] - CORNERS[k][0]);
            ret[n][1] = y + CORNERS[k][1] + t * (CORNERS[k + 1][1] - CORNERS[k][1]);
            n++;
        }
    }
    return n;
}

/* A label on the line, not nearer than 9 mm to another. */
static bool label(struct map *m, const double at[static 2], double level, double (*labels)[2],
                  size_t *n_labels) {
    const bool is_inside = at[0] > m->left_mm + 6.0 && at[0] < m->left_mm + m->width_mm - 6.0 &&
                           at[1] > m->top_mm + 4.0 && at[1] < m->top_mm + m->height_mm - 4.0;
    if (!is_inside || *n_labels == LABELS_MAX) {
        return false;
    }
    for (size_t i = 0; i < *n_labels; i++) {
        if (hypot(labels[i][0] - at[0], labels[i][1] - at[1]) < 9.0) {
            return false;
        }
    }
    labels[*n_labels][0] = at[0];
    labels[*n_labels][1] = at[1];
    (*n_labels)++;
    char text[24];
    (void)snprintf(text, sizeof text, "%+.0f", level);
    nw_svg_rect(m->svg, (const double[]){at[0] - 3.4, at[1] - 1.6}, (const double[]){6.8, 3.2},
                &(struct nw_svg_style){.ink = NW_SVG_NO_INK, .fill = NW_SVG_SHADE, .shade = 0.0});
    nw_svg_text(m->svg, (const double[]){at[0], at[1] + 1.0}, NW_SVG_MIDDLE, NW_SVG_SMALL_mm,
                fabs(level) < 0.5 ? "0" : text);
    return true;
}

static void contour(struct map *m, double level) {
    const bool is_nil = fabs(level) < 1e-9;
    const double line_mm = is_nil ? 0.8 : level < 0.0 ? 0.2 : 0.45;
    nw_svg_path_begin(m->svg, &(struct nw_svg_style){.line_mm = line_mm});
    for (int y = 0; y < GRID_Y; y++) {
        for (int x = 0; x < GRID_X; x++) {
            double points[4][2];
            const size_t n = crossings(m, x, y, level, points);
            for (size_t k = 0; k + 1 < n; k += 2) {
                for (size_t e = 0; e < 2; e++) {
                    double at[2];
                    to_page(m, m->u_max * (2.0 * points[k + e][0] / GRID_X - 1.0),
                            m->v_max * (2.0 * points[k + e][1] / GRID_Y - 1.0), at);
                    if (e == 0) {
                        nw_svg_path_move(m->svg, at[0], at[1]);
                    } else {
                        nw_svg_path_to(m->svg, at[0], at[1]);
                    }
                }
            }
        }
    }
    nw_svg_path_end(m->svg);
}

/* The first place of the level where a label has room; scanned from the middle row outwards. */
static void contour_label(struct map *m, double level, double (*labels)[2], size_t *n_labels) {
    for (int k = 0; k < GRID_Y; k++) {
        const int y = GRID_Y / 2 + (k % 2 ? (k + 1) / 2 : -(k / 2)) - 1;
        for (int x = 0; x < GRID_X && y >= 0 && y < GRID_Y; x++) {
            double points[4][2];
            double at[2];
            if (crossings(m, x, y, level, points) >= 2) {
                to_page(m, m->u_max * (2.0 * points[0][0] / GRID_X - 1.0),
                        m->v_max * (2.0 * points[0][1] / GRID_Y - 1.0), at);
                if (label(m, at, level, labels, n_labels)) {
                    return;
                }
            }
        }
    }
}

static void outline(const struct map *m, const char *title) {
    nw_svg_rect(m->svg, (const double[]){m->left_mm, m->top_mm},
                (const double[]){m->width_mm, m->height_mm},
                &(struct nw_svg_style){.line_mm = 0.5});
    nw_svg_text(m->svg, (const double[]){m->left_mm, m->top_mm - 11.0}, NW_SVG_START,
                NW_SVG_TEXT_mm, title);
}

/* Screws stand outside the chip: a triangle at the edge of the picture in their direction. */
static void screws(const struct map *m) {
    for (size_t i = 0; i < m->r->n_screws; i++) {
        const double angle = m->r->screws[i].angle_rad.v;
        const double c = cos(angle);
        const double s = sin(angle);
        const double reach = fmin(fabs(0.5 * m->width_mm / c), fabs(0.5 * m->height_mm / s)) + 2.5;
        const double x = m->left_mm + 0.5 * m->width_mm + reach * c;
        const double y = m->top_mm + 0.5 * m->height_mm - reach * s;
        nw_svg_path_begin(m->svg, &(struct nw_svg_style){.fill = NW_SVG_SHADE, .shade = 1.0});
        nw_svg_path_move(m->svg, x - 1.6 * c, y + 1.6 * s);
        nw_svg_path_to(m->svg, x + 1.4 * c - 1.3 * s, y - 1.4 * s - 1.3 * c);
        nw_svg_path_to(m->svg, x + 1.4 * c + 1.3 * s, y - 1.4 * s + 1.3 * c);
        nw_svg_path_close(m->svg);
        nw_svg_path_end(m->svg);
        char text[120];
        (void)snprintf(text, sizeof text, "%s", m->r->screws[i].name);
        if (m->r->shims) {
            (void)snprintf(text, sizeof text, "%s: %.2f mm", m->r->screws[i].name,
                           m->r->shims->screws[i].half_m * 1e3);
        }
        const double away = s > 0.3 ? -2.5 : 5.0;
        const double from_left = x - m->left_mm;
        const enum nw_svg_anchor anchor = from_left < 15.0                 ? NW_SVG_START
                                          : from_left > m->width_mm - 15.0 ? NW_SVG_END
                                                                           : NW_SVG_MIDDLE;
        nw_svg_text(m->svg, (const double[]){fmax(x, m->left_mm - 8.0), y + away}, anchor,
                    NW_SVG_SMALL_mm, text);
    }
}

static double nice_step(double range) {
    const double raw = range / 8.0;
    const double power = pow(10.0, floor(log10(raw)));
    const double first = raw / power;
    return power * (first < 1.5 ? 1.0 : first < 3.5 ? 2.0 : first < 7.5 ? 5.0 : 10.0);
}

static void heights(struct map *m, const char *unit) {
    double low = INFINITY;
    double high = -INFINITY;
    for (int y = 0; y <= GRID_Y; y++) {
        for (int x = 0; x <= GRID_X; x++) {
            low = fmin(low, height_at(m, x, y));
            high = fmax(high, height_at(m, x, y));
        }
    }
    const double step = nice_step(fmax(high - low, 1.0));
    double labels[LABELS_MAX][2];
    size_t n_labels = 0;
    const long from = (long)ceil(low / step);
    const long to = (long)floor(high / step);
    for (long k = from; k <= to; k++) {
        contour(m, step * (double)k);
    }
    for (long k = from; k <= to; k++) {
        contour_label(m, step * (double)k, labels, &n_labels);
    }
    char title[80];
    (void)snprintf(title, sizeof title, "Best focus, %s above the sensor", unit);
    outline(m, title);
    screws(m);
}

static void whisker(const struct map *m, const double at[static 2], const double e[static 2],
                    double scale, const struct nw_svg_style *style) {
    const double size = hypot(e[0], e[1]);
    if (!isfinite(size)) {
        return;
    }
    const double half = 0.5 * scale * size;
    const double angle = 0.5 * atan2(e[1], e[0]);
    nw_svg_line(m->svg, (const double[]){at[0] - half * cos(angle), at[1] + half * sin(angle)},
                (const double[]){at[0] + half * cos(angle), at[1] - half * sin(angle)}, style);
}

/* mm for an elongation of 1: the longest whisker nearly fills its cell, in steps of a factor 2; no
 * farther than noise stays small. */
static double whisker_scale(const struct map *m) {
    const struct nw_surface *const s = m->r->surface;
    const double room = 0.9 * sqrt(m->width_mm * m->height_mm / fmax(1.0, (double)s->n_cells));
    double longest = 0.0;
    for (size_t i = 0; i < s->n_cells; i++) {
        const struct nw_surface_cell *const c = &s->cells[i];
        longest = fmax(longest, fmax(hypot(c->e_outside[0], c->e_outside[1]),
                                     hypot(c->e_inside[0], c->e_inside[1])));
    }
    double scale = 15.0;
    while (scale < 60.0 && 2.0 * scale * longest < room) {
        scale *= 2.0;
    }
    return scale;
}

static void whiskers(struct map *m) {
    const struct nw_surface *const s = m->r->surface;
    const struct nw_svg_style outside = {.ink = NW_SVG_GREY, .line_mm = 1.0};
    const struct nw_svg_style inside = {.ink = NW_SVG_BLACK, .line_mm = 0.3};
    const double scale = whisker_scale(m);
    for (size_t i = 0; i < s->n_cells; i++) {
        double at[2];
        to_page(m, s->cells[i].u, s->cells[i].v, at);
        whisker(m, at, s->cells[i].e_outside, scale, &outside);
        whisker(m, at, s->cells[i].e_inside, scale, &inside);
    }
    outline(m, "Star shapes");
    const double y = m->top_mm + m->height_mm + 5.0;
    const bool is_single = s->method == NW_SURFACE_SINGLE;
    nw_svg_line(m->svg, (const double[]){m->left_mm, y}, (const double[]){m->left_mm + 3.0, y},
                &outside);
    const double e = 3.0 / scale; /* of the whisker in the legend */
    char line[100];
    (void)snprintf(line, sizeof line, "%s; this long: %.2f times as long as wide",
                   is_single ? "this frame" : "outside focus", sqrt((1.0 + e) / (1.0 - e)));
    nw_svg_text(m->svg, (const double[]){m->left_mm + 4.5, y + 1.0}, NW_SVG_START, NW_SVG_SMALL_mm,
                line);
    if (!is_single) {
        nw_svg_line(m->svg, (const double[]){m->left_mm, y + 4.5},
                    (const double[]){m->left_mm + 3.0, y + 4.5}, &inside);
        nw_svg_text(m->svg, (const double[]){m->left_mm + 4.5, y + 5.5}, NW_SVG_START,
                    NW_SVG_SMALL_mm, "inside focus; crossed whiskers: astigmatism");
    }
}

/* Each cell's own best focus with its error along the tilt, and the depth of focus about the place
 * that serves all best. */
static void cells(struct nw_svg *svg, const struct nw_surface_report *r, double scale,
                  const char *unit) {
    const struct nw_surface *const s = r->surface;
    const double angle = isfinite(s->tilt_direction_rad) ? s->tilt_direction_rad : 0.0;
    double x[64];
    double y[64];
    double low[64];
    double high[64];
    size_t n = 0;
    for (size_t i = 0; i < s->n_cells && n < 64; i++) {
        if (isfinite(s->cells[i].best) && isfinite(s->cells[i].sigma)) {
            x[n] = s->cells[i].u * cos(angle) + s->cells[i].v * sin(angle);
            y[n] = scale * s->cells[i].best;
            low[n] = scale * (s->cells[i].best - s->cells[i].sigma);
            high[n] = scale * (s->cells[i].best + s->cells[i].sigma);
            n++;
        }
    }
    const double middle = scale * (s->z[NW_SURFACE_Z0] + s->z[NW_SURFACE_C] / 3.0);
    const double depth = s->is_metric ? scale * s->depth_of_focus_m : NAN;
    double ends[4] = {middle - (isfinite(depth) ? depth : 0.0),
                      middle + (isfinite(depth) ? depth : 0.0), middle, middle};
    double y_low = 0.0;
    double y_high = 1.0;
    for (size_t i = 0; i < n; i++) {
        ends[2] = fmin(ends[2], y[i]);
        ends[3] = fmax(ends[3], y[i]);
    }
    nw_svg_range(ends, 4, 0.15, &y_low, &y_high);
    char label[60];
    (void)snprintf(label, sizeof label, "best focus [%s]", unit);
    struct nw_svg_frame frame = {
        .left_mm = 22.0,
        .top_mm = 106.0,
        .width_mm = 158.0,
        .height_mm = 62.0,
        .x = {.low = -1.02,
              .high = 1.02,
              .label = "along the tilt [half diagonals]; farther out to the right"},
        .y = {.low = y_low, .high = y_high, .label = label}};
    nw_svg_axes(svg, &frame);
    if (isfinite(depth)) {
        const double ends_x[2] = {-1.02, 1.02};
        const double below[2] = {middle - depth, middle - depth};
        const double above[2] = {middle + depth, middle + depth};
        nw_svg_band(svg, &frame, ends_x, below, above, 2,
                    &(struct nw_svg_style){.ink = NW_SVG_GREY, .fill = NW_SVG_TINT});
    }
    nw_svg_y_line(svg, &frame, middle, "best place of the sensor",
                  &(struct nw_svg_style){.dash = NW_SVG_DASHED});
    nw_svg_bars(svg, &frame, x, low, high, n, &(struct nw_svg_style){.line_mm = 0.35});
    nw_svg_marks(svg, &frame, x, y, n, &(struct nw_svg_style){.mark = NW_SVG_DOT, .mark_mm = 0.7});
    if (isfinite(depth)) {
        (void)nw_svg_key(svg, (const double[]){24.0, 101.0},
                         &(struct nw_svg_style){.ink = NW_SVG_GREY, .fill = NW_SVG_TINT},
                         "depth of focus, +- 2 lambda N^2; bars: each cell by itself, one sigma");
    }
}

enum nw_status nw_report_surface_map(const struct nw_surface_report *r, struct nw_buf *ret,
                                     struct nw_err *err) {
    const struct nw_surface *const s = r->surface;
    if (!s->is_scale_known) {
        return nw_err_set(err, NW_DATA, "heights are not known, so there is nothing to draw");
    }
    const double scale = s->is_metric ? UM : 1.0;
    const char *const unit = s->is_metric ? "um" : "steps";
    const double diagonal = hypot(s->width_px, s->height_px);
    struct nw_svg svg;
    char title[120];
    char value[48];
    (void)snprintf(title, sizeof title, "Focal surface, %s of %zu frame%s%s",
                   nw_surface_method_name(s->method), s->n_used, s->n_used == 1 ? "" : "s",
                   s->is_sign_known ? "" : " (all signs may be turned)");
    nw_svg_begin(&svg, "surface", 190.0, 184.0, title,
                 "contours of best focus over the chip, star shapes, and each cell's best focus "
                 "against the depth of focus");
    nw_svg_text(&svg, (const double[]){12.0, 8.0}, NW_SVG_START, 4.2, title);
    char line[160];
    (void)snprintf(line, sizeof line, "tilt %s %s corner to corner; + is away from the telescope",
                   nw_report_pm(value, sizeof value, scale * s->tilt, scale * s->tilt_sigma), unit);
    nw_svg_text(&svg, (const double[]){12.0, 13.5}, NW_SVG_START, NW_SVG_TEXT_mm, line);
    struct map m = {.r = r,
                    .svg = &svg,
                    .left_mm = 12.0,
                    .top_mm = 32.0,
                    .width_mm = 78.0,
                    .height_mm = fmin(58.0, 78.0 * s->height_px / s->width_px),
                    .u_max = s->width_px / diagonal,
                    .v_max = s->height_px / diagonal,
                    .scale = scale};
    heights(&m, unit);
    m.left_mm = 102.0;
    whiskers(&m);
    cells(&svg, r, scale, unit);
    return nw_svg_end(&svg, ret, err);
}
