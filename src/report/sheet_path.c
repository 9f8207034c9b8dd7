/* sheet_path.c - the optical path of up to three trains: the telescope with its cone of light to a
 * small scale, the path behind the corrector to a large one, every length with its tolerance.
 * Idea: lengths and what they add up to are those of the back-focus budget (budget/back_focus.h); a
 * corrector is thin and stands s/m before the telescope's own focus (s its spacing, m what it
 * magnifies; spacing.h), so that the sensor lies f - s/m + s behind the lens. */
#include <math.h>

#include "budget/back_focus.h"
#include "report/sheet_internal.h"

#define MM 1e3
enum { MAX_TRAINS = 3, MAX_PARTS = 24 };

struct train {
    const struct nw_setup *setup;
    bool is_guide; /* the setup's guide train instead of its main one */
};
struct part {
    char name[NW_NAME_SIZE];
    double length_m, sigma_m;
    bool is_camera, is_glass; /* glass stands in the others and adds no length */
};
struct path {
    struct part parts[MAX_PARTS];
    size_t n;
    struct nw_back_focus focus;
    bool has_focus;
    char why[200];
};

/* ---- Which trains ---- */

static const struct nw_telescope *telescope_of(const struct train *t) {
    return t->is_guide ? &t->setup->guide_telescope : &t->setup->telescope;
}
static const struct nw_camera *camera_of(const struct train *t) {
    return t->is_guide ? &t->setup->guide_camera : &t->setup->camera;
}

static size_t add_train(struct train *trains, size_t n, const struct nw_setup *setup,
                        bool is_guide) {
    const struct train t = {setup, is_guide};
    for (size_t i = 0; i < n; i++) {
        const bool is_same = strcmp(telescope_of(&trains[i])->name, telescope_of(&t)->name) == 0 &&
                             strcmp(camera_of(&trains[i])->name, camera_of(&t)->name) == 0;
        if (is_same) {
            return n;
        }
    }
    if (n < MAX_TRAINS) {
        trains[n++] = t;
    }
    return n;
}

/* The setup of the sheet first, then its guide train, then the other setups. */
static size_t trains_of(const struct nw_sheet_report *r, struct train trains[MAX_TRAINS]) {
    size_t n = add_train(trains, 0, r->setup, false);
    for (size_t i = 0; i < r->rig->n_setups; i++) {
        n = add_train(trains, n, &r->rig->setups[i], false);
    }
    if (r->setup->has_guide) {
        n = add_train(trains, n, r->setup, true);
    }
    return n;
}

/* ---- Its parts ---- */

static double sigma_or(const struct nw_val *val, double otherwise) {
    return isfinite(val->sigma) ? val->sigma : otherwise;
}

static void add_part(struct path *path, const char *name, const struct nw_val *length,
                     bool is_camera) {
    if (path->n < MAX_PARTS && length->from != NW_FROM_UNKNOWN && length->v > 0.0) {
        struct part *const p = &path->parts[path->n++];
        nw_text_copy(p->name, sizeof p->name, name);
        p->length_m = length->v;
        p->sigma_m = sigma_or(length, NW_LENGTH_SIGMA_UNSAID_M);
        p->is_camera = is_camera;
    }
}

static void add_glass(struct path *path, const char *name, const char *what,
                      const struct nw_val *thickness) {
    const size_t n = path->n;
    char text[NW_NAME_SIZE + 16];
    (void)snprintf(text, sizeof text, "%s%s", name, what);
    add_part(path, text, thickness, false);
    if (path->n > n) {
        path->parts[n].is_glass = true;
    }
}

static void path_of(const struct train *t, struct path *ret) {
    *ret = (struct path){0};
    const struct nw_setup *const s = t->setup;
    for (size_t i = 0; i < s->n_pieces && !t->is_guide; i++) {
        add_part(ret, s->pieces[i].name, &s->pieces[i].length_m, false);
    }
    for (size_t i = 0; i < s->n_rings && !t->is_guide; i++) {
        add_part(ret, s->rings[i].name, &s->rings[i].length_m, false);
    }
    add_part(ret, "camera, face to sensor", &camera_of(t)->flange_m, true);
    if (!t->is_guide) {
        add_glass(ret, s->filter.name, " glass", &s->filter.thickness_m);
        add_glass(ret, "camera", " window", &s->camera.window_m);
    }
    struct nw_err why = {0};
    ret->has_focus = !t->is_guide && nw_back_focus_of(s, &ret->focus, &why) == NW_OK;
    nw_text_copy(ret->why, sizeof ret->why, why.text);
}

