/* report_clearance_svg.c - the sky from the pole with the distance of the nearest pair, one disc a
 * tube side, and three elevations of the nearest approach, like a workshop drawing.
 * Idea: an equidistant disc about the pole above the horizon; shades by distance read in black and
 * white, contact is hatched. */
#include "report/report_clearance.h"

#include <math.h>
#include <stdlib.h>

#include "report/svg.h"

enum { N_HA = 120, N_DEC = 61, N_BINS = 5 };
static const double DISC_MM = 44.0;                     /* radius of the disc */
static const double REACH_RAD = 130.0 * NW_RAD_PER_DEG; /* from the pole, at the rim */

/* Distances up to .. m are drawn as; beyond the last one white. */
static const struct {
    double below_m;
    const char *label;
    struct nw_svg_style style;
} BINS[N_BINS] = {
    {0.0, "contact", {.ink = NW_SVG_NO_INK, .fill = NW_SVG_CROSS}},
    {0.02, "under 20 mm", {.ink = NW_SVG_NO_INK, .fill = NW_SVG_SHADE, .shade = 0.75}},
    {0.05, "20 to 50 mm", {.ink = NW_SVG_NO_INK, .fill = NW_SVG_SHADE, .shade = 0.50}},
    {0.10, "50 to 100 mm", {.ink = NW_SVG_NO_INK, .fill = NW_SVG_SHADE, .shade = 0.30}},
    {0.20, "100 to 200 mm", {.ink = NW_SVG_NO_INK, .fill = NW_SVG_SHADE, .shade = 0.12}},
};

static int bin_of(double distance_m) {
    for (int i = 0; i < N_BINS; i++) {
        if (distance_m <= BINS[i].below_m) {
            return i;
        }
    }
    return -1; /* NaN and far */
}

struct disc {
    double x_mm, y_mm; /* its middle */
    bool is_south;
};

/* Seen from inside, pole in the middle, upper meridian up: west to the right in the north (facing
 * the pole one has west at the left; the sky's equator is behind). Hour angles grow clockwise in
 * the south and counter-clockwise in the north, as the stars turn. */
static void place(const struct disc *disc, double ha_rad, double from_pole_rad, double ret[2]) {
    const double r = DISC_MM * from_pole_rad / REACH_RAD;
    const double sign = disc->is_south ? 1.0 : -1.0;
    ret[0] = disc->x_mm + sign * r * sin(ha_rad);
    ret[1] = disc->y_mm - r * cos(ha_rad);
}

static double from_pole_rad(const struct disc *disc, size_t k) {
    const double dec = NW_PI * ((double)k / (N_DEC - 1) - 0.5);
    return disc->is_south ? NW_PI / 2.0 + dec : NW_PI / 2.0 - dec;
}

static void draw_cell(struct nw_svg *svg, const struct disc *disc, size_t i, size_t k) {
    const double half_dec = 0.5 * NW_PI / (N_DEC - 1);
    const double middle = from_pole_rad(disc, k);
    const double inner = fmax(0.0, middle - half_dec);
    const double outer = fmin(REACH_RAD, middle + half_dec);
    const double ha = -NW_PI + 2.0 * NW_PI * (double)i / N_HA;
    const double half_ha = NW_PI / N_HA;
    const double corners[4][2] = {
        {ha - half_ha, inner}, {ha + half_ha, inner}, {ha + half_ha, outer}, {ha - half_ha, outer}};
    for (int c = 0; c < 4; c++) {
        double at[2];
        place(disc, corners[c][0], corners[c][1], at);
        if (c == 0) {
            nw_svg_path_move(svg, at[0], at[1]);
        } else {
            nw_svg_path_to(svg, at[0], at[1]);
        }
    }
    nw_svg_path_close(svg);
}

