/* sheet_side.c - the rig from the side and down the declination axis, to scale, with numbers that
 * the table of masses explains, and the points where it balances.
 * Idea: weights down and tubes to the pole is the one attitude in which nothing hides: polar axis,
 * declination axis and shaft lie in the paper. Bodies are painted from far to near, white inside,
 * so that what is in front covers what is behind. */
#include <math.h>
#include <stdlib.h>

#include "report/sheet_internal.h"

#define CALL_mm 4.4 /* between two callouts */
enum { MAX_DRAWN = 64 };

struct view {
    const struct sheet *sheet;
    struct nw_svg_view view; /* of the paper */
    double toward[3];        /* the reader */
    struct nw_pose pose;
    struct nw_svg_place place;
    size_t drawn[MAX_DRAWN];
    double depth_m[MAX_DRAWN];
    struct nw_svg_spot spots[MAX_DRAWN];
    size_t n;
    double low[2], high[2]; /* extents, metres */
};

static double along(const double a[3], const double b[3]) {
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
}

/* Extents on the paper and depth of one body; false when it has no outline. */
static bool look_at(struct view *v, size_t body, double *ret_depth_m) {
    double outline[NW_OUTLINE_POINTS][3];
    const size_t n = nw_clearance_outline(v->sheet->model, body, &v->pose, outline);
    *ret_depth_m = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        const double at[2] = {along(outline[i], v->view.across), along(outline[i], v->view.up)};
        for (int k = 0; k < 2; k++) {
            v->low[k] = fmin(v->low[k], at[k]);
            v->high[k] = fmax(v->high[k], at[k]);
        }
        *ret_depth_m = fmax(*ret_depth_m, along(outline[i], v->toward));
    }
    return n > 0;
}

/* Bodies by depth, far first. */
static void gather(struct view *v, bool only_tube) {
    v->n = 0;
    v->low[0] = v->low[1] = INFINITY;
    v->high[0] = v->high[1] = -INFINITY;
    for (size_t i = 0; i < v->sheet->n_bodies && v->n < MAX_DRAWN; i++) {
        double depth_m = 0.0;
        if (sheet_number(v->sheet, i) == 0 ||
            (only_tube && v->sheet->bodies[i].rides != NW_RIDES_TUBE) || !look_at(v, i, &depth_m)) {
            continue;
        }
        size_t at = v->n++;
        while (at > 0 && v->depth_m[at - 1] > depth_m) {
            v->depth_m[at] = v->depth_m[at - 1];
            v->drawn[at] = v->drawn[at - 1];
            at--;
        }
        v->depth_m[at] = depth_m;
        v->drawn[at] = i;
    }
}

static struct nw_svg_style style_of(const struct nw_body *body) {
    const bool is_weight = body->rides == NW_RIDES_AXIS && body->slide == 2;
    return (struct nw_svg_style){.line_mm = body->rides == NW_RIDES_GROUND ? 0.25 : 0.35,
                                 .fill = NW_SVG_SHADE,
                                 .shade = is_weight                        ? 0.28
                                          : body->rides == NW_RIDES_AXIS   ? 0.14
                                          : body->shape == NW_SHAPE_TUBE   ? 0.0
                                          : body->rides == NW_RIDES_GROUND ? 0.06
                                                                           : 0.04};
}

static void paint(struct view *v) {
    for (size_t k = 0; k < v->n; k++) {
        const size_t i = v->drawn[k];
        const struct nw_svg_style style = style_of(&v->sheet->bodies[i]);
        v->spots[k] =
            nw_svg_body(v->sheet->svg, v->sheet->model, i, &v->pose, &v->view, &v->place, &style);
    }
}

/* ---- Callouts ---- */

struct call {
    double place_mm; /* of its number, along the shelf */
    size_t k;
};

static int by_place(const void *a, const void *b) {
    const struct call *const p = a;
    const struct call *const q = b;
    return (p->place_mm > q->place_mm) - (p->place_mm < q->place_mm);
}

/* Where the numbers of one side stand: a column (across 0) or a row (across 1) of the page. */
struct shelf {
    int across;
    double at_mm, from_mm, to_mm;
};

