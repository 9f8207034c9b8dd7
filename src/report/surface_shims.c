/* surface_shims.c - shims in words and in JSON. */
#include "report/report_surface.h"

#include <math.h>

static const char *const CAUTION =
    "Take the weight off first: hold or remove the camera before you loosen its screws, with the "
    "mount locked and the tube level, so that nothing can fall or swing.";

/* Shims below this are within the evidence's own error, or of no use. */
static bool is_worth_it(const struct nw_surface_report *r) {
    const struct nw_surface *const s = r->surface;
    return s->tilt > 2.5 * s->tilt_sigma && !(0.5 * s->tilt < 0.25 * s->depth_of_focus_m);
}

static void add_list(const struct nw_surface_report *r, const struct nw_shims *shims,
                     struct nw_json *json, json_t *array) {
    for (size_t i = 0; i < r->n_screws; i++) {
        const struct nw_shim *const shim = &shims->screws[i];
        json_t *const item = nw_json_item(json, array);
        nw_json_text(json, item, "screw", r->screws[i].name);
        nw_json_number(json, item, "mm", shim->half_m * 1e3, 3);
        nw_json_number(json, item, "full_mm", shim->full_m * 1e3, 3);
        nw_json_number(json, item, "full_sigma_mm", shim->sigma_m * 1e3, 2);
        nw_json_number(json, item, "turns", shim->half_m / r->screws[i].pitch_m.v, 3);
    }
}

void nw_report_shims_json(const struct nw_surface_report *r, struct nw_json *json) {
    json_t *const array = nw_json_array(json, NULL, "shims");
    if (!r->shims) {
        nw_json_why(json, NULL, "shims", r->why_no_shims);
        return;
    }
    add_list(r, r->shims, json, array);
    nw_json_bool(json, NULL, "shims_worth_it", is_worth_it(r));
    nw_json_number(json, NULL, "shims_add_to_back_focus_mm", r->shims->half_spacing_m * 1e3, 3);
    nw_json_text(json, NULL, "shims_note",
                 "mm is half of what would level the plane: put it in, measure again");
    if (r->response) {
        const struct nw_shim_response *const k = r->response;
        json_t *const o = nw_json_object(json, NULL, "screw_response");
        nw_json_number(json, o, "gain", k->gain, 3);
        nw_json_number(json, o, "gain_sigma", k->gain_sigma, 2);
        nw_json_number(json, o, "turn_deg", k->plain.turn_rad * NW_DEG_PER_RAD, 4);
        nw_json_number(json, o, "turn_if_mirrored_deg", k->mirrored.turn_rad * NW_DEG_PER_RAD, 4);
        nw_json_number(json, o, "turn_sigma_deg", k->turn_sigma_rad * NW_DEG_PER_RAD, 2);
        nw_json_count(json, o, "turns", k->n_turns);
        nw_json_number(json, o, "chi2_plain", k->chi2_plain, 3);
        nw_json_number(json, o, "chi2_mirrored", k->chi2_mirrored, 3);
        if (k->is_settled) {
            nw_json_bool(json, o, "mirrored", k->is_mirrored);
        } else {
            nw_json_number(json, o, "mirrored", NAN, 1);
            nw_json_why(json, o, "mirrored", "one known turn allows both; turn a second screw");
            add_list(r, r->shims_mirrored, json, nw_json_array(json, NULL, "shims_if_mirrored"));
        }
    }
}

static void say_list(const struct nw_surface_report *r, const struct nw_shims *shims,
                     struct nw_buf *text) {
    for (size_t i = 0; i < r->n_screws; i++) {
        const struct nw_shim *const shim = &shims->screws[i];
        char turns[60] = "";
        if (r->screws[i].pitch_m.v > 0.0 && shim->half_m > 0.0) {
            (void)snprintf(turns, sizeof turns, " = %.2f turn outwards",
                           shim->half_m / r->screws[i].pitch_m.v);
        }
        nw_buf_printf(text, "    ");
        nw_report_left(text, 20, r->screws[i].name);
        nw_buf_printf(text, "%.3f mm now (half of %.3f +- %.3f)%s\n", shim->half_m * 1e3,
                      shim->full_m * 1e3, shim->sigma_m * 1e3, turns);
    }
}

static void say_response(const struct nw_surface_report *r, struct nw_buf *text) {
    const struct nw_shim_response *const k = r->response;
    char line[400];
    char rest[160];
    if (k->is_settled) {
        (void)snprintf(rest, sizeof rest,
                       k->is_mirrored ? " and sees the screws mirrored (chi^2 %.1f, not mirrored "
                                        "%.1f)."
                                      : " and not mirrored (chi^2 %.1f, mirrored %.1f).",
                       k->is_mirrored ? k->chi2_mirrored : k->chi2_plain,
                       k->is_mirrored ? k->chi2_plain : k->chi2_mirrored);
    } else {
        (void)snprintf(rest, sizeof rest,
                       ", or, if it sees the screws mirrored, by %.0f deg; a known turn of "
                       "%s would settle which.",
                       k->mirrored.turn_rad * NW_DEG_PER_RAD,
                       k->n_turns > 1 ? "another screw, farther," : "a second screw");
    }
    (void)snprintf(line, sizeof line,
                   "What was turned moved the plane %.2f +- %.2f times as far as the stated places "
                   "say%s. Against them the chip is turned by %.0f +- %.0f deg%s",
                   k->gain, k->gain_sigma,
                   fabs(k->gain - 1.0) > 3.0 * k->gain_sigma && fabs(k->gain - 1.0) > 0.2
                       ? ": is the radius or the pitch right, did only one screw move"
                       : "",
                   (k->is_settled && k->is_mirrored ? k->mirrored : k->plain).turn_rad *
                       NW_DEG_PER_RAD,
                   k->turn_sigma_rad * NW_DEG_PER_RAD, rest);
    nw_report_paragraph(text, 2, line);
}

void nw_report_shims_text(const struct nw_surface_report *r, struct nw_buf *text) {
    if (!r->shims) {
        if (r->n_screws > 0) {
            nw_buf_printf(text, "\n");
            nw_report_entry(text, 2, 24, "shims", r->why_no_shims);
        }
        return;
    }
    nw_buf_printf(text, "\n  shims or screws: half first, then measure again\n");
    if (!is_worth_it(r)) {
        nw_report_paragraph(text, 2,
                            "Leave them: the tilt is within its error or within a quarter of the "
                            "depth of focus.");
    }
    say_list(r, r->shims, text);
    if (r->response && r->response->is_settled) {
        say_response(r, text);
    } else if (r->response) {
        nw_buf_printf(text, "  the same if the chip sees the screws mirrored\n");
        say_list(r, r->shims_mirrored, text);
        say_response(r, text);
    } else {
        nw_report_paragraph(text, 2,
                            "How the chip stands against the screws is as the rig says; if it is "
                            "not sure, raise one screw by a known amount, take a second set, and "
                            "give both: --turned NAME=MM --after FRAMES.");
    }
    char line[160];
    (void)snprintf(line, sizeof line,
                   "The half adds %.2f mm to the way from corrector to sensor; take it off the "
                   "spacers if that matters.",
                   r->shims->half_spacing_m * 1e3);
    nw_report_paragraph(text, 2, line);
    nw_report_paragraph(text, 2, CAUTION);
}