static void draw_grid(struct nw_svg *svg, const struct disc *disc) {
    const struct nw_svg_style thin = {.ink = NW_SVG_GREY, .line_mm = 0.1};
    for (int d = 30; d <= 120; d += 30) {
        const double at[2] = {disc->x_mm, disc->y_mm};
        nw_svg_circle(svg, at, DISC_MM * d * NW_RAD_PER_DEG / REACH_RAD, &thin);
        char text[16];
        (void)snprintf(text, sizeof text, "%+d", disc->is_south ? d - 90 : 90 - d);
        double label[2];
        place(disc, 0.0, d * NW_RAD_PER_DEG, label);
        nw_svg_text(svg, label, NW_SVG_START, NW_SVG_SMALL_mm, text);
    }
    for (int h = 0; h < 24; h += 3) {
        double from[2];
        double to[2];
        place(disc, h * NW_PI / 12.0, 10.0 * NW_RAD_PER_DEG, from);
        place(disc, h * NW_PI / 12.0, REACH_RAD, to);
        nw_svg_line(svg, from, to, &thin);
        char text[16];
        (void)snprintf(text, sizeof text, "%d h", h > 12 ? h - 24 : h);
        place(disc, h * NW_PI / 12.0, REACH_RAD * 1.05, to);
        to[1] += 1.0;
        nw_svg_text(svg, to, NW_SVG_MIDDLE, NW_SVG_SMALL_mm, text);
    }
}

static void draw_disc(struct nw_svg *svg, const struct nw_clearance_report *r, enum nw_side side,
                      const double *map, const struct disc *disc) {
    for (int b = 0; b < N_BINS; b++) {
        nw_svg_path_begin(svg, &BINS[b].style);
        for (size_t i = 0; i < N_HA; i++) {
            for (size_t k = 0; k < N_DEC; k++) {
                if (bin_of(map[i * N_DEC + k]) == b && from_pole_rad(disc, k) < REACH_RAD) {
                    draw_cell(svg, disc, i, k);
                }
            }
        }
        nw_svg_path_end(svg);
    }
    draw_grid(svg, disc);
    /* where going on from the usual half ends */
    const struct nw_svg_style bold = {.line_mm = 0.6};
    for (int end = 0; end < 2; end++) {
        nw_svg_path_begin(svg, &bold);
        bool is_down = false;
        double last_rad = 0.0;
        for (size_t k = 0; k < NW_CLEARANCE_DECS; k++) {
            const struct nw_reach *const limit = &r->limits[side][k];
            const double dec = ((double)k - 90.0) * NW_RAD_PER_DEG;
            const double from_pole = disc->is_south ? NW_PI / 2.0 + dec : NW_PI / 2.0 - dec;
            if (!limit->is_reachable || from_pole > REACH_RAD) {
                is_down = false;
                continue;
            }
            double at[2];
            place(disc, end ? limit->ha_max_rad : limit->ha_min_rad, from_pole, at);
            const double ha = end ? limit->ha_max_rad : limit->ha_min_rad;
            is_down = is_down && fabs(ha - last_rad) < 20.0 * NW_RAD_PER_DEG; /* else a jump */
            last_rad = ha;
            if (is_down) {
                nw_svg_path_to(svg, at[0], at[1]);
            } else {
                nw_svg_path_move(svg, at[0], at[1]);
            }
            is_down = true;
        }
        nw_svg_path_end(svg);
    }
    const double title[2] = {disc->x_mm, disc->y_mm - DISC_MM - 9.0};
    nw_svg_text(svg, title, NW_SVG_MIDDLE, NW_SVG_TEXT_mm,
                side == NW_SIDE_EAST ? "tube east of the pier" : "tube west of the pier");
}

/* ---- Elevations ---- */

/* Horizontal and vertical of the paper in east, north, up. */
struct view {
    const char *name;
    double across[3], up[3];
};