/* Numbers on a shelf: beside what they mean, pushed apart. */
static void put_on(const struct view *v, const struct shelf *shelf, struct call *calls, size_t n) {
    qsort(calls, n, sizeof calls[0], by_place);
    for (size_t i = 0; i < n; i++) { /* on */
        const double least = i == 0 ? shelf->from_mm : calls[i - 1].place_mm + CALL_mm;
        calls[i].place_mm = fmax(calls[i].place_mm, least);
    }
    for (size_t i = n; i > 0; i--) { /* and back again */
        const double most = i == n ? shelf->to_mm : calls[i].place_mm - CALL_mm;
        calls[i - 1].place_mm = fmin(calls[i - 1].place_mm, most);
    }
    for (size_t i = 0; i < n; i++) {
        const struct nw_svg_spot *const spot = &v->spots[calls[i].k];
        const double dot[2] = {spot->x_mm, spot->y_mm};
        const double at[2] = {shelf->across ? calls[i].place_mm : shelf->at_mm,
                              shelf->across ? shelf->at_mm : calls[i].place_mm};
        const double far_mm = hypot(dot[0] - at[0], dot[1] - at[1]);
        const double edge = far_mm > 1.9 ? 1.9 / far_mm : 0.0;
        char text[24];
        sheet_line(v->sheet, at[0] + edge * (dot[0] - at[0]), at[1] + edge * (dot[1] - at[1]),
                   dot[0], dot[1], &(struct nw_svg_style){.line_mm = 0.13});
        nw_svg_circle(v->sheet->svg, dot, 0.45,
                      &(struct nw_svg_style){.line_mm = 0.1, .fill = NW_SVG_INKED});
        nw_svg_circle(v->sheet->svg, at, 1.9,
                      &(struct nw_svg_style){.line_mm = 0.2, .fill = NW_SVG_SHADE});
        (void)snprintf(text, sizeof text, "%zu", sheet_number(v->sheet, v->drawn[calls[i].k]));
        nw_svg_text(v->sheet->svg, (const double[2]){at[0], at[1] + 0.75}, NW_SVG_MIDDLE, 2.1,
                    text);
    }
}

static double across_of(const struct view *v, size_t k, int across) {
    return across ? v->spots[k].y_mm : v->spots[k].x_mm;
}

/* Half of them on each shelf, by the side on which they are. */
static void call_out(const struct view *v, bool without_tube, const struct shelf shelves[2]) {
    struct call calls[MAX_DRAWN];
    size_t n = 0;
    const int across = shelves[0].across;
    for (size_t k = 0; k < v->n; k++) {
        const bool is_tube = v->sheet->bodies[v->drawn[k]].rides == NW_RIDES_TUBE;
        if (isfinite(v->spots[k].x_mm) && !(without_tube && is_tube)) {
            calls[n++] = (struct call){across_of(v, k, across), k};
        }
    }
    qsort(calls, n, sizeof calls[0], by_place);
    for (size_t i = 0; i < n; i++) {
        calls[i].place_mm = across_of(v, calls[i].k, !across);
    }
    put_on(v, &shelves[0], calls, n / 2);
    put_on(v, &shelves[1], calls + n / 2, n - n / 2);
}

/* ---- Balance points ---- */

/* A quartered disc at a point of a frame. */
static void balance_mark(const struct view *v, const double at_m[3], const double frame[3][3],
                         double radius_mm) {
    double ground[3] = {0.0, 0.0, 0.0};
    for (int i = 0; i < 3; i++) {
        for (int k = 0; k < 3; k++) {
            ground[i] += frame[i][k] * at_m[k];
        }
    }
    const double x = v->place.x_mm + along(ground, v->view.across) * v->place.mm_per_m;
    const double y = v->place.y_mm - along(ground, v->view.up) * v->place.mm_per_m;
    struct nw_svg *const svg = v->sheet->svg;
    nw_svg_circle(svg, (const double[2]){x, y}, radius_mm,
                  &(struct nw_svg_style){.line_mm = 0.25, .fill = NW_SVG_SHADE});
    for (int quarter = 0; quarter < 2; quarter++) {
        const double sign = quarter == 0 ? 1.0 : -1.0;
        nw_svg_path_begin(svg, &(struct nw_svg_style){.line_mm = 0.05, .fill = NW_SVG_INKED});
        nw_svg_path_move(svg, x, y);
        for (int step = 0; step <= 8; step++) {
            const double a = 0.5 * NW_PI * step / 8.0;
            nw_svg_path_to(svg, x + sign * radius_mm * cos(a), y - sign * radius_mm * sin(a));
        }
        nw_svg_path_close(svg);
        nw_svg_path_end(svg);
    }
}

static bool centre_of(const struct sheet *sheet, enum nw_rides rides, double ret_m[3]) {
    struct nw_mass_sum sum = {0};
    for (size_t i = 0; i < sheet->n_bodies; i++) {
        if (sheet->bodies[i].rides == rides) {
            nw_mass_add(&sum, &sheet->bodies[i], false);
        }
    }
    for (int k = 0; k < 3; k++) {
        ret_m[k] = sum.moment_kg_m[k] / sum.mass_kg;
    }
    return sum.mass_kg > 0.0;
}

