/* report_clearance_svg.c - the sky from the pole with contours of the distance of the nearest pair,
 * one sheet a tube side, beside it plan and elevations of the nearest approach.
 * Idea: an equidistant disc about the pole above the horizon; shades and numbered contours read in
 * black and white, contact is hatched. Contours: straight pieces in the cells of the raster, by
 * linear interpolation on their edges. */
#include "report/report_clearance.h"

#include <math.h>
#include <stdlib.h>

#include "report/svg.h"
#include "report/svg_bodies.h"

enum { N_HA = 180, N_DEC = 91, N_BINS = 5, MAX_LABELS = 18 };
static const double DISC_MM = 62.0;                     /* radius of the disc */
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

/* ---- Contours ---- */

struct labels {
    double at[MAX_LABELS][2];
    double level_m[MAX_LABELS];
    size_t n;
};

static void offer_label(struct labels *labels, const double at[2], double level_m) {
    for (size_t i = 0; i < labels->n; i++) {
        if (hypot(labels->at[i][0] - at[0], labels->at[i][1] - at[1]) < 17.0) {
            return;
        }
    }
    if (labels->n < MAX_LABELS) {
        labels->at[labels->n][0] = at[0];
        labels->at[labels->n][1] = at[1];
        labels->level_m[labels->n++] = level_m;
    }
}

/* The piece of a contour in the cell from node (i, k) on: where the level crosses its edges. */
static void draw_piece(struct nw_svg *svg, const struct disc *disc, const double *map, size_t i,
                       size_t k, double level_m, struct labels *labels) {
    static const size_t CORNER[5][2] = {{0, 0}, {1, 0}, {1, 1}, {0, 1}, {0, 0}};
    double cut[4][2];
    int n = 0;
    for (int c = 0; c < 4; c++) {
        const size_t *const p = CORNER[c];
        const size_t *const q = CORNER[c + 1];
        const double a = map[(i + p[0]) % N_HA * N_DEC + k + p[1]] - level_m;
        const double b = map[(i + q[0]) % N_HA * N_DEC + k + q[1]] - level_m;
        if (!isfinite(a) || !isfinite(b)) {
            return;
        }
        if ((a > 0.0) == (b > 0.0)) {
            continue;
        }
        const double t = a / (a - b);
        const double u = (double)(i + p[0]) + t * ((double)q[0] - (double)p[0]);
        const double v =
            (1.0 - t) * from_pole_rad(disc, k + p[1]) + t * from_pole_rad(disc, k + q[1]);
        if (v > REACH_RAD) {
            return;
        }
        place(disc, -NW_PI + 2.0 * NW_PI * u / N_HA, v, cut[n++]);
    }
    for (int c = 0; c + 1 < n; c += 2) {
        nw_svg_path_move(svg, cut[c][0], cut[c][1]);
        nw_svg_path_to(svg, cut[c + 1][0], cut[c + 1][1]);
        offer_label(labels, cut[c], level_m);
    }
}

static void draw_contours(struct nw_svg *svg, const struct disc *disc, const double *map) {
    struct labels labels = {.n = 0};
    for (int b = N_BINS - 1; b >= 0; b--) {
        const struct nw_svg_style style = {.line_mm = b == 0 ? 0.7 : 0.25};
        nw_svg_path_begin(svg, &style);
        for (size_t i = 0; i < N_HA; i++) {
            for (size_t k = 0; k + 1 < N_DEC; k++) {
                draw_piece(svg, disc, map, i, k, BINS[b].below_m, &labels);
            }
        }
        nw_svg_path_end(svg);
    }
    for (size_t i = 0; i < labels.n; i++) {
        char text[16];
        const double corner[2] = {labels.at[i][0] - 3.0, labels.at[i][1] - 1.5};
        const double size[2] = {6.0, 3.0};
        const double at[2] = {labels.at[i][0], labels.at[i][1] + 0.9};
        nw_svg_rect(svg, corner, size,
                    &(struct nw_svg_style){.ink = NW_SVG_NO_INK, .fill = NW_SVG_SHADE});
        (void)snprintf(text, sizeof text, "%.0f", labels.level_m[i] * 1e3);
        nw_svg_text(svg, at, NW_SVG_MIDDLE, 2.3, text);
    }
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
    draw_contours(svg, disc, map);
    /* where going on from the usual half ends */
    const struct nw_svg_style bold = {.line_mm = 0.9, .dash = NW_SVG_DASHED};
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
}

/* The nearest approach of all ranges of one side, and where; of the parked attitude when the side
 * has none. */