/* ---- The telescope and its cone ---- */

static void cone(const struct sheet *sheet, const struct train *t, const struct path *path,
                 const struct sheet_box *box) {
    const struct nw_telescope *const scope = telescope_of(t);
    const double m = path->has_focus ? t->setup->corrector.magnification.v : 1.0;
    const double s_m = path->has_focus ? path->focus.needed_m.v : 0.0;
    const double sensor_m = scope->focal_length_m.v - s_m / m + s_m;
    const double corrector_m = sensor_m - s_m;
    double ratio = 1.0;
    const double mm = sheet_scale((const double[2]){sensor_m, scope->aperture_m.v},
                                  (const double[2]){box->width_mm - 8.0, 13.0}, &ratio);
    const double x0 = box->left_mm + 3.0;
    const double y0 = box->top_mm + 10.0;
    const double lens = 0.5 * scope->aperture_m.v * mm;
    const double inside = lens * s_m / m / scope->focal_length_m.v; /* beam at the corrector */
    const double x1 = x0 + corrector_m * mm;
    const double x2 = x0 + sensor_m * mm;
    const struct nw_svg_style ray = {.line_mm = 0.18};
    const struct nw_svg_style bold = {.line_mm = 0.6};
    sheet_line(sheet, x0 - 2.5, y0, x2 + 3.0, y0,
               &(struct nw_svg_style){.line_mm = 0.13, .dash = NW_SVG_DASH_DOT});
    for (int up = -1; up <= 1; up += 2) {
        sheet_line(sheet, x0, y0 + up * lens, x1, y0 + up * inside, &ray);
        sheet_line(sheet, x1, y0 + up * inside, x2, y0, &ray);
    }
    sheet_line(sheet, x0, y0 - lens - 0.6, x0, y0 + lens + 0.6, &bold);
    if (path->has_focus) {
        sheet_line(sheet, x1, y0 - inside - 1.4, x1, y0 + inside + 1.4, &bold);
    }
    const double half = 0.5 * (double)camera_of(t)->height_px * camera_of(t)->pixel_m.v * mm;
    sheet_line(sheet, x2, y0 - half, x2, y0 + half, &(struct nw_svg_style){.line_mm = 0.9});
    char text[96];
    const double below = y0 + fmax(lens, 3.0) + 3.6;
    (void)snprintf(text, sizeof text, "%.0f, 1:%g", sensor_m * MM, ratio);
    nw_svg_measure(sheet->svg, (const double[2]){x0, below}, (const double[2]){x2, below}, text);
    (void)snprintf(text, sizeof text, "%.4g ± %.2g", scope->focal_length_m.v * MM,
                   sigma_or(&scope->focal_length_m, 0.01 * scope->focal_length_m.v) * MM);
    char line[160];
    (void)snprintf(line, sizeof line, "aperture %.4g, focal length %s", scope->aperture_m.v * MM,
                   text);
    sheet_fit(sheet, box->left_mm, below + 4.2, box->width_mm, NW_SVG_START, SHEET_SMALL_mm, line);
}

/* ---- The path behind the corrector ---- */

static void blocks(const struct sheet *sheet, const struct path *path, const struct sheet_box *box,
                   double mm, double length_m) {
    double x = box->left_mm + 2.0;
    double letter_x = -1e9;
    const double y0 = box->top_mm + 10.0;
    if (path->has_focus) {
        sheet_line(sheet, x, y0 - 6.0, x, y0 + 6.0, &(struct nw_svg_style){.line_mm = 0.6});
    }
    for (size_t i = 0; i < path->n; i++) {
        const struct part *const p = &path->parts[i];
        const double w = p->length_m * mm;
        if (p->is_glass) {
            continue;
        }
        nw_svg_rect(sheet->svg, (const double[2]){x, y0 - 3.4}, (const double[2]){w, 6.8},
                    &(struct nw_svg_style){.line_mm = 0.3,
                                           .fill = NW_SVG_SHADE,
                                           .shade = p->is_camera ? 0.10
                                                    : i % 2      ? 0.04
                                                                 : 0.0});
        const char letter[2] = {(char)('a' + (int)i), '\0'};
        letter_x = fmax(x + 0.5 * w, letter_x + 2.6);
        sheet_line(sheet, x + 0.5 * w, y0 - 2.2, letter_x, y0 - 5.0,
                   &(struct nw_svg_style){.line_mm = 0.13});
        nw_svg_text(sheet->svg, (const double[2]){letter_x, y0 - 5.4}, NW_SVG_MIDDLE, SHEET_TEXT_mm,
                    letter);
        x += w;
    }
    sheet_line(sheet, x, y0 - 3.4, x, y0 + 3.4, &(struct nw_svg_style){.line_mm = 0.9});
    sheet_line(sheet, box->left_mm, y0, x + 2.0, y0,
               &(struct nw_svg_style){.line_mm = 0.13, .dash = NW_SVG_DASH_DOT});
    char text[32];
    (void)snprintf(text, sizeof text, "%.2f", length_m * MM);
    nw_svg_measure(sheet->svg, (const double[2]){box->left_mm + 2.0, y0 + 6.8},
                   (const double[2]){x, y0 + 6.8}, text);
}

