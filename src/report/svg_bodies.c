/* svg_bodies.c - see svg_bodies.h.
 * Idea: what is convex projects to the convex hull of its projected points; no hidden lines are
 * taken out, as in a drawing of glass. */
#include "report/svg_bodies.h"

#include <math.h>
#include <stdlib.h>

#define LARGE_M 1.5

const struct nw_svg_view nw_svg_views[NW_SVG_N_VIEWS] = {
    [NW_SVG_PLAN] = {"plan, north up", {1, 0, 0}, {0, 1, 0}},
    [NW_SVG_SOUTH] = {"from the south, west left", {1, 0, 0}, {0, 0, 1}},
    [NW_SVG_EAST] = {"from the east, south left", {0, 1, 0}, {0, 0, 1}},
};

static int by_place(const void *a, const void *b) {
    const double *const p = a;
    const double *const q = b;
    return p[0] != q[0] ? (p[0] > q[0]) - (p[0] < q[0]) : (p[1] > q[1]) - (p[1] < q[1]);
}

static double turn_of(const double a[2], const double b[2], const double c[2]) {
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
}

/* Convex hull (Andrew 1979, Inf. Proc. Lett. 9, 216); returns how many corners. */
static size_t hull_of(double (*points)[2], size_t n, double (*ret)[2]) {
    qsort(points, n, sizeof points[0], by_place);
    size_t m = 0;
    for (int pass = 0; pass < 2; pass++) {
        const size_t start = m + 1;
        for (size_t j = 0; j < n; j++) {
            const size_t i = pass == 0 ? j : n - 1 - j;
            while (m > start && turn_of(ret[m - 2], ret[m - 1], points[i]) <= 0.0) {
                m--;
            }
            ret[m][0] = points[i][0];
            ret[m++][1] = points[i][1];
        }
        m--;
    }
    return m;
}

/* The outline on the paper, in metres from the crossing of the axes. */
static size_t projected(const struct nw_clearance *model, size_t body, const struct nw_pose *pose,
                        const struct nw_svg_view *view, double points[NW_OUTLINE_POINTS][2]) {
    double outline[NW_OUTLINE_POINTS][3];
    const size_t n = nw_clearance_outline(model, body, pose, outline);
    for (size_t i = 0; i < n; i++) {
        points[i][0] = points[i][1] = 0.0;
        for (int k = 0; k < 3; k++) {
            points[i][0] += outline[i][k] * view->across[k];
            points[i][1] += outline[i][k] * view->up[k];
        }
    }
    return n;
}

struct nw_svg_spot nw_svg_body(struct nw_svg *svg, const struct nw_clearance *model, size_t body,
                               const struct nw_pose *pose, const struct nw_svg_view *view,
                               const struct nw_svg_place *place, const struct nw_svg_style *style) {
    double points[NW_OUTLINE_POINTS][2];
    double hull[NW_OUTLINE_POINTS + 2][2];
    const size_t n_points = projected(model, body, pose, view, points);
    if (n_points == 0) {
        return (struct nw_svg_spot){NAN, NAN};
    }
    const size_t n = hull_of(points, n_points, hull);
    struct nw_svg_spot middle = {0.0, 0.0};
    nw_svg_path_begin(svg, style);
    for (size_t i = 0; i < n; i++) {
        const double x = place->x_mm + hull[i][0] * place->mm_per_m;
        const double y = place->y_mm - hull[i][1] * place->mm_per_m;
        middle.x_mm += x / (double)n;
        middle.y_mm += y / (double)n;
        if (i == 0) {
            nw_svg_path_move(svg, x, y);
        } else {
            nw_svg_path_to(svg, x, y);
        }
    }
    nw_svg_path_close(svg);
    nw_svg_path_end(svg);
    return middle;
}

void nw_svg_measure(struct nw_svg *svg, const double from_mm[static 2],
                    const double to_mm[static 2], const char *text) {
    const struct nw_svg_style thin = {.line_mm = 0.15};
    const bool is_level = fabs(to_mm[0] - from_mm[0]) > fabs(to_mm[1] - from_mm[1]);
    nw_svg_line(svg, from_mm, to_mm, &thin);
    const double *const ends[2] = {from_mm, to_mm};
    for (int i = 0; i < 2; i++) {
        const double a[2] = {ends[i][0] - (is_level ? 0.0 : 1.2),
                             ends[i][1] - (is_level ? 1.2 : 0.0)};
        const double b[2] = {ends[i][0] + (is_level ? 0.0 : 1.2),
                             ends[i][1] + (is_level ? 1.2 : 0.0)};
        nw_svg_line(svg, a, b, &thin);
    }
    const double at[2] = {0.5 * (from_mm[0] + to_mm[0]) - (is_level ? 0.0 : 0.8),
                          0.5 * (from_mm[1] + to_mm[1]) - (is_level ? 0.8 : 0.0)};
    nw_svg_text_turned(svg, at, is_level ? 0.0 : -90.0, NW_SVG_MIDDLE, 2.3, text);
}