static void balance_points(const struct view *v) {
    const struct nw_mount_frames f =
        nw_mount_frames_at(v->sheet->r->rig->site.latitude_rad.v, &v->pose);
    double at_m[3];
    if (centre_of(v->sheet, NW_RIDES_TUBE, at_m)) {
        balance_mark(v, at_m, f.tube, 1.7);
    }
    if (centre_of(v->sheet, NW_RIDES_AXIS, at_m)) {
        balance_mark(v, at_m, f.axis, 1.7);
    }
}

static void axis_line(const struct view *v, const double direction[3], double from_m, double to_m) {
    const double x = along(direction, v->view.across) * v->place.mm_per_m;
    const double y = -along(direction, v->view.up) * v->place.mm_per_m;
    sheet_line(v->sheet, v->place.x_mm + from_m * x, v->place.y_mm + from_m * y,
               v->place.x_mm + to_m * x, v->place.y_mm + to_m * y,
               &(struct nw_svg_style){.line_mm = 0.15, .dash = NW_SVG_DASH_DOT});
}

/* ---- The two views ---- */

/* In the middle of the box; room_mm: what callouts and measures leave of it. */
static void put_in(struct view *v, const struct sheet_box *box, const double room_mm[2],
                   double *ret_ratio) {
    const double size_m[2] = {v->high[0] - v->low[0], v->high[1] - v->low[1]};
    v->place.mm_per_m = sheet_scale(size_m, room_mm, ret_ratio);
    v->place.x_mm =
        box->left_mm + 0.5 * box->width_mm - 0.5 * (v->low[0] + v->high[0]) * v->place.mm_per_m;
    v->place.y_mm =
        box->top_mm + 0.5 * box->height_mm + 0.5 * (v->low[1] + v->high[1]) * v->place.mm_per_m;
}

static void measures(const struct view *v, double below_mm, double left_mm) {
    const double left = v->place.x_mm + v->low[0] * v->place.mm_per_m;
    const double right = v->place.x_mm + v->high[0] * v->place.mm_per_m;
    const double top = v->place.y_mm - v->high[1] * v->place.mm_per_m;
    const double bottom = v->place.y_mm - v->low[1] * v->place.mm_per_m;
    char text[32];
    (void)snprintf(text, sizeof text, "%.0f", (v->high[0] - v->low[0]) * 1e3);
    nw_svg_measure(v->sheet->svg, (const double[2]){left, below_mm},
                   (const double[2]){right, below_mm}, text);
    (void)snprintf(text, sizeof text, "%.0f", (v->high[1] - v->low[1]) * 1e3);
    nw_svg_measure(v->sheet->svg, (const double[2]){left_mm, bottom},
                   (const double[2]){left_mm, top}, text);
}

static void say_none(const struct sheet *sheet, const struct sheet_box *box) {
    nw_svg_text(sheet->svg, (const double[2]){box->left_mm + 2.0, box->top_mm + 12.0}, NW_SVG_START,
                SHEET_TEXT_mm, sheet->why_no_bodies);
}

/* The ground below the pier, hatched; the height of the axes above it. */
static void ground(const struct view *v, double right_mm) {
    const double y = v->place.y_mm - v->low[1] * v->place.mm_per_m;
    const double x = v->place.x_mm;
    nw_svg_rect(v->sheet->svg, (const double[2]){x - 24.0, y}, (const double[2]){48.0, 1.8},
                &(struct nw_svg_style){.ink = NW_SVG_NO_INK, .fill = NW_SVG_HATCH});
    sheet_line(v->sheet, x - 24.0, y, x + 24.0, y, &(struct nw_svg_style){.line_mm = 0.4});
    char text[32];
    (void)snprintf(text, sizeof text, "%.0f", -v->low[1] * 1e3);
    nw_svg_measure(v->sheet->svg, (const double[2]){right_mm, y},
                   (const double[2]){right_mm, v->place.y_mm}, text);
}

static void side_axes(const struct view *v) {
    const struct nw_rig *const rig = v->sheet->r->rig;
    const struct nw_mount_frames f = nw_mount_frames_at(rig->site.latitude_rad.v, &v->pose);
    const double polar[3] = {f.axis[0][0], f.axis[1][0], f.axis[2][0]};
    const double declination[3] = {f.axis[0][2], f.axis[1][2], f.axis[2][2]};
    char text[48];
    axis_line(v, polar, -0.45, 0.60);
    axis_line(v, declination, -0.45, 0.45);
    const double x = v->place.x_mm - 0.45 * along(polar, v->view.across) * v->place.mm_per_m;
    const double y = v->place.y_mm + 0.45 * along(polar, v->view.up) * v->place.mm_per_m;
    (void)snprintf(text, sizeof text, "polar axis, %.1f°",
                   fabs(rig->site.latitude_rad.v) * NW_DEG_PER_RAD);
    nw_svg_text(v->sheet->svg, (const double[2]){x, y + 3.0}, NW_SVG_MIDDLE, SHEET_SMALL_mm, text);
}

