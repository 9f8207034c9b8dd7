/* report_spacing.c - the page of `spacing`: rings, and what changes of spacing show. */
#include "report/report_spacing.h"

#include <math.h>
#include <stdint.h>

#define MM 1e3
enum { SHOWN = 6 };

static double spread_m(const struct nw_spacing_report *r, const struct nw_ring_set *set) {
    return hypot(hypot(r->focus->needed_m.sigma, r->focus->fixed_m.sigma), set->sigma_m);
}

static void one_set(const struct nw_spacing_report *r, const struct nw_ring_set *set,
                    struct nw_buf *buf) {
    char list[320];
    char text[420];
    nw_back_focus_ring_list(r->rig, set, list, sizeof list);
    (void)snprintf(text, sizeof text, "%s", set->n_rings ? list : "no ring at all");
    nw_buf_printf(buf, "  %5zu  %8.2f  %+8.2f +- %.2f", set->n_rings, set->length_m * MM,
                  set->error_m * MM, spread_m(r, set) * MM);
    if (strlen(text) <= 44) {
        nw_buf_printf(buf, "  %s\n", text);
    } else {
        nw_buf_printf(buf, "\n");
        nw_report_paragraph(buf, 9, text);
    }
}

static void rings(const struct nw_spacing_report *r, struct nw_buf *buf) {
    char text[400];
    if (!r->rings) {
        nw_report_entry(buf, 2, 15, "NO RINGS", r->why_no_rings);
        return;
    }
    nw_buf_printf(buf, "  rings    length, mm   left over, mm\n");
    for (size_t i = 0; i < r->rings->n_sets && i < SHOWN; i++) {
        one_set(r, &r->rings->sets[i], buf);
    }
    if (r->rings->n_sets > 0) {
        const bool is_sure = !isfinite(r->rings->shim_m);
        (void)snprintf(
            text, sizeof text, "%zu %s within %.2f mm, %s", r->rings->n_fitting,
            r->rings->n_fitting == 1 ? "set" : "sets",
            (is_sure ? r->focus->ring_tolerance_m : r->focus->tolerance_m) * MM,
            is_sure ? "so that all tolerances together stay inside the maker's in 95 of 100 cases; "
                      "fewest rings first, of up to two more than the fewest; each joint adds its "
                      "own tilt"
                    : "nearest first: inside the maker's tolerance, but not surely so with the "
                      "errors of all lengths");
        nw_buf_printf(buf, "\n");
        nw_report_entry(buf, 2, 15, "SETS", text);
        return;
    }
    if (r->rings->below.n_rings != SIZE_MAX) {
        one_set(r, &r->rings->below, buf);
    }
    if (r->rings->above.n_rings != SIZE_MAX) {
        one_set(r, &r->rings->above, buf);
    }
    if (isfinite(r->rings->shim_m)) {
        (void)snprintf(
            text, sizeof text,
            "nothing you have comes within %.2f mm; these are the nearest on each side. A "
            "%s of %.2f mm, +- %.2f, beside the first would do",
            r->focus->ring_tolerance_m * MM, r->rings->shim_m < 1e-3 ? "shim" : "ring",
            r->rings->shim_m * MM, r->focus->ring_tolerance_m * MM);
        nw_buf_printf(buf, "\n");
        nw_report_entry(buf, 2, 15, "TO BUY", text);
    }
}

static void changes(const struct nw_spacing_report *r, struct nw_buf *buf) {
    char text[400];
    if (r->has_change && isfinite(r->change_m.v)) {
        (void)snprintf(
            text, sizeof text,
            "the spacing became %+.2f +- %.2f mm longer between the two frames (%.2f %% of "
            "focal length a millimetre)",
            r->change_m.v * MM, r->change_m.sigma * MM, r->focus->scale_per_m * 0.1);
        nw_report_entry(buf, 2, 15, "CHANGE", text);
    } else if (r->has_change) {
        nw_report_entry(buf, 2, 15, "CHANGE",
                        "a corrector so near to 1x does not show its spacing in the scale");
    }
    if (r->has_response) {
        (void)snprintf(text, sizeof text,
                       "curvature goes by %+.0f +- %.0f um a millimetre; %+.2f +- %.2f mm more "
                       "spacing would take it away, if it goes on in a straight line: half of that "
                       "first, and measure again",
                       r->response.per_m.v * MM, r->response.per_m.sigma * MM,
                       r->response.more_m.v * MM, r->response.more_m.sigma * MM);
        nw_report_entry(buf, 2, 15, "CURVATURE", text);
    }
}

void nw_report_spacing_text(const struct nw_spacing_report *r, struct nw_buf *buf) {
    const struct nw_back_focus *const f = r->focus;
    char text[400];
    nw_report_title(buf, "SPACING", r->setup->corrector.name);
    nw_buf_printf(buf, "setup %s\n\n", r->setup->name);
    nw_buf_printf(buf, "  needed, shoulder to sensor  %8.2f +- %.2f mm\n", f->needed_m.v * MM,
                  f->needed_m.sigma * MM);
    nw_buf_printf(buf, "  pieces and camera           %8.2f +- %.2f mm\n", f->fixed_m.v * MM,
                  f->fixed_m.sigma * MM);
    nw_buf_printf(buf, "  for the rings               %8.2f mm\n",
                  (f->needed_m.v - f->fixed_m.v) * MM);
    nw_buf_printf(
        buf, "  rings in it now             %8.2f +- %.2f mm: %+.2f +- %.2f left over\n\n",
        f->rings_m.v * MM, f->rings_m.sigma * MM, f->error_m.v * MM, f->error_m.sigma * MM);
    rings(r, buf);
    if (isfinite(f->from_scale.v)) {
        (void)snprintf(text, sizeof text,
                       "focal lengths with and without corrector put the spacing %+.2f +- %.2f mm "
                       "from what is asked for",
                       f->from_scale.v * MM, f->from_scale.sigma * MM);
        nw_report_entry(buf, 2, 15, "BY SCALE", text);
    } else {
        nw_report_entry(buf, 2, 15, "BY SCALE", f->why_null);
    }
    changes(r, buf);
    nw_report_entry(buf, 2, 15, "CAUTION",
                    "mount parked, power and cables off, a hand under the camera before the path "
                    "is unscrewed: it hangs on these threads");
}

