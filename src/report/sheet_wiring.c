/* sheet_wiring.c - the tree from mains to loads with wires, fuses, volts and amps.
 * Idea: one row a circuit, drawn as a one-line diagram: the trunk at the left, a sign for what it
 * is, its numbers in line with it, a bar for how much of the allowed drop is used. So any tree
 * fits, however deep. */
#include <math.h>

#include "report/report_power.h"
#include "report/sheet_internal.h"

#define TREE_mm 57.0
enum { N_COLUMNS = 7 };
static const double AT_mm[N_COLUMNS] = {87.0, 97.0, 108.0, 119.0, 131.0, 143.0, 152.0};

struct wiring {
    const struct sheet *sheet;
    const struct nw_power_result *r;
    double left_mm, y_mm, row_mm, size_mm;
    double trunk_mm[NW_POWER_MAX]; /* y of each circuit's row */
};

static const struct nw_circuit *circuit(const struct wiring *w, size_t i) {
    return w->r->model.nodes[i].circuit;
}

/* What kind it is: a wave for mains, a box with a slash for a supply, plates for a battery, a dot
 * for a hub, a ring for a load. */
static void sign(const struct wiring *w, enum nw_circuit_kind kind, double x, double y) {
    struct nw_svg *const svg = w->sheet->svg;
    const double f = fmin(1.0, w->row_mm / 4.0); /* of its size */
    const struct nw_svg_style line = {.line_mm = 0.3, .fill = NW_SVG_SHADE};
    const double r = 1.5 * f;
    switch (kind) {
    case NW_CIRCUIT_MAINS:
        nw_svg_circle(svg, (const double[2]){x, y}, r, &line);
        nw_svg_path_begin(svg, &(struct nw_svg_style){.line_mm = 0.25});
        nw_svg_path_move(svg, x - f, y);
        for (int i = 1; i <= 12; i++) {
            nw_svg_path_to(svg, x - f + f * i / 6.0, y - 0.6 * f * sin(2.0 * NW_PI * i / 12.0));
        }
        nw_svg_path_end(svg);
        break;
    case NW_CIRCUIT_SUPPLY:
        nw_svg_rect(svg, (const double[2]){x - r, y - r}, (const double[2]){2.0 * r, 2.0 * r},
                    &line);
        sheet_line(w->sheet, x - r, y + r, x + r, y - r, &(struct nw_svg_style){.line_mm = 0.25});
        break;
    case NW_CIRCUIT_BATTERY:
        nw_svg_rect(svg, (const double[2]){x - r, y - r}, (const double[2]){2.0 * r, 2.0 * r},
                    &(struct nw_svg_style){.ink = NW_SVG_NO_INK, .fill = NW_SVG_SHADE});
        sheet_line(w->sheet, x - 0.6 * f, y - 1.6 * f, x - 0.6 * f, y + 1.6 * f,
                   &(struct nw_svg_style){.line_mm = 0.3});
        sheet_line(w->sheet, x + 0.6 * f, y - 0.8 * f, x + 0.6 * f, y + 0.8 * f,
                   &(struct nw_svg_style){.line_mm = 0.8 * f});
        break;
    case NW_CIRCUIT_HUB:
        nw_svg_circle(svg, (const double[2]){x, y}, 0.9 * f,
                      &(struct nw_svg_style){.line_mm = 0.3, .fill = NW_SVG_INKED});
        break;
    case NW_CIRCUIT_LOAD:
    case NW_CIRCUIT_N_KINDS:
        nw_svg_circle(svg, (const double[2]){x, y}, 1.2 * f, &line);
        break;
    }
}

static void number(const struct wiring *w, int column, double value, int decimals) {
    char text[24];
    (void)snprintf(text, sizeof text, "%.*f", decimals, value);
    nw_svg_text(w->sheet->svg, (const double[2]){w->left_mm + AT_mm[column], w->y_mm + 0.8},
                NW_SVG_END, w->size_mm, isfinite(value) ? text : "-");
}

/* How much of the drop that leaves a load its least voltage is used up, at the worst moment. */
static void bar(const struct wiring *w, size_t i) {
    const struct nw_circuit *const c = circuit(w, i);
    const size_t source = nw_power_source_of(&w->r->model, i);
    if (c->kind != NW_CIRCUIT_LOAD || source == SIZE_MAX) {
        return;
    }
    const double open_V = w->r->model.nodes[source].open_V;
    const double used =
        (open_V - w->r->at[i].volts[nw_power_lowest(w->r, i)]) / (open_V - c->least_V.v);
    const double x = w->left_mm + 155.0;
    const double half = fmin(0.9, 0.3 * w->row_mm);
    nw_svg_rect(w->sheet->svg, (const double[2]){x, w->y_mm - half},
                (const double[2]){12.0, 2.0 * half}, &(struct nw_svg_style){.line_mm = 0.15});
    nw_svg_rect(w->sheet->svg, (const double[2]){x, w->y_mm - half},
                (const double[2]){12.0 * fmin(1.0, fmax(0.0, used)), 2.0 * half},
                &(struct nw_svg_style){.line_mm = 0.15, .fill = NW_SVG_SHADE, .shade = 0.55});
}

