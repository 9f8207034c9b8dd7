/* sheet_internal.h - what the parts of the sheet share: boxes of the page, words in them. */
#ifndef NW_SHEET_INTERNAL_H
#define NW_SHEET_INTERNAL_H

#include "mount/clearance.h"
#include "report/report_sheet.h"
#include "report/svg.h"
#include "report/svg_bodies.h"

#define SHEET_TEXT_mm 2.3
#define SHEET_SMALL_mm 2.0
#define SHEET_WORD 0.6 /* mean width of a letter over its height, of the widest usual font */

struct sheet_box { /* of the page */
    double left_mm, top_mm, width_mm, height_mm;
};
struct sheet {
    struct nw_svg *svg;
    const struct nw_sheet_report *r;
    struct nw_clearance *model; /* NULL: no bodies, or none that move */
    const struct nw_body *bodies;
    size_t n_bodies;
    const char *why_no_bodies;
};

/* The parts (sheet_side.c, sheet_masses.c, sheet_path.c, sheet_wiring.c, sheet_numbers.c). */
void sheet_side_view(const struct sheet *sheet, const struct sheet_box *box);
void sheet_down_view(const struct sheet *sheet, const struct sheet_box *box);
void sheet_masses(const struct sheet *sheet, const struct sheet_box *box);
void sheet_paths(const struct sheet *sheet, const struct sheet_box *box);
void sheet_wiring(const struct sheet *sheet, const struct sheet_box *box);
void sheet_numbers(const struct sheet *sheet, const struct sheet_box *box);
void sheet_limits(const struct sheet *sheet, const struct sheet_box *box);

/* Title of a part with a rule below it, at the top of its box. */
void sheet_heading(const struct sheet *sheet, const struct sheet_box *box, const char *title,
                   const char *aside);
/* One line of text, made smaller (to 1.7 mm) and then cut where it is wider than width_mm. */
void sheet_fit(const struct sheet *sheet, double x_mm, double y_mm, double width_mm,
               enum nw_svg_anchor anchor, double height_mm, const char *text);
/* A paragraph; returns the y below it. */
double sheet_paragraph(const struct sheet *sheet, const struct sheet_box *box, double height_mm,
                       const char *text);
void sheet_line(const struct sheet *sheet, double x0_mm, double y0_mm, double x1_mm, double y1_mm,
                const struct nw_svg_style *style);

/* The largest usual scale (1:1, 1:2, 1:5, 1:10, ...) at which size_m fits room_mm on both sides;
 * as millimetres of paper for a metre. *ret_ratio: 10 for 1:10. */
double sheet_scale(const double size_m[static 2], const double room_mm[static 2],
                   double *ret_ratio);
/* Weights down, tubes to the pole above the horizon: the attitude that shows a mount from its side.
 */
struct nw_pose sheet_pose(const struct nw_rig *rig);
/* Number of a body on the sheet, from 1, or 0 when it is not drawn (walls, roofs, points). */
size_t sheet_number(const struct sheet *sheet, size_t body);

#endif