/* Rows of the list of so many parts, in two columns; and how high they are. */
static size_t rows_of(size_t n) {
    return n > 8 ? (n + 1) / 2 : n > 4 ? 4 : n;
}
static double row_of(size_t n) {
    return n > 12 ? 2.7 : 3.2;
}

/* Letters, names, lengths and tolerances. */
static void list(const struct sheet *sheet, const struct path *path, const struct sheet_box *box) {
    const size_t per_column = rows_of(path->n);
    const double row_mm = row_of(path->n);
    const double column_mm = 0.5 * box->width_mm;
    for (size_t i = 0; i < path->n && per_column > 0; i++) {
        const struct part *const p = &path->parts[i];
        const size_t column = i / per_column;
        const double x = box->left_mm + column_mm * (double)column;
        const double y = box->top_mm + 2.4 + row_mm * (double)(i % per_column);
        char text[64];
        (void)snprintf(text, sizeof text, "%c %s", p->is_glass ? '-' : (char)('a' + (int)i),
                       p->name);
        sheet_fit(sheet, x, y, column_mm - 24.0, NW_SVG_START, SHEET_SMALL_mm, text);
        (void)snprintf(text, sizeof text, "%.2f ± %.2f", p->length_m * MM, p->sigma_m * MM);
        nw_svg_text(sheet->svg, (const double[2]){x + column_mm - 3.0, y}, NW_SVG_END,
                    SHEET_SMALL_mm, text);
    }
}

static void balance_of(const struct sheet *sheet, const struct train *t, const struct path *path,
                       const struct sheet_box *box) {
    char text[320];
    const struct nw_back_focus *const f = &path->focus;
    if (path->has_focus) {
        const double glass_m = f->filter.asked_m + f->window.asked_m;
        (void)snprintf(text, sizeof text,
                       "%s asks for %.2f in air, with %.2f for glass %.2f ± %.2f; there are %.2f: "
                       "%+.2f ± %.2f left over, %.2f allowed each way.",
                       t->setup->corrector.name, f->asked_m.v * MM, glass_m * MM,
                       f->needed_m.v * MM, f->needed_m.sigma * MM,
                       (f->needed_m.v + f->error_m.v) * MM, f->error_m.v * MM,
                       f->error_m.sigma * MM, f->tolerance_m * MM);
    } else if (path->n > 0) {
        nw_text_copy(text, sizeof text,
                     t->is_guide || !t->setup->has_corrector
                         ? "No corrector: the focuser finds the place; no spacing to keep."
                         : path->why);
    } else {
        nw_text_copy(text, sizeof text,
                     "No corrector; cameras.*.flange is not in the rig file, so no length behind "
                     "the tube is known.");
    }
    (void)sheet_paragraph(sheet, box, SHEET_SMALL_mm, text);
}