static void numbers(const struct wiring *w, size_t i) {
    const struct nw_circuit *const c = circuit(w, i);
    const struct nw_power_circuit *const at = &w->r->at[i];
    const bool is_root = w->r->model.nodes[i].feeder == SIZE_MAX;
    const double volts = is_root ? w->r->model.nodes[i].open_V : at->volts[NW_POWER_QUIET];
    char wire[40];
    (void)nw_report_wire(wire, sizeof wire, c);
    if (w->r->model.nodes[i].is_off) {
        nw_text_copy(wire, sizeof wire, "off in this setup");
    }
    char *const square = strstr(wire, "mm2");
    if (square) {
        nw_text_copy(square + 2, sizeof wire - (size_t)(square + 2 - wire), "²");
    }
    sheet_fit(w->sheet, w->left_mm + TREE_mm, w->y_mm + 0.8, 25.0, NW_SVG_START, w->size_mm, wire);
    number(w, 0, c->fuse_A.v, 0);
    const int decimals = volts < 100.0 ? 2 : 0;
    number(w, 1, volts, decimals);
    number(w, 2, is_root ? at->out_A[NW_POWER_QUIET] : at->amps[NW_POWER_QUIET], 2);
    number(w, 3, is_root ? volts : at->volts[nw_power_lowest(w->r, i)], decimals);
    number(w, 4, is_root ? at->out_A[NW_POWER_ALL] : at->amps[nw_power_largest(w->r, i)], 2);
    number(w, 5, c->kind == NW_CIRCUIT_LOAD ? c->least_V.v : NAN, volts < 100.0 ? 1 : 0);
    bar(w, i);
}

static void row(struct wiring *w, size_t i, int depth) {
    const struct nw_circuit *const c = circuit(w, i);
    const size_t feeder = w->r->model.nodes[i].feeder;
    const double x = w->left_mm + 2.0 + 4.6 * depth;
    w->trunk_mm[i] = w->y_mm;
    if (feeder != SIZE_MAX) {
        const double trunk = x - 4.6;
        const struct nw_svg_style wire = {.line_mm = 0.3};
        sheet_line(w->sheet, trunk, w->trunk_mm[feeder] + fmin(1.5, 0.4 * w->row_mm), trunk,
                   w->y_mm, &wire);
        sheet_line(w->sheet, trunk, w->y_mm, x - 1.2, w->y_mm, &wire);
        if (c->fuse_A.from != NW_FROM_UNKNOWN) {
            nw_svg_rect(w->sheet->svg, (const double[2]){trunk + 0.7, w->y_mm - 0.5},
                        (const double[2]){2.0, 1.0},
                        &(struct nw_svg_style){.line_mm = 0.2, .fill = NW_SVG_SHADE});
        }
    }
    sign(w, c->kind, x, w->y_mm);
    char text[160];
    (void)snprintf(text, sizeof text, "%s%s%s", c->name, c->serial[0] ? ", " : "", c->serial);
    if (c->kind == NW_CIRCUIT_SUPPLY) {
        (void)snprintf(text, sizeof text, "%s, %.4g V %.3g A", c->name, c->voltage_V.v,
                       c->current_A.v);
    } else if (c->kind == NW_CIRCUIT_BATTERY) {
        (void)snprintf(text, sizeof text, "%s, %.3g Ah", c->name, c->charge_C.v / 3600.0);
    }
    sheet_fit(w->sheet, x + 2.6, w->y_mm + 0.8, w->left_mm + TREE_mm - 1.0 - x - 2.6, NW_SVG_START,
              w->size_mm, text);
    numbers(w, i);
    sheet_line(w->sheet, w->left_mm + TREE_mm, w->y_mm + 0.5 * w->row_mm, w->left_mm + 167.0,
               w->y_mm + 0.5 * w->row_mm,
               &(struct nw_svg_style){.line_mm = 0.1, .ink = NW_SVG_PALE});
    w->y_mm += w->row_mm;
}

