/* report_sheet.c - the sheet: its page, title block, cautions, and the words in its boxes; see
 * report_sheet.h. */
#include "report/report_sheet.h"

#include <math.h>

#include "report/sheet_internal.h"

#define WIDTH_mm 420.0
#define HEIGHT_mm 297.0
#define LARGE_M 1.5 /* walls and roofs would make the mount a dot */

/* ---- Words in boxes ---- */

void sheet_line(const struct sheet *sheet, double x0_mm, double y0_mm, double x1_mm, double y1_mm,
                const struct nw_svg_style *style) {
    nw_svg_line(sheet->svg, (const double[2]){x0_mm, y0_mm}, (const double[2]){x1_mm, y1_mm},
                style);
}

void sheet_fit(const struct sheet *sheet, double x_mm, double y_mm, double width_mm,
               enum nw_svg_anchor anchor, double height_mm, const char *text) {
    char cut[200];
    const size_t letters = nw_report_width(text);
    const double wanted_mm = SHEET_WORD * height_mm * (double)letters;
    if (wanted_mm > width_mm) {
        height_mm = fmax(1.7, height_mm * width_mm / wanted_mm);
    }
    const size_t room = (size_t)(width_mm / (SHEET_WORD * height_mm));
    nw_text_copy(cut, sizeof cut, text);
    if (letters > room && room > 1 && room < sizeof cut - 2) {
        nw_text_copy(cut, room, text);
        const size_t len = strlen(cut);
        (void)snprintf(cut + len, sizeof cut - len, "~");
    }
    nw_svg_text(sheet->svg, (const double[2]){x_mm, y_mm}, anchor, height_mm, cut);
}

void sheet_heading(const struct sheet *sheet, const struct sheet_box *box, const char *title,
                   const char *aside) {
    const double right_mm = box->left_mm + box->width_mm;
    const double title_mm = SHEET_WORD * 3.4 * (double)strlen(title) + 4.0;
    nw_svg_text(sheet->svg, (const double[2]){box->left_mm, box->top_mm + 3.2}, NW_SVG_START, 3.4,
                title);
    sheet_fit(sheet, right_mm, box->top_mm + 3.2, box->width_mm - title_mm, NW_SVG_END,
              SHEET_TEXT_mm, aside);
    sheet_line(sheet, box->left_mm, box->top_mm + 4.6, right_mm, box->top_mm + 4.6,
               &(struct nw_svg_style){.line_mm = 0.35});
}

double sheet_paragraph(const struct sheet *sheet, const struct sheet_box *box, double height_mm,
                       const char *text) {
    const size_t room = (size_t)(box->width_mm / (0.55 * height_mm)); /* of long lines */
    double y_mm = box->top_mm + height_mm;
    while (*text != '\0') {
        size_t n = strlen(text);
        if (n > room) {
            n = room;
            while (n > 0 && text[n] != ' ') {
                n--;
            }
            n = n > 0 ? n : room;
        }
        char line[200];
        (void)snprintf(line, sizeof line, "%.*s", (int)(n < sizeof line ? n : sizeof line - 1),
                       text);
        nw_svg_text(sheet->svg, (const double[2]){box->left_mm, y_mm}, NW_SVG_START, height_mm,
                    line);
        y_mm += 1.4 * height_mm;
        text += n;
        text += *text == ' ';
    }
    return y_mm - height_mm + 0.4 * height_mm;
}

double sheet_scale(const double size_m[static 2], const double room_mm[static 2],
                   double *ret_ratio) {
    static const double RATIOS[] = {0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 25.0, 50.0, 100.0};
    enum { N = sizeof RATIOS / sizeof RATIOS[0] };
    size_t i = 0;
    while (i + 1 < N &&
           (size_m[0] * 1e3 / RATIOS[i] > room_mm[0] || size_m[1] * 1e3 / RATIOS[i] > room_mm[1])) {
        i++;
    }
    *ret_ratio = RATIOS[i];
    return 1e3 / RATIOS[i];
}

/* ---- Bodies ---- */