static void one_train(const struct sheet *sheet, const struct train *t,
                      const struct sheet_box *box) {
    struct path path;
    char text[320];
    path_of(t, &path);
    const struct nw_setup *const s = t->setup;
    const struct nw_setup *const first = sheet->r->setup;
    const bool guides = first->has_guide && s != first &&
                        strcmp(telescope_of(t)->name, first->guide_telescope.name) == 0 &&
                        strcmp(camera_of(t)->name, first->guide_camera.name) == 0;
    (void)snprintf(text, sizeof text, "%s%s: %s%s%s, %s%s%s", s->name,
                   t->is_guide ? ", guide"
                   : guides    ? ", and guides"
                               : "",
                   telescope_of(t)->name, !t->is_guide && s->has_corrector ? ", " : "",
                   !t->is_guide && s->has_corrector ? s->corrector.name : "", camera_of(t)->name,
                   !t->is_guide && s->has_focuser ? ", on the " : "",
                   !t->is_guide && s->has_focuser ? s->focuser.name : "");
    sheet_fit(sheet, box->left_mm, box->top_mm + 2.4, box->width_mm, NW_SVG_START, 2.6, text);
    const struct sheet_box left = {box->left_mm, box->top_mm + 4.0, 88.0, box->height_mm - 4.0};
    cone(sheet, t, &path, &left);
    const double x = box->left_mm + 94.0;
    double length_m = 0.0;
    for (size_t i = 0; i < path.n; i++) {
        length_m += path.parts[i].is_glass ? 0.0 : path.parts[i].length_m;
    }
    if (path.n > 0) {
        double ratio = 1.0;
        const double mm =
            sheet_scale((const double[2]){length_m, 0.0}, (const double[2]){114.0, 10.0}, &ratio);
        const struct sheet_box right = {x, box->top_mm + 4.0, 128.0, 20.0};
        blocks(sheet, &path, &right, mm, length_m);
        (void)snprintf(text, sizeof text, ratio < 1.0 ? "%g:1" : "1:%g",
                       ratio < 1.0 ? 1.0 / ratio : ratio);
        nw_svg_text(sheet->svg, (const double[2]){x + length_m * mm + 7.0, box->top_mm + 15.0},
                    NW_SVG_START, SHEET_SMALL_mm, text);
    }
    const struct sheet_box parts = {x, box->top_mm + (path.n > 0 ? 22.6 : 8.0), 131.0, 14.0};
    list(sheet, &path, &parts);
    const struct sheet_box sum = {x, parts.top_mm + 0.8 + row_of(path.n) * (double)rows_of(path.n),
                                  129.0, 6.0};
    balance_of(sheet, t, &path, &sum);
}

/* What a train takes: the cone, or the blocks with their list and the sum below. */
static double height_of(const struct train *t) {
    struct path path;
    path_of(t, &path);
    const double list_mm = row_of(path.n) * (double)rows_of(path.n);
    return path.n > 0 ? 25.4 + list_mm + (path.has_focus ? 5.6 : 2.8) : 30.0;
}

void sheet_paths(const struct sheet *sheet, const struct sheet_box *box) {
    struct train trains[MAX_TRAINS];
    const size_t n = trains_of(sheet->r, trains);
    sheet_heading(sheet, box, "OPTICAL PATHS",
                  "mm, ± tolerance; pieces, rings and camera in the order of the rig file");
    const double bottom_mm = box->top_mm + box->height_mm;
    double needed_mm = 0.0;
    size_t n_drawn = 0;
    while (n_drawn < n &&
           box->top_mm + 6.5 + needed_mm + height_of(&trains[n_drawn]) <= bottom_mm) {
        needed_mm += height_of(&trains[n_drawn++]);
    }
    const double spare_mm =
        fmin(6.0, (box->height_mm - 6.5 - needed_mm) / (n_drawn > 0 ? (double)n_drawn : 1.0));
    double y_mm = box->top_mm + 6.5;
    for (size_t i = 0; i < n_drawn; i++) {
        const double height_mm = height_of(&trains[i]) + spare_mm;
        one_train(sheet, &trains[i],
                  &(struct sheet_box){box->left_mm, y_mm, box->width_mm, height_mm});
        y_mm += height_mm;
        if (i + 1 < n_drawn) {
            sheet_line(sheet, box->left_mm, y_mm - 1.6, box->left_mm + box->width_mm, y_mm - 1.6,
                       &(struct nw_svg_style){.line_mm = 0.1, .ink = NW_SVG_GREY});
        }
    }
    if (n_drawn < n) {
        char text[80];
        (void)snprintf(text, sizeof text, "%zu more: sheet --setup NAME puts another one first",
                       n - n_drawn);
        nw_svg_text(sheet->svg, (const double[2]){box->left_mm + box->width_mm, bottom_mm - 0.5},
                    NW_SVG_END, SHEET_SMALL_mm, text);
    }
}
