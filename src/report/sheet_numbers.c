/* sheet_numbers.c - the tables of numbers: scale, field, sampling of each setup; limits; serials.
 */
#include <math.h>

#include "optics/optics.h"
#include "report/sheet_internal.h"

enum { MAX_COLUMNS = 3, N_DECS = 7 };

/* ---- Numbers of each setup ---- */

#define NUMBER_ROWS(X)                                                                             \
    X("telescope", telescope)                                                                      \
    X("camera", camera)                                                                            \
    X("focal length", focal)                                                                       \
    X("f-ratio", ratio)                                                                            \
    X("scale, \"/px", scale)                                                                       \
    X("field, °", field)                                                                           \
    X("sensor, mm", sensor)                                                                        \
    X("px in the air's FWHM", sampling)                                                            \
    X("resolves (1.22 λ/D), \"", airy)                                                             \
    X("depth of focus, µm", depth)                                                                 \
    X("focuser step, µm", step)                                                                    \
    X("sub, s", sub)

static void put_telescope(const struct nw_sheet_report *r, const struct nw_setup *s, char *t,
                          size_t n) {
    (void)r;
    (void)snprintf(t, n, "%s", s->telescope.name);
}
static void put_camera(const struct nw_sheet_report *r, const struct nw_setup *s, char *t,
                       size_t n) {
    (void)r;
    (void)snprintf(t, n, "%s", s->camera.name);
}
static void put_focal(const struct nw_sheet_report *r, const struct nw_setup *s, char *t,
                      size_t n) {
    (void)r;
    (void)snprintf(t, n, "%.1f ± %.1f", s->focal_length_m.v * 1e3, s->focal_length_m.sigma * 1e3);
}
static void put_ratio(const struct nw_sheet_report *r, const struct nw_setup *s, char *t,
                      size_t n) {
    (void)r;
    (void)snprintf(t, n, "f/%.2f", nw_setup_f_ratio(s));
}
static void put_scale(const struct nw_sheet_report *r, const struct nw_setup *s, char *t,
                      size_t n) {
    (void)r;
    (void)snprintf(t, n, "%.3f", nw_setup_scale_rad(s) * NW_ARCSEC_PER_RAD);
}
/* 2 atan(w / 2f): REFERENCES IMG-03 */
static void put_field(const struct nw_sheet_report *r, const struct nw_setup *s, char *t,
                      size_t n) {
    (void)r;
    const double half = 0.5 * s->camera.pixel_m.v / s->focal_length_m.v;
    (void)snprintf(t, n, "%.2f x %.2f",
                   2.0 * NW_DEG_PER_RAD * atan(half * (double)s->camera.width_px),
                   2.0 * NW_DEG_PER_RAD * atan(half * (double)s->camera.height_px));
}
static void put_sensor(const struct nw_sheet_report *r, const struct nw_setup *s, char *t,
                       size_t n) {
    (void)r;
    const double mm = s->camera.pixel_m.v * 1e3;
    (void)snprintf(t, n, "%.1f x %.1f, %.2f µm", mm * (double)s->camera.width_px,
                   mm * (double)s->camera.height_px, mm * 1e3);
}
/* Pixels in the FWHM of the air above. */
static void put_sampling(const struct nw_sheet_report *r, const struct nw_setup *s, char *t,
                         size_t n) {
    const double fwhm_rad = r->rig->site.seeing_rad.v;
    (void)snprintf(t, n, "%.2f", fwhm_rad / nw_setup_scale_rad(s));
}
static void put_airy(const struct nw_sheet_report *r, const struct nw_setup *s, char *t, size_t n) {
    (void)r; /* Rayleigh 1879 */
    (void)snprintf(t, n, "%.2f",
                   1.22 * s->filter.centre_m.v / s->telescope.aperture_m.v * NW_ARCSEC_PER_RAD);
}
static void put_depth(const struct nw_sheet_report *r, const struct nw_setup *s, char *t,
                      size_t n) {
    (void)r;
    (void)snprintf(t, n, "± %.0f",
                   1e6 * nw_optics_depth_of_focus_m(s->filter.centre_m.v, nw_setup_f_ratio(s)));
}
static void put_step(const struct nw_sheet_report *r, const struct nw_setup *s, char *t, size_t n) {
    (void)r;
    (void)snprintf(t, n, s->has_focuser ? "%.3g" : "-", s->focuser.step_m.v * 1e6);
}
static void put_sub(const struct nw_sheet_report *r, const struct nw_setup *s, char *t, size_t n) {
    (void)r;
    (void)snprintf(t, n, "%.0f", s->sub_length_s.v);
}