/* ---- Three views ---- */

struct sheet {
    struct nw_svg *svg;
    const struct nw_clearance *model;
    const struct nw_pose *pose;
    const struct nw_contact *nearest;
    const struct nw_body *bodies;
    size_t n;
    double low[NW_SVG_N_VIEWS][2], high[NW_SVG_N_VIEWS][2];
};

static bool is_marked(const struct sheet *sheet, size_t i) {
    return sheet->nearest && (i == sheet->nearest->a || i == sheet->nearest->b);
}

static bool is_drawn(const struct sheet *sheet, size_t i) {
    const struct nw_body *const body = &sheet->bodies[i];
    const double largest_m =
        fmax(body->length_m.v, body->shape == NW_SHAPE_BOX ? fmax(body->width_m.v, body->height_m.v)
                                                           : body->diameter_m.v);
    return is_marked(sheet, i) || body->rides != NW_RIDES_GROUND || largest_m < LARGE_M;
}

static void find_extents(struct sheet *sheet) {
    for (int v = 0; v < NW_SVG_N_VIEWS; v++) {
        for (int k = 0; k < 2; k++) {
            sheet->low[v][k] = INFINITY;
            sheet->high[v][k] = -INFINITY;
        }
        for (size_t i = 0; i < sheet->n; i++) {
            double points[NW_OUTLINE_POINTS][2];
            const size_t n = is_drawn(sheet, i)
                                 ? projected(sheet->model, i, sheet->pose, &nw_svg_views[v], points)
                                 : 0;
            for (size_t p = 0; p < n; p++) {
                for (int k = 0; k < 2; k++) {
                    sheet->low[v][k] = fmin(sheet->low[v][k], points[p][k]);
                    sheet->high[v][k] = fmax(sheet->high[v][k], points[p][k]);
                }
            }
        }
    }
}

/* Centre lines through the crossing of the axes. */
static void draw_centre(struct nw_svg *svg, const struct nw_svg_place *place) {
    const struct nw_svg_style style = {.line_mm = 0.15, .dash = NW_SVG_DASHED};
    const double left[2] = {place->x_mm - 4.0, place->y_mm};
    const double right[2] = {place->x_mm + 4.0, place->y_mm};
    const double top[2] = {place->x_mm, place->y_mm - 4.0};
    const double bottom[2] = {place->x_mm, place->y_mm + 4.0};
    nw_svg_line(svg, left, right, &style);
    nw_svg_line(svg, top, bottom, &style);
}

static void draw_view(const struct sheet *sheet, int v, const struct nw_svg_place *place) {
    for (size_t i = 0; i < sheet->n; i++) {
        if (!is_drawn(sheet, i)) {
            continue;
        }
        const bool is_near = is_marked(sheet, i);
        const bool is_ground = sheet->bodies[i].rides == NW_RIDES_GROUND;
        const struct nw_svg_style style = {.line_mm = is_near ? 0.6 : 0.2,
                                           .dash = is_ground ? NW_SVG_DASHED : NW_SVG_SOLID,
                                           .fill = is_near ? NW_SVG_HATCH : NW_SVG_NO_FILL};
        const struct nw_svg_spot spot =
            nw_svg_body(sheet->svg, sheet->model, i, sheet->pose, &nw_svg_views[v], place, &style);
        if (is_near && isfinite(spot.x_mm)) {
            const double at[2] = {spot.x_mm, spot.y_mm + 1.2};
            const double corner[2] = {spot.x_mm - 1.6, spot.y_mm - 2.0};
            const double size[2] = {3.2, 4.0};
            nw_svg_rect(sheet->svg, corner, size,
                        &(struct nw_svg_style){.line_mm = 0.15, .fill = NW_SVG_SHADE});
            nw_svg_text(sheet->svg, at, NW_SVG_MIDDLE, NW_SVG_SMALL_mm,
                        i == sheet->nearest->a ? "A" : "B");
        }
    }
    draw_centre(sheet->svg, place);
    const double left = place->x_mm + sheet->low[v][0] * place->mm_per_m;
    const double right = place->x_mm + sheet->high[v][0] * place->mm_per_m;
    const double top = place->y_mm - sheet->high[v][1] * place->mm_per_m;
    const double bottom = place->y_mm - sheet->low[v][1] * place->mm_per_m;
    char text[32];
    (void)snprintf(text, sizeof text, "%.0f", (sheet->high[v][0] - sheet->low[v][0]) * 1e3);
    nw_svg_measure(sheet->svg, (const double[2]){left, bottom + 4.0},
                   (const double[2]){right, bottom + 4.0}, text);
    (void)snprintf(text, sizeof text, "%.0f", (sheet->high[v][1] - sheet->low[v][1]) * 1e3);
    nw_svg_measure(sheet->svg, (const double[2]){left - 3.0, bottom},
                   (const double[2]){left - 3.0, top}, text);
    nw_svg_text(sheet->svg, (const double[2]){0.5 * (left + right), top - 2.0}, NW_SVG_MIDDLE,
                NW_SVG_SMALL_mm, nw_svg_views[v].name);
}

