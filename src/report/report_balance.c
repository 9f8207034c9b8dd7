/* report_balance.c - see report_balance.h */
#include "report/report_balance.h"

#include <math.h>

static const char *const ALONG[] = {"along the tube", "sideways", "along the shaft"};
static const char *const HEAVY[][2] = {{"sky end heavy", "camera end heavy"},
                                       {"+y side heavy", "-y side heavy"},
                                       {"tube end heavy", "weight end heavy"}};

static double polar_arm(const struct nw_balance_report *r) {
    return NW_GRAVITY_M_S2 * cos(r->rig->site.latitude_rad.v);
}

static void line_left(struct nw_buf *buf, int along, double value, double sigma) {
    char text[48];
    nw_buf_printf(buf, "  ");
    nw_report_left(buf, 18, ALONG[along]);
    nw_report_left(buf, 24, nw_report_pm(text, sizeof text, value, sigma));
    nw_buf_printf(buf, "kg m   %s\n",
                  fabs(value) < fmax(sigma, 5e-4) ? "within its error" : HEAVY[along][value < 0.0]);
}

static void text_left_over(const struct nw_balance_report *r, struct nw_buf *buf) {
    const struct nw_balance *const b = &r->closed;
    nw_buf_printf(buf, "\nLEFT OVER as described%s\n",
                  r->n_found > 0 ? ", corrected by what you found" : "");
    line_left(buf, 0, b->along_kg_m, b->along_sigma_kg_m);
    line_left(buf, 1, b->sideways_kg_m, b->sideways_sigma_kg_m);
    line_left(buf, 2, b->outward_kg_m, b->outward_sigma_kg_m);
    char value[48];
    nw_buf_printf(buf, "  largest moment    polar axis        %s N m\n",
                  nw_report_pm(value, sizeof value, b->ra_worst_n_m, b->ra_worst_sigma_n_m));
    nw_buf_printf(buf, "                    declination axis  %s N m\n",
                  nw_report_pm(value, sizeof value, b->dec_worst_n_m, b->dec_worst_sigma_n_m));
    if (fabs(b->axis_side_kg_m) > 1e-6) {
        char text[400];
        (void)snprintf(
            text, sizeof text,
            "Parts on one side of the declination axis (motors) add up to %.2g N m about "
            "the polar axis, which no weight on the shaft can take. Common practice, no source: "
            "the heavier tube goes to the other side.",
            polar_arm(r) * fabs(b->axis_side_kg_m));
        nw_report_paragraph(buf, 2, text);
    }
}

static void text_what_it_carries(const struct nw_balance_report *r, struct nw_buf *buf) {
    const struct nw_balance *const b = &r->closed;
    const struct nw_val *const capacity = &r->rig->mount.capacity_kg;
    struct nw_buf text;
    nw_buf_init(&text, 1 << 16);
    nw_buf_printf(&text, "On the tube side %.1f kg", b->load_kg);
    if (capacity->from != NW_FROM_UNKNOWN) {
        nw_buf_printf(&text, ", %.0f %% of the %.3g kg that the maker allows",
                      100.0 * b->load_kg / capacity->v, capacity->v);
    }
    nw_buf_printf(
        &text,
        "; weights on the shaft %.1f kg. Inertia about the polar axis %.2f kg m2 with the "
        "tube at the equator, %.2f at the pole; about the declination axis %.2f.",
        b->counterweight_kg, b->ra_inertia_kg_m2, b->ra_inertia_pole_kg_m2, b->dec_inertia_kg_m2);
    if (isfinite(b->shaft_sag_m)) {
        nw_buf_printf(&text,
                      " The level shaft bends with %.0f N m at the axes (%.0f MPa); the outermost "
                      "weight sags %.2f mm.",
                      b->shaft_moment_n_m, b->shaft_stress_Pa * 1e-6, b->shaft_sag_m * 1e3);
    }
    const size_t n_unknown = b->tube.n_unknown + b->axis.n_unknown;
    if (n_unknown > 0) {
        nw_buf_printf(&text, " Without a mass, and left out:");
        for (size_t i = 0; i < r->n_bodies; i++) {
            const struct nw_body *const body = &r->bodies[i];
            if (body->mass_kg.from == NW_FROM_UNKNOWN && body->rides != NW_RIDES_GROUND) {
                nw_buf_printf(&text, " %s;", body->name);
            }
        }
    }
    nw_report_paragraph(buf, 2, text.data ? text.data : "");
    nw_buf_done(&text);
}