void sheet_side_view(const struct sheet *sheet, const struct sheet_box *box) {
    if (!sheet->model) {
        sheet_heading(sheet, box, "FROM THE EAST", "");
        say_none(sheet, box);
        return;
    }
    struct view v = {.sheet = sheet,
                     .view = nw_svg_views[NW_SVG_EAST],
                     .toward = {1.0, 0.0, 0.0},
                     .pose = sheet_pose(sheet->r->rig)};
    const struct sheet_box inner = {box->left_mm, box->top_mm + 5.5, box->width_mm,
                                    box->height_mm - 14.5};
    double ratio = 1.0;
    char text[120];
    gather(&v, false);
    put_in(&v, &inner, (const double[2]){box->width_mm - 26.0, inner.height_mm - 1.0}, &ratio);
    (void)snprintf(text, sizeof text, "1:%g, south left; weights down, tubes to the pole", ratio);
    sheet_heading(sheet, box, "FROM THE EAST", text);
    ground(&v, box->left_mm + box->width_mm - 0.5);
    paint(&v);
    side_axes(&v);
    balance_points(&v);
    const double bottom_mm = box->top_mm + box->height_mm - 12.0;
    const struct shelf shelves[2] = {
        {0, box->left_mm + 6.5, inner.top_mm + 4.0, bottom_mm - 4.0},
        {0, box->left_mm + box->width_mm - 7.0, inner.top_mm + 4.0, bottom_mm - 4.0}};
    call_out(&v, true, shelves);
    measures(&v, box->top_mm + box->height_mm - 4.6, box->left_mm + 2.4);
    double at_m[3] = {0};
    if (centre_of(sheet, NW_RIDES_TUBE, at_m)) {
        (void)snprintf(
            text, sizeof text,
            "quartered: centres of mass; that of the tubes %+.0f along, %+.0f beside the "
            "declination axis",
            at_m[0] * 1e3, at_m[1] * 1e3);
        sheet_fit(sheet, box->left_mm, box->top_mm + box->height_mm - 0.6, box->width_mm,
                  NW_SVG_START, SHEET_SMALL_mm, text);
    }
}

void sheet_down_view(const struct sheet *sheet, const struct sheet_box *box) {
    if (!sheet->model) {
        sheet_heading(sheet, box, "DOWN THE DECLINATION AXIS", "");
        say_none(sheet, box);
        return;
    }
    struct view v = {.sheet = sheet, .pose = sheet_pose(sheet->r->rig)};
    const struct nw_mount_frames f =
        nw_mount_frames_at(sheet->r->rig->site.latitude_rad.v, &v.pose);
    for (int i = 0; i < 3; i++) {
        v.view.across[i] = f.tube[i][0];
        v.view.up[i] = f.tube[i][1];
        v.toward[i] = f.tube[i][2];
    }
    const struct sheet_box inner = {box->left_mm + 6.0, box->top_mm + 11.0, box->width_mm - 6.0,
                                    box->height_mm - 24.0};
    double ratio = 1.0;
    char text[80];
    gather(&v, true);
    put_in(&v, &inner, (const double[2]){inner.width_mm - 2.0, inner.height_mm - 2.0}, &ratio);
    (void)snprintf(text, sizeof text, "1:%g, sky right (x), +y up", ratio);
    sheet_heading(sheet, box, "DOWN THE DECLINATION AXIS", text);
    paint(&v);
    const double x_axis[3] = {f.tube[0][0], f.tube[1][0], f.tube[2][0]};
    const double y_axis[3] = {f.tube[0][1], f.tube[1][1], f.tube[2][1]};
    axis_line(&v, x_axis, -0.06, 0.06);
    axis_line(&v, y_axis, -0.06, 0.06);
    balance_points(&v);
    const double right_mm = inner.left_mm + inner.width_mm - 3.0;
    const struct shelf shelves[2] = {
        {1, box->top_mm + 8.0, inner.left_mm + 3.0, right_mm},
        {1, inner.top_mm + inner.height_mm + 3.2, inner.left_mm + 3.0, right_mm}};
    call_out(&v, false, shelves);
    measures(&v, box->top_mm + box->height_mm - 2.0, box->left_mm + 2.4);
}