struct nw_pose sheet_pose(const struct nw_rig *rig) {
    const double dec_rad = rig->site.latitude_rad.v < 0.0 ? -NW_PI / 2.0 : NW_PI / 2.0;
    struct nw_pose best = {NW_PI / 2.0, dec_rad, NW_SIDE_EAST};
    const struct nw_mount_frames f = nw_mount_frames_at(rig->site.latitude_rad.v, &best);
    if (f.tube[2][2] < 0.0) {
        best.side = NW_SIDE_WEST;
    }
    return best;
}

static bool is_drawn(const struct nw_body *body) {
    const double largest_m =
        fmax(body->length_m.v, body->shape == NW_SHAPE_BOX ? fmax(body->width_m.v, body->height_m.v)
                                                           : body->diameter_m.v);
    return body->shape != NW_SHAPE_POINT && body->stands != NW_STANDS_ROOF_CLOSED &&
           (body->rides != NW_RIDES_GROUND || largest_m < LARGE_M);
}

size_t sheet_number(const struct sheet *sheet, size_t body) {
    size_t number = 0;
    for (size_t i = 0; i <= body; i++) {
        number += is_drawn(&sheet->bodies[i]);
    }
    return is_drawn(&sheet->bodies[body]) ? number : 0;
}

/* ---- The page ---- */

static void frame(const struct sheet *sheet) {
    nw_svg_rect(sheet->svg, (const double[2]){7.0, 7.0},
                (const double[2]){WIDTH_mm - 14.0, HEIGHT_mm - 14.0},
                &(struct nw_svg_style){.line_mm = 0.7});
    const struct nw_svg_style thin = {.line_mm = 0.2};
    sheet_line(sheet, 238.0, 7.0, 238.0, HEIGHT_mm - 7.0, &thin);
    sheet_line(sheet, 7.0, 167.0, 238.0, 167.0, &thin);
    sheet_line(sheet, 238.0, 170.0, WIDTH_mm - 7.0, 170.0, &thin);
}

static void title_block(const struct sheet *sheet, const struct sheet_box *box) {
    const struct nw_rig *const rig = sheet->r->rig;
    char text[200];
    char date[40];
    const double right_mm = box->left_mm + box->width_mm;
    nw_svg_rect(sheet->svg, (const double[2]){box->left_mm, box->top_mm},
                (const double[2]){box->width_mm, box->height_mm},
                &(struct nw_svg_style){.line_mm = 0.5});
    sheet_fit(sheet, box->left_mm + 3.0, box->top_mm + 7.0, box->width_mm - 46.0, NW_SVG_START, 5.0,
              rig->name);
    (void)snprintf(text, sizeof text,
                   "setup %s; latitude %+.3f°, longitude %+.3f° (east +), %.0f m",
                   sheet->r->setup->name, rig->site.latitude_rad.v * NW_DEG_PER_RAD,
                   rig->site.longitude_rad.v * NW_DEG_PER_RAD, rig->site.elevation_m.v);
    sheet_fit(sheet, box->left_mm + 3.0, box->top_mm + 11.8, box->width_mm - 46.0, NW_SVG_START,
              SHEET_TEXT_mm, text);
    nw_time_write_iso(sheet->r->t_utc_s, 0, date, sizeof date);
    (void)snprintf(text, sizeof text, "from %.100s", rig->path);
    sheet_fit(sheet, box->left_mm + 3.0, box->top_mm + 15.6, box->width_mm - 46.0, NW_SVG_START,
              SHEET_SMALL_mm, text);
    sheet_line(sheet, right_mm - 41.0, box->top_mm, right_mm - 41.0, box->top_mm + box->height_mm,
               &(struct nw_svg_style){.line_mm = 0.2});
    nw_svg_text(sheet->svg, (const double[2]){right_mm - 39.0, box->top_mm + 5.2}, NW_SVG_START,
                3.4, "RIG SHEET");
    sheet_fit(sheet, right_mm - 39.0, box->top_mm + 9.2, 37.0, NW_SVG_START, SHEET_SMALL_mm,
              sheet->r->program);
    (void)snprintf(text, sizeof text, "%s", isfinite(sheet->r->t_utc_s) ? date : "no date");
    sheet_fit(sheet, right_mm - 39.0, box->top_mm + 12.4, 37.0, NW_SVG_START, SHEET_SMALL_mm, text);
    sheet_fit(sheet, right_mm - 39.0, box->top_mm + 15.6, 37.0, NW_SVG_START, SHEET_SMALL_mm,
              "A3 at 100 %, millimetres");
}