static void draw_scale(struct nw_svg *svg, const double at_mm[static 2], double mm_per_m) {
    const double length_m = mm_per_m > 60.0 ? 0.2 : mm_per_m > 25.0 ? 0.5 : 1.0;
    char text[48];
    (void)snprintf(text, sizeof text, "%.0f mm, 1 : %.0f", length_m * 1e3, 1e3 / mm_per_m);
    nw_svg_measure(svg, at_mm, (const double[2]){at_mm[0] + length_m * mm_per_m, at_mm[1]}, text);
}

void nw_svg_elevations(struct nw_svg *svg, const struct nw_clearance *model,
                       const struct nw_pose *pose, const struct nw_contact *nearest,
                       const double corner_mm[static 2], const double size_mm[static 2]) {
    enum { MARGIN_mm = 8 };
    struct sheet sheet = {.svg = svg, .model = model, .pose = pose, .nearest = nearest};
    sheet.bodies = nw_clearance_bodies(model, &sheet.n);
    find_extents(&sheet);
    double size_m[NW_SVG_N_VIEWS][2];
    for (int v = 0; v < NW_SVG_N_VIEWS; v++) {
        for (int k = 0; k < 2; k++) {
            size_m[v][k] = fmax(sheet.high[v][k] - sheet.low[v][k], 1e-3);
        }
    }
    const double across_m = size_m[NW_SVG_SOUTH][0] + size_m[NW_SVG_EAST][0];
    const double down_m = size_m[NW_SVG_PLAN][1] + size_m[NW_SVG_SOUTH][1];
    const double mm_per_m =
        fmin((size_mm[0] - 3.0 * MARGIN_mm) / across_m, (size_mm[1] - 4.0 * MARGIN_mm) / down_m);
    const double x_mm = corner_mm[0] + MARGIN_mm - sheet.low[NW_SVG_SOUTH][0] * mm_per_m;
    const double x_east_mm = corner_mm[0] + 2.5 * MARGIN_mm + size_m[NW_SVG_SOUTH][0] * mm_per_m -
                             sheet.low[NW_SVG_EAST][0] * mm_per_m;
    const double y_plan_mm = corner_mm[1] + MARGIN_mm + sheet.high[NW_SVG_PLAN][1] * mm_per_m;
    const double y_mm = corner_mm[1] + 2.6 * MARGIN_mm + size_m[NW_SVG_PLAN][1] * mm_per_m +
                        sheet.high[NW_SVG_SOUTH][1] * mm_per_m;
    draw_view(&sheet, NW_SVG_PLAN, &(struct nw_svg_place){x_mm, y_plan_mm, mm_per_m});
    draw_view(&sheet, NW_SVG_SOUTH, &(struct nw_svg_place){x_mm, y_mm, mm_per_m});
    draw_view(&sheet, NW_SVG_EAST, &(struct nw_svg_place){x_east_mm, y_mm, mm_per_m});
    draw_scale(svg,
               (const double[2]){x_east_mm + sheet.low[NW_SVG_EAST][0] * mm_per_m,
                                 corner_mm[1] + MARGIN_mm},
               mm_per_m);
}