static void text_moves(const struct nw_balance_report *r, struct nw_buf *buf) {
    nw_buf_printf(buf, "\nWHERE THINGS GO, in mm of the middle      now        to       way\n");
    if (r->plan.n_moves == 0) {
        nw_buf_printf(buf, "  nothing is described as sliding (bodies.*.slide)\n");
    }
    for (size_t i = 0; i < r->plan.n_moves; i++) {
        const struct nw_balance_move *const m = &r->plan.moves[i];
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 27, r->bodies[m->body].name);
        nw_buf_printf(buf, "%c", "xyz"[m->along]);
        nw_report_fixed(buf, 15, m->from_m * 1e3, 1);
        nw_report_fixed(buf, 10, m->to_m * 1e3, 1);
        const double way_mm = (m->to_m - m->from_m) * 1e3;
        nw_buf_printf(buf, "%+10.1f%s\n", fabs(way_mm) < 0.05 ? 0.0 : way_mm,
                      m->is_at_limit ? "  end of travel" : "");
    }
    const struct nw_balance *const b = &r->closed;
    const double left[] = {r->plan.along_kg_m, r->plan.sideways_kg_m, r->plan.outward_kg_m};
    const double sigma[] = {b->along_sigma_kg_m, b->sideways_sigma_kg_m, b->outward_sigma_kg_m};
    nw_buf_printf(buf, "  left after that, kg m\n");
    for (int i = 0; i < 3; i++) {
        char text[48];
        nw_buf_printf(buf, "    ");
        nw_report_left(buf, 16, ALONG[i]);
        nw_buf_printf(
            buf, "%s\n",
            nw_report_pm(text, sizeof text, fabs(left[i]) < 5e-4 ? 0.0 : left[i], sigma[i]));
    }
    if (r->keep_n_m != 0.0) {
        nw_buf_printf(buf, "  the %.2g N m kept on purpose (%s) are in it\n", fabs(r->keep_n_m),
                      HEAVY[2][r->keep_n_m < 0.0]);
    }
}

static void text_weights(const struct nw_balance_report *r, struct nw_buf *buf) {
    enum { SHOWN = 4 };
    const struct nw_weights *const w = &r->weights;
    if (w->n == 0) {
        return;
    }
    nw_buf_printf(buf, "\nWHICH WEIGHTS, least inertia first          kg   kg m2   places, mm\n");
    for (size_t i = 0; i < w->n_choices && i < SHOWN; i++) {
        const struct nw_weights_choice *const c = &w->choices[i];
        char names[160] = "";
        char places[160] = "";
        for (size_t k = 0; k < w->n; k++) {
            if (c->used >> k & 1u) {
                const size_t at = strlen(names);
                const size_t to = strlen(places);
                (void)snprintf(names + at, sizeof names - at, "%s%s", at ? ", " : "",
                               r->bodies[w->body[k]].name);
                (void)snprintf(places + to, sizeof places - to, "%s%.0f", to ? ", " : "",
                               c->place_m[k] * 1e3);
            }
        }
        nw_buf_printf(buf, "  ");
        nw_report_left(buf, 36, names);
        nw_buf_printf(buf, "%8.1f%8.2f   %s\n", c->mass_kg, c->inertia_kg_m2, places);
    }
    if (w->n_choices == 0) {
        nw_buf_printf(buf, "  none of the selections balances within its travel: %s\n",
                      r->plan.outward_kg_m > 0.0 ? "more weight or a longer shaft is needed"
                                                 : "a lighter weight is needed");
    }
}

static void text_panel(const struct nw_balance_report *r, struct nw_buf *buf) {
    if (!r->has_hinge) {
        return;
    }
    const double along = r->open.along_kg_m - r->closed.along_kg_m;
    const double outward = r->open.outward_kg_m - r->closed.outward_kg_m;
    char text[400];
    (void)snprintf(
        text, sizeof text,
        "moves the balance by %+.3f kg m along the tube and %+.3f along the shaft: %.2f N "
        "m about the declination axis, %.2f N m about the polar axis. Balance with it "
        "as it is while you image.",
        along, outward, NW_GRAVITY_M_S2 * fabs(along), polar_arm(r) * fabs(outward));
    nw_buf_printf(buf, "\nOPENING what has a hinge\n");
    nw_report_paragraph(buf, 2, text);
}