static void below(struct wiring *w, size_t above, int depth) {
    for (size_t i = 0; i < w->r->model.n; i++) {
        if (w->r->model.nodes[i].feeder == above) {
            row(w, i, depth);
            below(w, i, depth + 1);
        }
    }
}

static void heads(const struct wiring *w, double y_mm) {
    static const char *const HEADS[N_COLUMNS] = {"fuse", "V", "A", "V", "A", "least V", ""};
    struct nw_svg *const svg = w->sheet->svg;
    nw_svg_text(svg, (const double[2]){w->left_mm + AT_mm[2], y_mm - 3.2}, NW_SVG_END,
                SHEET_SMALL_mm, "imaging");
    nw_svg_text(svg, (const double[2]){w->left_mm + AT_mm[4], y_mm - 3.2}, NW_SVG_END,
                SHEET_SMALL_mm, "at the worst");
    nw_svg_text(svg, (const double[2]){w->left_mm + TREE_mm, y_mm}, NW_SVG_START, SHEET_SMALL_mm,
                "wire, one way");
    for (int k = 0; k < N_COLUMNS; k++) {
        nw_svg_text(svg, (const double[2]){w->left_mm + AT_mm[k], y_mm}, NW_SVG_END, SHEET_SMALL_mm,
                    HEADS[k]);
    }
    nw_svg_text(svg, (const double[2]){w->left_mm + 155.0, y_mm}, NW_SVG_START, SHEET_SMALL_mm,
                "drop used");
}

static void words(const struct wiring *w, const struct sheet_box *box) {
    const struct nw_power_result *const r = w->r;
    const struct nw_circuit *const s = circuit(w, r->main_source);
    char text[600];
    int at = snprintf(text, sizeof text,
                      "%s: %.1f A imaging, %.1f ± %.1f A cooling, straps and "
                      "slewing at once",
                      s->name, r->at[r->main_source].out_A[NW_POWER_QUIET],
                      r->at[r->main_source].out_A[NW_POWER_ALL],
                      r->at[r->main_source].out_sigma_A[NW_POWER_ALL]);
    if (s->kind == NW_CIRCUIT_SUPPLY) {
        at += snprintf(text + at, sizeof text - (size_t)at, ", of %.3g A", s->current_A.v);
    }
    at += snprintf(text + at, sizeof text - (size_t)at, ". ");
    for (size_t i = 0; i < r->n_order && i < 3; i++) {
        at += snprintf(text + at, sizeof text - (size_t)at, "%s%s at %.1f V",
                       i == 0 ? "As its voltage sinks fall out: " : ", ",
                       circuit(w, r->order[i].circuit)->name, r->order[i].source_V);
    }
    at += snprintf(text + at, sizeof text - (size_t)at, ". A night %.2f kWh, a year %.0f kWh. ",
                   r->night_J / 3.6e6, r->year_J / 3.6e6);
    for (size_t b = 0; b < r->n_batteries && at < 480; b++) {
        const struct nw_battery_answer *const a = &r->batteries[b];
        for (size_t k = 0; k < a->n_cases && at < 520; k++) {
            at += snprintf(text + at, sizeof text - (size_t)at, "%s%s %.1f h",
                           k == 0 ? "On the battery: " : "; ", a->cases[k].what,
                           a->cases[k].time_s / 3600.0);
        }
    }
    if (r->n_batteries > 0 && r->batteries[0].n_cases > 0) {
        (void)snprintf(text + at, sizeof text - (size_t)at, ".");
    }
    (void)sheet_paragraph(w->sheet, box, SHEET_SMALL_mm, text);
}

void sheet_wiring(const struct sheet *sheet, const struct sheet_box *box) {
    sheet_heading(sheet, box, "WIRING",
                  "ring with wave: mains; slashed: supply; plates: battery; bar in the line: fuse");
    if (!sheet->r->power) {
        nw_svg_text(sheet->svg, (const double[2]){box->left_mm + 2.0, box->top_mm + 12.0},
                    NW_SVG_START, SHEET_TEXT_mm,
                    "nothing is described here yet: circuits.* of the rig file");
        return;
    }
    struct wiring w = {.sheet = sheet, .r = sheet->r->power, .left_mm = box->left_mm};
    const double room_mm = box->height_mm - 34.0;
    w.row_mm = fmin(8.0, room_mm / (double)w.r->model.n);
    w.size_mm = fmin(2.4, 0.75 * w.row_mm);
    heads(&w, box->top_mm + 11.5);
    w.y_mm = box->top_mm + 16.0;
    below(&w, SIZE_MAX, 0);
    words(&w, &(struct sheet_box){box->left_mm, box->top_mm + box->height_mm - 15.5, box->width_mm,
                                  16.0});
}
