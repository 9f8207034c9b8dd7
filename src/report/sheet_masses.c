/* sheet_masses.c - the table of what the numbers on the views mean: name, mass, place. */
#include <math.h>

#include "mount/mount.h"
#include "report/sheet_internal.h"

static void cell(const struct sheet *sheet, double right_mm, double y_mm, double size_mm,
                 const char *format, double value) {
    char text[32];
    (void)snprintf(text, sizeof text, format, value);
    nw_svg_text(sheet->svg, (const double[2]){right_mm, y_mm}, NW_SVG_END, size_mm,
                isfinite(value) ? text : "-");
}

static void sums(const struct sheet *sheet, const struct sheet_box *box, double y_mm) {
    struct nw_balance b;
    struct nw_err none = {0};
    char text[200];
    const struct nw_rig *const rig = sheet->r->rig;
    if (nw_balance_of(rig, sheet->bodies, sheet->n_bodies, false, &b, &none) != NW_OK) {
        return;
    }
    (void)snprintf(text, sizeof text,
                   "on the tube side %.1f kg%s, on the shaft %.1f kg; left over: %+.2f N m polar, "
                   "%+.2f N m declination at the worst",
                   b.load_kg, "", b.counterweight_kg, b.ra_worst_n_m, b.dec_worst_n_m);
    if (rig->mount.capacity_kg.from != NW_FROM_UNKNOWN) {
        (void)snprintf(text, sizeof text,
                       "on the tube side %.1f of %.3g kg, on the shaft %.1f kg; left over at the "
                       "worst: %.2f N m polar, %.2f N m declination",
                       b.load_kg, rig->mount.capacity_kg.v, b.counterweight_kg, b.ra_worst_n_m,
                       b.dec_worst_n_m);
    }
    const struct sheet_box line = {box->left_mm, y_mm, box->width_mm, 8.0};
    (void)sheet_paragraph(sheet, &line, SHEET_SMALL_mm, text);
}

void sheet_masses(const struct sheet *sheet, const struct sheet_box *box) {
    sheet_heading(sheet, box, "MASSES AND PLACES", "kg; mm from the crossing of the axes");
    size_t n_rows = 0;
    for (size_t i = 0; i < sheet->n_bodies; i++) {
        n_rows += sheet_number(sheet, i) > 0;
    }
    if (n_rows == 0) {
        nw_svg_text(sheet->svg, (const double[2]){box->left_mm + 2.0, box->top_mm + 12.0},
                    NW_SVG_START, SHEET_TEXT_mm, sheet->why_no_bodies);
        return;
    }
    const double room_mm = box->height_mm - 17.0;
    const double row_mm = fmin(3.6, fmax(2.4, room_mm / (double)n_rows));
    const double size_mm = fmin(SHEET_TEXT_mm, 0.72 * row_mm);
    const size_t most = (size_t)(room_mm / row_mm);
    const double right = box->left_mm + box->width_mm;
    double y_mm = box->top_mm + 8.4;
    static const char *const HEADS[] = {"mass", "x", "y", "z"};
    static const double AT[] = {44.0, 30.0, 15.0, 0.0};
    for (int k = 0; k < 4; k++) {
        nw_svg_text(sheet->svg, (const double[2]){right - AT[k], y_mm}, NW_SVG_END, SHEET_SMALL_mm,
                    HEADS[k]);
    }
    nw_svg_text(sheet->svg, (const double[2]){box->left_mm + 47.0, y_mm}, NW_SVG_START,
                SHEET_SMALL_mm, "rides on");
    size_t row = 0;
    for (size_t i = 0; i < sheet->n_bodies; i++) {
        const struct nw_body *const b = &sheet->bodies[i];
        const size_t number = sheet_number(sheet, i);
        if (number == 0 || ++row > most) {
            continue;
        }
        y_mm += row_mm;
        char text[24];
        (void)snprintf(text, sizeof text, "%zu", number);
        nw_svg_text(sheet->svg, (const double[2]){box->left_mm + 4.0, y_mm}, NW_SVG_END, size_mm,
                    text);
        sheet_fit(sheet, box->left_mm + 5.5, y_mm, 40.0, NW_SVG_START, size_mm, b->name);
        nw_svg_text(sheet->svg, (const double[2]){box->left_mm + 47.0, y_mm}, NW_SVG_START, size_mm,
                    b->rides_word);
        cell(sheet, right - AT[0], y_mm, size_mm, "%.2f", b->mass_kg.v);
        for (int k = 0; k < 3; k++) {
            cell(sheet, right - AT[k + 1], y_mm, size_mm, "%.0f", b->at_m[k].v * 1e3);
        }
    }
    if (row > most) {
        char text[48];
        (void)snprintf(text, sizeof text, "and %zu more in the rig file", row - most);
        nw_svg_text(sheet->svg, (const double[2]){box->left_mm + 5.5, y_mm + row_mm}, NW_SVG_START,
                    size_mm, text);
    }
    sums(sheet, box, box->top_mm + box->height_mm - 6.5);
}