static void text_found(const struct nw_balance_report *r, struct nw_buf *buf) {
    if (r->n_found == 0) {
        nw_buf_printf(buf, "\nWHAT WOULD TELL MORE\n");
        nw_report_paragraph(
            buf, 2,
            "Loosen one axis with its arm level and find what holds it: a spring balance at a "
            "known "
            "arm, or the place of a weight at which it stays. Then --moment shaft=0 (or tube=, "
            "side=) with what you found in N m, and the masses are corrected.");
        return;
    }
    nw_buf_printf(buf, "\nFOUND\n");
    for (size_t i = 0; i < r->n_found; i++) {
        const struct nw_balance_found *const f = &r->found[i];
        char value[48];
        char line[300];
        (void)snprintf(
            line, sizeof line, "%s %s N m, %.1f sigma from the description%s", ALONG[f->along],
            nw_report_pm(value, sizeof value, f->moment_n_m, f->sigma_n_m), fabs(f->off_sigma),
            fabs(f->off_sigma) > 3.0
                ? ": something is described wrongly. Nothing was corrected by it; look "
                  "for a body that is missing or misplaced."
                : "");
        nw_report_paragraph(buf, 2, line);
    }
    for (size_t i = 0; i < r->n_bodies; i++) {
        const struct nw_val *const was = &r->as_given[i].mass_kg;
        const struct nw_val *const is = &r->bodies[i].mass_kg;
        if (was->from != NW_FROM_UNKNOWN && fabs(is->v - was->v) > 0.002 * was->v) {
            nw_buf_printf(buf, "    ");
            nw_report_left(buf, 30, r->bodies[i].name);
            nw_buf_printf(buf, "mass: {value: %.4g kg, sigma: %.2g kg}\n", is->v, is->sigma);
        }
    }
}

void nw_report_balance_text(const struct nw_balance_report *r, struct nw_buf *buf) {
    nw_report_title(buf, "BALANCE", r->setup->name);
    text_what_it_carries(r, buf);
    text_left_over(r, buf);
    text_moves(r, buf);
    text_weights(r, buf);
    nw_report_balance_compare(r, buf);
    nw_report_balance_attitudes(r, buf);
    text_panel(r, buf);
    text_found(r, buf);
    nw_buf_printf(buf, "\nCAUTION\n");
    nw_report_paragraph(
        buf, 2,
        "Hold the tube before you loosen a clutch or a weight: out of balance it swings round, and "
        "fingers and cameras are in the way. Weights go on before the tubes and come off after "
        "them; the safety stop at the end of the shaft stays in.");
}

/* ---- JSON ---- */

static void json_balance(struct nw_json *json, json_t *o, const struct nw_balance *b) {
    nw_json_number(json, o, "along_tube_kg_m", b->along_kg_m, 5);
    nw_json_number(json, o, "along_tube_sigma_kg_m", b->along_sigma_kg_m, 3);
    nw_json_number(json, o, "sideways_kg_m", b->sideways_kg_m, 5);
    nw_json_number(json, o, "sideways_sigma_kg_m", b->sideways_sigma_kg_m, 3);
    nw_json_number(json, o, "along_shaft_kg_m", b->outward_kg_m, 5);
    nw_json_number(json, o, "along_shaft_sigma_kg_m", b->outward_sigma_kg_m, 3);
    nw_json_number(json, o, "ra_moment_n_m", b->ra_worst_n_m, 4);
    nw_json_number(json, o, "ra_moment_sigma_n_m", b->ra_worst_sigma_n_m, 3);
    nw_json_number(json, o, "dec_moment_n_m", b->dec_worst_n_m, 4);
    nw_json_number(json, o, "dec_moment_sigma_n_m", b->dec_worst_sigma_n_m, 3);
}