struct scale {
    double x_mm, y_mm, mm_per_m;
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

static void draw_body(struct nw_svg *svg, double outline[][3], size_t n_points,
                      const struct view *view, const struct scale *scale,
                      const struct nw_svg_style *style) {
    double points[NW_OUTLINE_POINTS][2];
    double hull[NW_OUTLINE_POINTS + 2][2];
    for (size_t i = 0; i < n_points; i++) {
        points[i][0] = points[i][1] = 0.0;
        for (int k = 0; k < 3; k++) {
            points[i][0] += outline[i][k] * view->across[k];
            points[i][1] += outline[i][k] * view->up[k];
        }
    }
    const size_t n = hull_of(points, n_points, hull);
    nw_svg_path_begin(svg, style);
    for (size_t i = 0; i < n; i++) {
        const double x = scale->x_mm + hull[i][0] * scale->mm_per_m;
        const double y = scale->y_mm - hull[i][1] * scale->mm_per_m;
        if (i == 0) {
            nw_svg_path_move(svg, x, y);
        } else {
            nw_svg_path_to(svg, x, y);
        }
    }
    nw_svg_path_close(svg);
    nw_svg_path_end(svg);
}

static const double CELL_MM[2] = {60.0, 110.0};

/* Walls and roofs would make the mount a dot: left out unless they are nearest. */
static bool is_drawn(const struct nw_clearance_report *r, size_t i,
                     const struct nw_contact *contact) {
    const struct nw_body *const body = &r->bodies[i];
    const double largest_m =
        fmax(body->length_m.v, body->shape == NW_SHAPE_BOX ? fmax(body->width_m.v, body->height_m.v)
                                                           : body->diameter_m.v);
    return i == contact->a || i == contact->b || body->rides != NW_RIDES_GROUND || largest_m < 1.5;
}

static void extent_of(const struct nw_clearance_report *r, const struct nw_pose *pose,
                      const struct nw_contact *contact, const struct view *view, double low[2],
                      double high[2]) {
    low[0] = low[1] = INFINITY;
    high[0] = high[1] = -INFINITY;
    for (size_t i = 0; i < r->n_bodies; i++) {
        double outline[NW_OUTLINE_POINTS][3];
        const size_t n =
            is_drawn(r, i, contact) ? nw_clearance_outline(r->model, i, pose, outline) : 0;
        for (size_t p = 0; p < n; p++) {
            double at[2] = {0.0, 0.0};
            for (int k = 0; k < 3; k++) {
                at[0] += outline[p][k] * view->across[k];
                at[1] += outline[p][k] * view->up[k];
            }
            for (int k = 0; k < 2; k++) {
                low[k] = fmin(low[k], at[k]);
                high[k] = fmax(high[k], at[k]);
            }
        }
    }
}

static void draw_views(struct nw_svg *svg, const struct nw_clearance_report *r,
                       const struct nw_pose *pose, const struct nw_contact *contact) {
    static const struct view VIEWS[3] = {{"plan, north up", {1, 0, 0}, {0, 1, 0}},
                                         {"from the south", {1, 0, 0}, {0, 0, 1}},
                                         {"from the east", {0, 1, 0}, {0, 0, 1}}};
    double mm_per_m = 100.0;
    double low[3][2];
    double high[3][2];
    for (int v = 0; v < 3; v++) {
        extent_of(r, pose, contact, &VIEWS[v], low[v], high[v]);
        mm_per_m = fmin(mm_per_m, fmin(CELL_MM[0] / (high[v][0] - low[v][0]),
                                       CELL_MM[1] / (high[v][1] - low[v][1])));
    }
    for (int v = 0; v < 3; v++) {
        const double middle_mm = 38.0 + 67.0 * v;
        const struct scale scale = {middle_mm - 0.5 * (low[v][0] + high[v][0]) * mm_per_m,
                                    210.0 + 0.5 * (low[v][1] + high[v][1]) * mm_per_m, mm_per_m};
        for (size_t i = 0; i < r->n_bodies; i++) {
            double outline[NW_OUTLINE_POINTS][3];
            const size_t n =
                is_drawn(r, i, contact) ? nw_clearance_outline(r->model, i, pose, outline) : 0;
            if (n == 0) {
                continue;
            }
            const bool is_near = i == contact->a || i == contact->b;
            const bool is_ground = r->bodies[i].rides == NW_RIDES_GROUND;
            const struct nw_svg_style style = {.line_mm = is_near ? 0.6 : 0.2,
                                               .dash = is_ground ? NW_SVG_DASHED : NW_SVG_SOLID,
                                               .fill = is_near ? NW_SVG_HATCH : NW_SVG_NO_FILL};
            draw_body(svg, outline, n, &VIEWS[v], &scale, &style);
        }
        const double title[2] = {middle_mm, 215.0 + 0.5 * CELL_MM[1]};
        nw_svg_text(svg, title, NW_SVG_MIDDLE, NW_SVG_SMALL_mm, VIEWS[v].name);
    }
}

/* The nearest approach of all ranges, and where. */
static struct nw_pose nearest_pose(const struct nw_clearance_report *r, struct nw_contact *ret) {
    struct nw_pose best = r->park;
    *ret = r->at_park;
    for (int side = 0; side < 2; side++) {
        for (size_t k = 0; k < NW_CLEARANCE_DECS; k += 5) {
            const struct nw_reach *const limit = &r->limits[side][k];
            const double dec = ((double)k - 90.0) * NW_RAD_PER_DEG;
            const double step = 2.0 * NW_RAD_PER_DEG;
            const int n =
                limit->is_reachable ? (int)((limit->ha_max_rad - limit->ha_min_rad) / step) + 1 : 0;
            for (int i = 0; i < n; i++) {
                const double ha = limit->ha_min_rad + i * step;
                const struct nw_pose pose = {ha, dec, (enum nw_side)side};
                const struct nw_contact c = nw_clearance_at(r->model, &pose);
                if (c.distance_m < ret->distance_m) {
                    *ret = c;
                    best = pose;
                }
            }
        }
    }
    return best;
}

static void draw_legend(struct nw_svg *svg) {
    for (int b = 0; b < N_BINS; b++) {
        const double corner[2] = {14.0 + 38.0 * b, 134.0};
        const double size[2] = {6.0, 4.0};
        struct nw_svg_style style = BINS[b].style;
        style.ink = NW_SVG_BLACK;
        style.line_mm = 0.1;
        nw_svg_rect(svg, corner, size, &style);
        const double at[2] = {corner[0] + 8.0, corner[1] + 3.2};
        nw_svg_text(svg, at, NW_SVG_START, NW_SVG_SMALL_mm, BINS[b].label);
    }
}

enum nw_status nw_report_clearance_svg(const struct nw_clearance_report *r, struct nw_buf *ret,
                                       struct nw_err *err) {
    double *const map = nw_calloc((size_t)N_HA * N_DEC, sizeof *map);
    if (!map) {
        return nw_err_set(err, NW_NOMEM, "map of the clearance");
    }
    struct nw_svg svg;
    nw_svg_begin(&svg, "clearance", 210.0, 297.0, "Clearance",
                 "Distance of the nearest pair of bodies over hour angle and declination");
    char text[200];
    (void)snprintf(text, sizeof text, "CLEARANCE  %s, %s%s", r->rig->name, r->setup->name,
                   r->is_open ? ", opened" : "");
    const double head[2] = {12.0, 12.0};
    nw_svg_text(&svg, head, NW_SVG_START, 4.5, text);
    for (int side = 0; side < 2; side++) {
        const struct disc disc = {side == NW_SIDE_EAST ? 55.0 : 155.0, 75.0,
                                  r->rig->site.latitude_rad.v < 0.0};
        nw_clearance_map(r->model, (enum nw_side)side, r->min_altitude_rad, N_HA, N_DEC, 0, map);
        draw_disc(&svg, r, (enum nw_side)side, map, &disc);
    }
    draw_legend(&svg);
    struct nw_contact contact;
    const struct nw_pose pose = nearest_pose(r, &contact);
    draw_views(&svg, r, &pose, &contact);
    (void)snprintf(text, sizeof text,
                   "Nearest within reach: %.0f mm, %s - %s, at hour angle %+.2f h, declination "
                   "%+.0f, tube %s.",
                   contact.distance_m * 1e3, r->bodies[contact.a].name, r->bodies[contact.b].name,
                   pose.ha_rad * 12.0 / NW_PI, pose.dec_rad * NW_DEG_PER_RAD,
                   pose.side == NW_SIDE_EAST ? "east" : "west");
    const double note[2] = {12.0, 284.0};
    nw_svg_text(&svg, note, NW_SVG_START, NW_SVG_SMALL_mm, text);
    const double line[2] = {12.0, 289.0};
    nw_svg_text(
        &svg, line, NW_SVG_START, NW_SVG_SMALL_mm,
        "Bold lines: how far it goes without contact. A model of the outlines described; it "
        "replaces no stop and no watching eye.");
    free(map);
    return nw_svg_end(&svg, ret, err);
}