static struct nw_pose nearest_pose(const struct nw_clearance_report *r, enum nw_side side,
                                   struct nw_contact *ret) {
    struct nw_pose best = r->park;
    *ret = r->at_park;
    ret->distance_m = INFINITY;
    for (size_t k = 0; k < NW_CLEARANCE_DECS; k += 5) {
        const struct nw_reach *const limit = &r->limits[side][k];
        const double dec = ((double)k - 90.0) * NW_RAD_PER_DEG;
        const double step = 2.0 * NW_RAD_PER_DEG;
        const int n =
            limit->is_reachable ? (int)((limit->ha_max_rad - limit->ha_min_rad) / step) + 1 : 0;
        for (int i = 0; i < n; i++) {
            const struct nw_pose pose = {limit->ha_min_rad + i * step, dec, side};
            const struct nw_contact c = nw_clearance_at(r->model, &pose);
            if (c.distance_m < ret->distance_m) {
                *ret = c;
                best = pose;
            }
        }
    }
    if (!isfinite(ret->distance_m)) {
        *ret = r->at_park;
    }
    return best;
}

static void draw_legend(struct nw_svg *svg) {
    for (int b = 0; b < N_BINS; b++) {
        const double corner[2] = {12.0 + 29.0 * b, 180.0};
        const double size[2] = {5.0, 4.0};
        struct nw_svg_style style = BINS[b].style;
        style.ink = NW_SVG_BLACK;
        style.line_mm = 0.1;
        nw_svg_rect(svg, corner, size, &style);
        const double at[2] = {corner[0] + 6.5, corner[1] + 3.2};
        nw_svg_text(svg, at, NW_SVG_START, 2.3, BINS[b].label);
    }
}

static void draw_notes(struct nw_svg *svg, const struct nw_clearance_report *r,
                       const struct nw_contact *contact, const struct nw_pose *pose) {
    char text[300];
    (void)snprintf(text, sizeof text,
                   "Drawn at the nearest approach within reach: %.0f mm +- %.0f between A, %s, and "
                   "B, %s, at hour angle %+.2f h, declination %+.0f.",
                   fmax(contact->distance_m, 0.0) * 1e3, contact->sigma_m * 1e3,
                   r->bodies[contact->a].name, r->bodies[contact->b].name,
                   pose->ha_rad * 12.0 / NW_PI, pose->dec_rad * NW_DEG_PER_RAD);
    nw_svg_text(svg, (const double[2]){12.0, 192.0}, NW_SVG_START, NW_SVG_SMALL_mm, text);
    nw_svg_text(
        svg, (const double[2]){12.0, 197.0}, NW_SVG_START, NW_SVG_SMALL_mm,
        "Contours: distance of the nearest pair, mm. Dashed: how far it goes without contact "
        "from the middle of the usual half. Measures in mm.");
    nw_svg_text(svg, (const double[2]){12.0, 202.0}, NW_SVG_START, NW_SVG_SMALL_mm,
                "A model of the outlines described, without cables and people; it replaces no stop "
                "and no watching eye.");
}

enum nw_status nw_report_clearance_svg(const struct nw_clearance_report *r, enum nw_side side,
                                       struct nw_buf *ret, struct nw_err *err) {
    double *const map = nw_calloc((size_t)N_HA * N_DEC, sizeof *map);
    if (!map) {
        return nw_err_set(err, NW_NOMEM, "map of the clearance");
    }
    struct nw_svg svg;
    nw_svg_begin(&svg, "clearance", 297.0, 210.0, "Clearance",
                 "Distance of the nearest pair of bodies over hour angle and declination, and plan "
                 "and elevations of the nearest approach");
    char text[200];
    (void)snprintf(text, sizeof text, "CLEARANCE  %s, %s%s: tube %s of the pier", r->rig->name,
                   r->setup->name, r->is_open ? ", opened" : "",
                   side == NW_SIDE_EAST ? "east" : "west");
    nw_svg_text(&svg, (const double[2]){12.0, 12.0}, NW_SVG_START, 4.5, text);
    const struct disc disc = {82.0, 97.0, r->rig->site.latitude_rad.v < 0.0};
    nw_clearance_map(r->model, side, r->min_altitude_rad, N_HA, N_DEC, 0, map);
    draw_disc(&svg, r, side, map, &disc);
    free(map);
    draw_legend(&svg);
    struct nw_contact contact;
    const struct nw_pose pose = nearest_pose(r, side, &contact);
    nw_svg_elevations(&svg, r->model, &pose, &contact, (const double[2]){162.0, 18.0},
                      (const double[2]){128.0, 166.0});
    draw_notes(&svg, r, &contact, &pose);
    return nw_svg_end(&svg, ret, err);
}
