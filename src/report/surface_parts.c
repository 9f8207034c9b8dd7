/* surface_parts.c - what stays with the chip, what turns, what sags. */
#include "report/report_surface.h"

#include <math.h>

static double unit(const struct nw_surface_report *r) {
    return r->surface->is_metric ? 1e6 : 1.0;
}

static const char *side_of(const struct nw_field_set *set) {
    return set->tube_side > 0 ? "east" : set->tube_side < 0 ? "west" : "";
}

static void put_part(const struct nw_surface_report *r, struct nw_json *json, json_t *object,
                     const char *key, const struct nw_field_part *part) {
    const char *const end = r->surface->is_metric ? "um" : "steps";
    const double scale = part->is_known ? unit(r) : NAN;
    json_t *const o = nw_json_object(json, object, key);
    char name[24];
    (void)snprintf(name, sizeof name, "a_%s", end);
    nw_json_number(json, o, name, part->a * scale, 4);
    (void)snprintf(name, sizeof name, "b_%s", end);
    nw_json_number(json, o, name, part->b * scale, 4);
    (void)snprintf(name, sizeof name, "sigma_%s", end);
    nw_json_number(json, o, name, part->sigma * scale, 3);
}

void nw_report_parts_json(const struct nw_surface_report *r, struct nw_json *json) {
    if (!r->split) {
        return;
    }
    json_t *const list = nw_json_array(json, NULL, "sets");
    for (size_t i = 0; i < r->n_sets; i++) {
        const struct nw_field_set *const set = &r->sets[i];
        json_t *const item = nw_json_item(json, list);
        nw_json_number(json, item, "rotator_deg", set->rotator_rad * NW_DEG_PER_RAD, 5);
        nw_json_text(json, item, "tube_side", side_of(set));
        nw_json_number(json, item, "altitude_deg", set->altitude_rad * NW_DEG_PER_RAD, 4);
        nw_json_text(json, item, "method", nw_surface_method_name(set->surface->method));
        const struct nw_surface *const s = set->surface;
        const struct nw_field_part slope = {
            true, s->z[NW_SURFACE_A], s->z[NW_SURFACE_B],
            sqrt(0.5 * (s->cov[NW_SURFACE_A][NW_SURFACE_A] + s->cov[NW_SURFACE_B][NW_SURFACE_B]))};
        put_part(r, json, item, "slope", &slope);
    }
    json_t *const parts = nw_json_object(json, NULL, "parts");
    put_part(r, json, parts, "camera", &r->split->camera);
    put_part(r, json, parts, "focuser", &r->split->focuser);
    put_part(r, json, parts, "rigid", &r->split->rigid);
    put_part(r, json, parts, "sag_at_horizon", &r->split->sag);
    nw_json_number(json, parts, "misfit_sigmas", r->split->misfit, 3);
    nw_json_bool(json, parts, "rotator_sense_assumed", r->split->is_sense_assumed);
    if (!r->split->camera.is_known) {
        nw_json_why(json, parts, "camera", "the rotator did not turn by 20 deg or more");
        nw_json_why(json, parts, "focuser", "the rotator did not turn by 20 deg or more");
    }
    if (!r->split->sag.is_known) {
        nw_json_why(json, parts, "sag_at_horizon",
                    "needs both tube sides, below an altitude of 75 deg");
    }
}

static void say_part(const struct nw_surface_report *r, const struct nw_field_part *part,
                     const char *label, const char *meaning, struct nw_buf *text) {
    if (!part->is_known) {
        return;
    }
    char line[240];
    (void)snprintf(
        line, sizeof line, "a %+.1f, b %+.1f, +- %.1f %s; %s%s", part->a * unit(r),
        part->b * unit(r), part->sigma * unit(r), r->surface->is_metric ? "um" : "steps", meaning,
        hypot(part->a, part->b) < 2.5 * part->sigma ? "; not seen beyond its error" : "");
    nw_report_entry(text, 2, 24, label, line);
}

void nw_report_parts_text(const struct nw_surface_report *r, struct nw_buf *text) {
    const struct nw_field_split *const k = r->split;
    if (!k) {
        return;
    }
    nw_buf_printf(text, "\n  what stays and what turns (all above: the first set)\n\n");
    nw_buf_printf(text, "  set  rotator  tube  altitude        a        b       +-\n");
    for (size_t i = 0; i < r->n_sets; i++) {
        const struct nw_surface *const s = r->sets[i].surface;
        nw_buf_printf(text, "  %3zu", i + 1);
        nw_report_fixed(text, 9, r->sets[i].rotator_rad * NW_DEG_PER_RAD, 1);
        nw_buf_printf(text, "  ");
        nw_report_left(text, 4, side_of(&r->sets[i])[0] ? side_of(&r->sets[i]) : "-");
        nw_report_fixed(text, 10, r->sets[i].altitude_rad * NW_DEG_PER_RAD, 0);
        nw_report_fixed(text, 9, s->z[NW_SURFACE_A] * unit(r), 1);
        nw_report_fixed(text, 9, s->z[NW_SURFACE_B] * unit(r), 1);
        nw_report_fixed(text, 9, sqrt(s->cov[NW_SURFACE_A][NW_SURFACE_A]) * unit(r), 1);
        nw_buf_printf(text, "\n");
    }
    nw_buf_printf(text, "\n");
    say_part(r, &k->camera, "camera", "stays with the chip: shims before the chip help", text);
    say_part(r, &k->focuser, "focuser",
             "turns against the chip (its axes at rotator angle 0): focuser, drawtube or corrector",
             text);
    say_part(r, &k->rigid, "camera and focuser",
             "does not change with the tube's side; turn the "
             "rotator by 180 degrees to separate the two",
             text);
    say_part(r, &k->sag, "sag",
             "at the horizon with the tube east, opposite with the tube west, "
             "times the sine of the zenith distance",
             text);
    if (k->is_sense_assumed) {
        nw_report_entry(text, 2, 24, "caution",
                        "which way round the rotator counts is assumed (+x towards +y); a turn of "
                        "180 degrees, or a third angle, is free of that");
    }
    if (k->misfit > 2.5) {
        nw_report_entry(text, 2, 24, "caution",
                        "the sets do not fit together within their errors: something else moved "
                        "between them");
    }
}