static const struct {
    const char *label;
    void (*put)(const struct nw_sheet_report *r, const struct nw_setup *s, char *text, size_t size);
} ROWS[] = {
#define X(label, name) {label, put_##name},
    NUMBER_ROWS(X)
#undef X
};
enum { N_ROWS = sizeof ROWS / sizeof ROWS[0] };

struct serial {
    const char *what, *name, *serial;
};

static size_t serials_of(const struct nw_sheet_report *r, struct serial *ret, size_t most) {
    size_t n = 0;
    const struct nw_rig *const rig = r->rig;
    const struct serial mount = {"mount", rig->mount.name, rig->mount.serial};
    ret[n++] = mount;
    for (size_t i = 0; i < rig->n_setups; i++) {
        const struct nw_setup *const s = &rig->setups[i];
        const struct serial parts[] = {
            {"", s->telescope.name, s->telescope.serial},
            {"", s->has_corrector ? s->corrector.name : "", s->corrector.serial},
            {"", s->has_focuser ? s->focuser.name : "", s->focuser.serial},
            {"", s->camera.name, s->camera.serial}};
        for (size_t k = 0; k < sizeof parts / sizeof parts[0]; k++) {
            bool is_new = parts[k].name[0] != '\0';
            for (size_t j = 0; j < n; j++) {
                is_new = is_new && strcmp(ret[j].name, parts[k].name) != 0;
            }
            if (is_new && n < most) {
                ret[n++] = parts[k];
            }
        }
    }
    return n;
}

static void serials(const struct sheet *sheet, const struct sheet_box *box) {
    enum { MOST = 10 };
    struct serial list[MOST];
    const size_t n = serials_of(sheet->r, list, MOST);
    const double half_mm = 0.5 * box->width_mm;
    for (size_t i = 0; i < n; i++) {
        const size_t down = i / 2;
        const double x = box->left_mm + half_mm * (double)(i % 2);
        const double y = box->top_mm + 2.2 + 3.2 * (double)down;
        sheet_fit(sheet, x, y, half_mm - 20.0, NW_SVG_START, SHEET_SMALL_mm,
                  list[i].name[0] ? list[i].name : list[i].what);
        sheet_fit(sheet, x + half_mm - 3.0, y, 16.0, NW_SVG_END, SHEET_SMALL_mm,
                  list[i].serial[0] ? list[i].serial : "-");
    }
}

void sheet_numbers(const struct sheet *sheet, const struct sheet_box *box) {
    const struct nw_rig *const rig = sheet->r->rig;
    sheet_heading(sheet, box, "NUMBERS", "mm unless said; one column a setup");
    const struct nw_setup *columns[MAX_COLUMNS] = {sheet->r->setup};
    size_t n = 1;
    for (size_t i = 0; i < rig->n_setups && n < MAX_COLUMNS; i++) {
        if (&rig->setups[i] != sheet->r->setup) {
            columns[n++] = &rig->setups[i];
        }
    }
    const double width_mm = (box->width_mm - 30.0) / (double)n;
    double y_mm = box->top_mm + 8.2;
    for (size_t k = 0; k < n; k++) {
        sheet_fit(sheet, box->left_mm + 30.0 + width_mm * (double)k, y_mm, width_mm - 1.0,
                  NW_SVG_START, 2.4, columns[k]->name);
    }
    for (size_t i = 0; i < N_ROWS; i++) {
        y_mm += 3.6;
        sheet_fit(sheet, box->left_mm, y_mm, 29.0, NW_SVG_START, SHEET_SMALL_mm, ROWS[i].label);
        for (size_t k = 0; k < n; k++) {
            char text[80];
            ROWS[i].put(sheet->r, columns[k], text, sizeof text);
            sheet_fit(sheet, box->left_mm + 30.0 + width_mm * (double)k, y_mm, width_mm - 1.0,
                      NW_SVG_START, SHEET_SMALL_mm, text);
        }
    }
    sheet_line(sheet, box->left_mm, y_mm + 1.6, box->left_mm + box->width_mm, y_mm + 1.6,
               &(struct nw_svg_style){.line_mm = 0.15});
    nw_svg_text(sheet->svg, (const double[2]){box->left_mm, y_mm + 5.0}, NW_SVG_START,
                SHEET_SMALL_mm, "serial numbers (*.serial)");
    serials(sheet, &(struct sheet_box){box->left_mm, y_mm + 6.0, box->width_mm,
                                       box->top_mm + box->height_mm - y_mm - 6.0});
}