/* ---- JSON ---- */

static void val_mm(struct nw_json *json, json_t *o, const char *key, const struct nw_val *val) {
    char name[64];
    (void)snprintf(name, sizeof name, "%s_mm", key);
    nw_json_number(json, o, name, val->v * MM, 6);
    (void)snprintf(name, sizeof name, "%s_sigma_mm", key);
    nw_json_number(json, o, name, val->sigma * MM, 3);
}

static void set_json(const struct nw_spacing_report *r, const struct nw_ring_set *set,
                     struct nw_json *json, json_t *o) {
    char list[320];
    char path[96];
    json_t *const names = nw_json_array(json, o, "rings");
    for (size_t i = 0; i < r->rig->n_spacers; i++) {
        for (size_t k = 0; k < set->n_of[i]; k++) {
            nw_json_add_text(json, names, r->rig->spacers[i].name);
        }
    }
    nw_json_number(json, o, "length_mm", set->length_m * MM, 6);
    nw_json_number(json, o, "left_over_mm", set->error_m * MM, 4);
    nw_json_number(json, o, "sigma_mm", spread_m(r, set) * MM, 3);
    nw_back_focus_ring_list(r->rig, set, list, sizeof list);
    (void)snprintf(path, sizeof path, "setups.%.48s.rings", r->setup->name);
    nw_json_text(json, nw_json_object(json, o, "set"), path, list);
}

static void rings_json(const struct nw_spacing_report *r, struct nw_json *json) {
    json_t *const sets = nw_json_array(json, NULL, "sets");
    nw_json_number(json, NULL, "tolerance_mm", r->focus->ring_tolerance_m * MM, 4);
    if (!r->rings) {
        nw_json_null(json, NULL, "sets_fitting");
        nw_json_null(json, NULL, "to_buy_mm");
        nw_json_why(json, NULL, "sets_fitting", r->why_no_rings);
        return;
    }
    for (size_t i = 0; i < r->rings->n_sets; i++) {
        set_json(r, &r->rings->sets[i], json, nw_json_item(json, sets));
    }
    nw_json_count(json, NULL, "sets_fitting", r->rings->n_fitting);
    nw_json_number(json, NULL, "to_buy_mm", r->rings->shim_m * MM, 4);
    if (r->rings->n_sets == 0 && r->rings->below.n_rings != SIZE_MAX) {
        set_json(r, &r->rings->below, json, nw_json_object(json, NULL, "nearest_below"));
    }
    if (r->rings->n_sets == 0 && r->rings->above.n_rings != SIZE_MAX) {
        set_json(r, &r->rings->above, json, nw_json_object(json, NULL, "nearest_above"));
    }
}

enum nw_status nw_report_spacing_json(const struct nw_spacing_report *r, json_t **ret,
                                      struct nw_err *err) {
    const struct nw_back_focus *const f = r->focus;
    struct nw_json json;
    nw_json_begin(&json, "spacing", 1);
    nw_json_text(&json, NULL, "setup", r->setup->name);
    val_mm(&json, NULL, "needed", &f->needed_m);
    val_mm(&json, NULL, "pieces_and_camera", &f->fixed_m);
    val_mm(&json, NULL, "rings_now", &f->rings_m);
    val_mm(&json, NULL, "left_over", &f->error_m);
    val_mm(&json, NULL, "left_over_by_scale", &f->from_scale);
    if (!isfinite(f->from_scale.v)) {
        nw_json_why(&json, NULL, "left_over_by_scale_mm", f->why_null);
    }
    nw_json_number(&json, NULL, "focal_length_percent_per_mm", f->scale_per_m * 0.1, 4);
    rings_json(r, &json);
    const struct nw_val none = {NAN, NAN, NW_FROM_UNKNOWN};
    val_mm(&json, NULL, "change", r->has_change ? &r->change_m : &none);
    if (!r->has_change) {
        nw_json_why(&json, NULL, "change_mm", "no focal lengths before and after were given");
    } else if (!isfinite(r->change_m.v)) {
        nw_json_why(&json, NULL, "change_mm", "a corrector so near to 1x does not show it");
    }
    const struct nw_val *const per_m = r->has_response ? &r->response.per_m : &none;
    nw_json_number(&json, NULL, "curvature_um_per_mm", per_m->v * MM, 4);
    nw_json_number(&json, NULL, "curvature_sigma_um_per_mm", per_m->sigma * MM, 3);
    val_mm(&json, NULL, "more_for_no_curvature", r->has_response ? &r->response.more_m : &none);
    if (!r->has_response) {
        nw_json_why(&json, NULL, "curvature_um_per_mm",
                    "needs curvature before and after a known change of spacing");
    }
    return nw_json_end(&json, ret, err);
}