static void json_plan(struct nw_json *json, const struct nw_balance_report *r) {
    json_t *const moves = nw_json_array(json, NULL, "moves");
    json_t *const weights = nw_json_array(json, NULL, "counterweights");
    for (size_t i = 0; i < r->plan.n_moves; i++) {
        const struct nw_balance_move *const m = &r->plan.moves[i];
        json_t *const o = nw_json_item(json, moves);
        const char axis[2] = {"xyz"[m->along], '\0'};
        nw_json_text(json, o, "name", r->bodies[m->body].name);
        nw_json_text(json, o, "along", axis);
        nw_json_number(json, o, "from_mm", m->from_m * 1e3, 6);
        nw_json_number(json, o, "to_mm", m->to_m * 1e3, 6);
        nw_json_bool(json, o, "at_limit", m->is_at_limit);
        if (m->along == 2) {
            json_t *const w = nw_json_item(json, weights);
            nw_json_text(json, w, "name", r->bodies[m->body].name);
            nw_json_number(json, w, "position_mm", m->to_m * 1e3, 6);
        }
    }
    json_t *const left = nw_json_object(json, NULL, "left_after_moves");
    nw_json_number(json, left, "along_tube_kg_m", r->plan.along_kg_m, 5);
    nw_json_number(json, left, "sideways_kg_m", r->plan.sideways_kg_m, 5);
    nw_json_number(json, left, "along_shaft_kg_m", r->plan.outward_kg_m, 5);
}

static void json_choices(struct nw_json *json, const struct nw_balance_report *r) {
    json_t *const list = nw_json_array(json, NULL, "selections");
    for (size_t i = 0; i < r->weights.n_choices; i++) {
        const struct nw_weights_choice *const c = &r->weights.choices[i];
        json_t *const o = nw_json_item(json, list);
        nw_json_number(json, o, "inertia_kg_m2", c->inertia_kg_m2, 5);
        nw_json_number(json, o, "mass_kg", c->mass_kg, 5);
        nw_json_number(json, o, "shaft_moment_n_m", c->shaft_moment_n_m, 5);
        json_t *const weights = nw_json_array(json, o, "counterweights");
        for (size_t k = 0; k < r->weights.n; k++) {
            if (c->used >> k & 1u) {
                json_t *const w = nw_json_item(json, weights);
                nw_json_text(json, w, "name", r->bodies[r->weights.body[k]].name);
                nw_json_number(json, w, "position_mm", c->place_m[k] * 1e3, 6);
            }
        }
    }
}

enum nw_status nw_report_balance_json(const struct nw_balance_report *r, json_t **ret,
                                      struct nw_err *err) {
    struct nw_json json;
    const struct nw_balance *const b = &r->closed;
    nw_json_begin(&json, "balance", 1);
    nw_json_text(&json, NULL, "setup", r->setup->name);
    json_balance(&json, NULL, b);
    nw_json_number(&json, NULL, "inertia_kg_m2", b->ra_inertia_kg_m2, 5);
    nw_json_number(&json, NULL, "inertia_at_pole_kg_m2", b->ra_inertia_pole_kg_m2, 5);
    nw_json_number(&json, NULL, "dec_inertia_kg_m2", b->dec_inertia_kg_m2, 5);
    nw_json_number(&json, NULL, "instrument_load_kg", b->load_kg, 5);
    nw_json_number(&json, NULL, "capacity_kg", r->rig->mount.capacity_kg.v, 5);
    nw_json_number(&json, NULL, "counterweight_kg", b->counterweight_kg, 5);
    nw_json_number(&json, NULL, "shaft_moment_n_m", b->shaft_moment_n_m, 5);
    nw_json_number(&json, NULL, "shaft_stress_mpa", b->shaft_stress_Pa * 1e-6, 4);
    nw_json_number(&json, NULL, "shaft_sag_mm", b->shaft_sag_m * 1e3, 4);
    if (!isfinite(b->shaft_sag_m)) {
        nw_json_why(&json, NULL, "shaft_sag_mm", "mount.shaft_diameter is not in the rig file");
    }
    nw_json_count(&json, NULL, "bodies_without_mass", b->tube.n_unknown + b->axis.n_unknown);
    json_plan(&json, r);
    json_choices(&json, r);
    if (r->has_hinge) {
        json_balance(&json, nw_json_object(&json, NULL, "open"), &r->open);
    }
    nw_report_balance_tables_json(r, &json);
    return nw_json_end(&json, ret, err);
}
