/* svg_bodies.h - the bodies of a mount as a workshop draws them: plan and elevations with measures;
 * the second public header for drawing, beside svg.h. */
#ifndef NW_REPORT_SVG_BODIES_H
#define NW_REPORT_SVG_BODIES_H

#include "mount/clearance.h"
#include "report/svg.h"

/* Horizontal and vertical of the paper in east, north, up. */
struct nw_svg_view {
    const char *name;
    double across[3], up[3];
};
enum { NW_SVG_PLAN, NW_SVG_SOUTH, NW_SVG_EAST, NW_SVG_N_VIEWS };
extern const struct nw_svg_view nw_svg_views[NW_SVG_N_VIEWS];

/* The crossing of the axes on the page, and millimetres of paper for a metre. */
struct nw_svg_place {
    double x_mm, y_mm, mm_per_m;
};

/* The outline of one body as seen: the hull of its points. Returns its middle on the page; NaN for
 * a point, which has no outline. */
struct nw_svg_spot {
    double x_mm, y_mm;
} nw_svg_body(struct nw_svg *svg, const struct nw_clearance *model, size_t body,
              const struct nw_pose *pose, const struct nw_svg_view *view,
              const struct nw_svg_place *place, const struct nw_svg_style *style);

/* A measure: line with end strokes between two points at the same height or one above the other,
 * the length of `text` in its middle. */
void nw_svg_measure(struct nw_svg *svg, const double from_mm[static 2],
                    const double to_mm[static 2], const char *text);

/* Plan above, elevation from the south below it, that from the east beside that, all to one scale
 * and in line, with overall measures, a scale and, where `nearest` is not NULL, the two bodies of
 * that contact hatched and marked A and B. Walls and roofs (longer than 1.5 m, on the ground) would
 * make the mount a dot: left out unless they are A or B. */
void nw_svg_elevations(struct nw_svg *svg, const struct nw_clearance *model,
                       const struct nw_pose *pose, const struct nw_contact *nearest,
                       const double corner_mm[static 2], const double size_mm[static 2]);

#endif