static void cautions(const struct sheet *sheet, const struct sheet_box *box) {
    const struct nw_svg_style bold = {.line_mm = 0.5};
    nw_svg_rect(sheet->svg, (const double[2]){box->left_mm, box->top_mm},
                (const double[2]){box->width_mm, box->height_mm}, &bold);
    const struct sheet_box inner = {box->left_mm + 2.0, box->top_mm + 1.2, box->width_mm - 4.0,
                                    box->height_mm - 2.0};
    (void)sheet_paragraph(
        sheet, &inner, 2.15,
        "CAUTION. Mains in a damp shed kills: a protective switch of 30 mA, earth, covers; fixed "
        "wiring is an electrician's work, local rules decide. Fuse every battery within a hand's "
        "width of its + pole. Never point an uncapped tube at the Sun without a filter over all of "
        "its front. Weights go on before tubes and come off after them; hold the tube before a "
        "clutch is loosened. Fingers and cables away from what moves. What is drawn here is what "
        "was described: it replaces no stop and no watching eye.");
}

/* The bodies of the setup and their outlines; a rig without them gets a sheet all the same. */
static enum nw_status take_bodies(struct sheet *sheet, struct nw_body **ret_bodies,
                                  struct nw_err *err) {
    struct nw_err why = {0};
    enum nw_status status =
        nw_rig_bodies_of(sheet->r->rig, sheet->r->setup, ret_bodies, &sheet->n_bodies, &why);
    if (status == NW_OK) {
        sheet->n_bodies = nw_bodies_keep(*ret_bodies, sheet->n_bodies, false);
        status = nw_clearance_new(*ret_bodies, sheet->n_bodies, sheet->r->rig->site.latitude_rad.v,
                                  false, &sheet->model, &why);
    }
    sheet->bodies = *ret_bodies;
    if (status == NW_NOMEM) {
        return nw_err_set(err, status, "%s", why.text);
    }
    sheet->n_bodies = sheet->model ? sheet->n_bodies : 0;
    return NW_OK;
}

enum nw_status nw_report_sheet_svg(const struct nw_sheet_report *report, struct nw_buf *ret,
                                   struct nw_err *err) {
    struct nw_svg svg;
    struct nw_body *bodies = NULL;
    struct sheet sheet = {.svg = &svg,
                          .r = report,
                          .why_no_bodies = "nothing is described here yet: bodies.* of the rig "
                                           "file"};
    enum nw_status status = take_bodies(&sheet, &bodies, err);
    if (status != NW_OK) {
        free(bodies);
        return status;
    }
    nw_svg_begin(&svg, "sheet", WIDTH_mm, HEIGHT_mm, report->rig->name,
                 "Rig sheet: views to scale with masses, optical paths, wiring, numbers, limits");
    frame(&sheet);
    sheet_side_view(&sheet, &(struct sheet_box){10.0, 10.0, 108.0, 155.0});
    sheet_down_view(&sheet, &(struct sheet_box){123.0, 10.0, 112.0, 72.0});
    sheet_masses(&sheet, &(struct sheet_box){123.0, 84.0, 112.0, 81.0});
    sheet_paths(&sheet, &(struct sheet_box){10.0, 169.5, 225.0, 118.0});
    sheet_wiring(&sheet, &(struct sheet_box){241.0, 10.0, 169.0, 158.0});
    sheet_numbers(&sheet, &(struct sheet_box){241.0, 173.0, 104.0, 76.0});
    sheet_limits(&sheet, &(struct sheet_box){349.0, 173.0, 61.0, 76.0});
    cautions(&sheet, &(struct sheet_box){241.0, 251.0, 169.0, 18.0});
    title_block(&sheet, &(struct sheet_box){241.0, 271.0, 169.0, 17.5});
    status = nw_svg_end(&svg, ret, err);
    nw_clearance_free(sheet.model);
    free(bodies);
    return status;
}