/* ---- Limits ---- */

static void reach(const struct sheet *sheet, double dec_rad, enum nw_side side, double x_mm,
                  double y_mm) {
    struct nw_reach r;
    char text[48];
    nw_clearance_reach(sheet->model, dec_rad, side, 0.0, &r);
    if (r.is_reachable) {
        (void)snprintf(text, sizeof text, "%+.1f to %+.1f%s", r.ha_min_rad * 12.0 / NW_PI,
                       r.ha_max_rad * 12.0 / NW_PI,
                       r.min_end == NW_END_CONTACT || r.max_end == NW_END_CONTACT ? " *" : "");
    } else {
        nw_text_copy(text, sizeof text, "-");
    }
    nw_svg_text(sheet->svg, (const double[2]){x_mm, y_mm}, NW_SVG_END, SHEET_SMALL_mm, text);
}

static void others(const struct sheet *sheet, const struct sheet_box *box) {
    const struct nw_rig *const rig = sheet->r->rig;
    char text[400];
    int at = snprintf(text, sizeof text, "* contact ends it; else the horizon. ");
    if (rig->mount.capacity_kg.from != NW_FROM_UNKNOWN) {
        at += snprintf(text + at, sizeof text - (size_t)at, "Load at most %.3g kg. ",
                       rig->mount.capacity_kg.v);
    }
    at += snprintf(text + at, sizeof text - (size_t)at,
                   "Margin kept %.0f mm. Park: hour angle %+.0f°, declination %+.0f°, tube %s. "
                   "Slewing %.1f°/s. ",
                   rig->mount.margin_m.v * 1e3, rig->mount.park_hour_angle_rad.v * NW_DEG_PER_RAD,
                   rig->mount.park_declination_rad.v * NW_DEG_PER_RAD, rig->mount.park_side,
                   rig->mount.slew_rate_rad_s.v * NW_DEG_PER_RAD);
    if (isfinite(rig->site.roof_time_s.v)) {
        at +=
            snprintf(text + at, sizeof text - (size_t)at, "Roof %.0f s. ", rig->site.roof_time_s.v);
    }
    if (isfinite(rig->site.hand_time_s.v)) {
        (void)snprintf(text + at, sizeof text - (size_t)at, "By hand, parked and shut: %.0f min.",
                       rig->site.hand_time_s.v / 60.0);
    }
    (void)sheet_paragraph(sheet, box, SHEET_SMALL_mm, text);
}

void sheet_limits(const struct sheet *sheet, const struct sheet_box *box) {
    sheet_heading(sheet, box, "LIMITS", "hour angle, h, without contact");
    const double right = box->left_mm + box->width_mm;
    double y_mm = box->top_mm + 8.2;
    if (sheet->model) {
        const double sign = sheet->r->rig->site.latitude_rad.v < 0.0 ? -1.0 : 1.0;
        nw_svg_text(sheet->svg, (const double[2]){box->left_mm, y_mm}, NW_SVG_START, SHEET_SMALL_mm,
                    "dec");
        nw_svg_text(sheet->svg, (const double[2]){right - 25.0, y_mm}, NW_SVG_END, SHEET_SMALL_mm,
                    "tube east");
        nw_svg_text(sheet->svg, (const double[2]){right, y_mm}, NW_SVG_END, SHEET_SMALL_mm,
                    "tube west");
        for (int i = 0; i < N_DECS; i++) {
            const double dec_deg = sign * (80.0 - 20.0 * i) + 0.0; /* no -0 */
            char text[16];
            y_mm += 3.6;
            (void)snprintf(text, sizeof text, "%+.0f", dec_deg);
            nw_svg_text(sheet->svg, (const double[2]){box->left_mm + 7.0, y_mm}, NW_SVG_END,
                        SHEET_SMALL_mm, text);
            reach(sheet, dec_deg * NW_RAD_PER_DEG, NW_SIDE_EAST, right - 25.0, y_mm);
            reach(sheet, dec_deg * NW_RAD_PER_DEG, NW_SIDE_WEST, right, y_mm);
        }
    }
    others(sheet, &(struct sheet_box){box->left_mm, y_mm + 2.0, box->width_mm, 30.0});
}
