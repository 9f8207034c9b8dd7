/* surface_json.c - the document of `surface`. */
#include "report/report_surface.h"

#include <math.h>

#define UM 1e6

static const char *const COMPENSATION[] = {"cannot tell", "not seen", "acting"};

/* Why heights are not in micrometres; NULL when they are. */
static const char *why_not_metric(const struct nw_surface_report *r) {
    const struct nw_surface *const s = r->surface;
    if (s->is_metric) {
        return NULL;
    }
    if (s->method == NW_SURFACE_SINGLE) {
        return "one frame: focal ratio and pixel size must be known (rig file, --f-ratio, --pixel, "
               "or FOCALLEN, APTDIA, XPIXSZ in the header)";
    }
    if (s->method == NW_SURFACE_PAIR) {
        return "a pair needs the focuser's step (rig file or --step) and the focal ratio and pixel "
               "size; a sweep does without the latter two";
    }
    return "the focuser's step is not known (rig file or --step); heights are in steps";
}

static void put_um(struct nw_json *json, const struct nw_surface_report *r, json_t *object,
                   const char *key, double value_m) {
    nw_json_number(json, object, key, r->surface->is_metric ? value_m * UM : NAN, 5);
}

static void put_heights(struct nw_json *json, const struct nw_surface_report *r) {
    static const char *const NAMES[NW_SURFACE_N] = {"z0", "a", "b", "c"};
    const struct nw_surface *const s = r->surface;
    char key[32];
    for (size_t i = 0; i < NW_SURFACE_N; i++) {
        (void)snprintf(key, sizeof key, "%s_um", NAMES[i]);
        put_um(json, r, NULL, key, s->z[i]);
        if (!s->is_metric) {
            nw_json_why(json, NULL, key, why_not_metric(r));
        }
    }
    for (size_t i = 0; i < NW_SURFACE_N; i++) {
        (void)snprintf(key, sizeof key, "%s_sigma_um", NAMES[i]);
        put_um(json, r, NULL, key, sqrt(s->cov[i][i]));
    }
    if (!s->is_metric && s->is_scale_known) {
        for (size_t i = 0; i < NW_SURFACE_N; i++) {
            (void)snprintf(key, sizeof key, "%s_steps", NAMES[i]);
            nw_json_number(json, NULL, key, s->z[i], 5);
            (void)snprintf(key, sizeof key, "%s_sigma_steps", NAMES[i]);
            nw_json_number(json, NULL, key, sqrt(s->cov[i][i]), 3);
        }
    }
    nw_json_bool(json, NULL, "sign_known", s->is_sign_known);
    nw_json_number(json, NULL, "scale_sigma_percent",
                   s->scale_sigma > 0.0 ? 100.0 * s->scale_sigma : NAN, 3);
    nw_json_number(json, NULL, "misfit_sigmas", s->misfit, 3);
    nw_json_number(json, NULL, "corner_growth_percent", 100.0 * s->growth, 3);
    nw_json_number(json, NULL, "corner_growth_sigma_percent", 100.0 * s->growth_sigma, 2);
}

static void put_focuser(struct nw_json *json, const struct nw_surface_report *r) {
    const struct nw_surface *const s = r->surface;
    nw_json_number(json, NULL, "um_per_step_at_sensor", s->step_m * UM, 5);
    nw_json_number(json, NULL, "um_per_step_from_blur", s->step_measured_m * UM, 4);
    nw_json_number(json, NULL, "um_per_step_from_blur_sigma", s->step_measured_sigma_m * UM, 2);
    nw_json_number(json, NULL, "magnification_squared",
                   r->is_travel_assumed ? NAN : r->travel_factor, 5);
    if (r->is_travel_assumed) {
        nw_json_why(json, NULL, "magnification_squared",
                    "what the focuser carries is in the rig file (--rig)");
    }
    nw_json_number(json, NULL, "reference_position", s->position_ref, 7);
    nw_json_number(json, NULL, "best_position", s->best_position, 7);
    nw_json_number(json, NULL, "best_position_sigma", s->best_position_sigma, 3);
    if (!isfinite(s->best_position)) {
        nw_json_why(json, NULL, "best_position",
                    s->method == NW_SURFACE_SINGLE
                        ? "one frame does not say on which side of focus it is"
                        : "focuser positions are not known");
    }
    put_um(json, r, NULL, "focuser_backlash_um", s->backlash);
    put_um(json, r, NULL, "focuser_backlash_sigma_um", s->backlash_sigma);
    if (!isfinite(s->backlash)) {
        nw_json_why(json, NULL, "focuser_backlash_um",
                    "needs a sweep with at least three frames reached from each side");
    }
    json_t *const c = nw_json_object(json, NULL, "temperature_compensation");
    nw_json_text(json, c, "verdict", COMPENSATION[s->compensation]);
    nw_json_number(json, c, "off_regular_row_steps", s->compensation_steps, 3);
    nw_json_number(json, c, "temperature_range_k", s->temperature_range_K, 3);
}

static void put_tilt(struct nw_json *json, const struct nw_surface_report *r) {
    const struct nw_surface *const s = r->surface;
    put_um(json, r, NULL, "tilt_corner_to_corner_um", s->tilt);
    put_um(json, r, NULL, "tilt_corner_to_corner_sigma_um", s->tilt_sigma);
    nw_json_number(json, NULL, "tilt_direction_deg", s->tilt_direction_rad * NW_DEG_PER_RAD, 4);
    nw_json_number(json, NULL, "tilt_direction_sigma_deg",
                   s->tilt_direction_sigma_rad * NW_DEG_PER_RAD, 2);
    if (!isfinite(s->tilt_direction_rad)) {
        nw_json_why(json, NULL, "tilt_direction_deg",
                    "the tilt is not seen beyond its error (2.5 sigmas; of one frame 5)");
    }
    nw_json_text(json, NULL, "tilt_of", "best sensor plane: sensor, focuser and decentre together");
}

static void put_depth(struct nw_json *json, const struct nw_surface_report *r) {
    const struct nw_surface *const s = r->surface;
    nw_json_number(json, NULL, "depth_of_focus_um", s->depth_of_focus_m * UM, 4);
    nw_json_number(json, NULL, "depth_of_focus_travel_um",
                   s->depth_of_focus_m / r->travel_factor * UM, 4);
    nw_json_text(json, NULL, "depth_rule", "quarter wave: +- 2 lambda N^2");
    if (!isfinite(s->depth_of_focus_m)) {
        nw_json_why(json, NULL, "depth_of_focus_um", "the focal ratio is not known");
    }
}

static void put_wavefront(struct nw_json *json, const struct nw_surface_report *r) {
    const struct nw_wavefront *const w = &r->surface->wavefront;
    nw_json_number(json, NULL, "astigmatism_um", w->astigmatism_m * UM, 4);
    nw_json_number(json, NULL, "astigmatism_sigma_um", w->astigmatism_sigma_m * UM, 2);
    nw_json_number(json, NULL, "astigmatism_skew_um", w->skew_m * UM, 3);
    nw_json_number(json, NULL, "coma_um", w->coma_m * UM, 3);
    nw_json_number(json, NULL, "coma_sigma_um", w->coma_sigma_m * UM, 2);
    nw_json_text(json, NULL, "coma_note",
                 "length of the figure at the corner; lateral colour looks the same");
    if (!isfinite(w->astigmatism_m)) {
        nw_json_why(json, NULL, "astigmatism_um",
                    "needs defocus in micrometres, focal ratio, pixel and 15 cells with shapes");
    }
    if (!isfinite(w->coma_m)) {
        nw_json_why(json, NULL, "coma_um", "as astigmatism_um");
    }
    static const char *const KEYS[] = {"astigmatism_centre", "coma_centre"};
    const double *const centres[] = {w->centre, w->coma_centre};
    const double sigmas[] = {w->centre_sigma, w->coma_centre_sigma};
    for (size_t i = 0; i < 2; i++) {
        json_t *const o = nw_json_object(json, NULL, KEYS[i]);
        nw_json_number(json, o, "u", centres[i][0], 3);
        nw_json_number(json, o, "v", centres[i][1], 3);
        nw_json_number(json, o, "sigma", sigmas[i], 2);
    }
    json_t *const o = nw_json_object(json, NULL, "plane_of_decentre");
    nw_json_number(json, o, "a_um", w->decentre_a * UM, 4);
    nw_json_number(json, o, "b_um", w->decentre_b * UM, 4);
    nw_json_number(json, o, "sigma_um", w->decentre_sigma * UM, 3);
    if (!isfinite(w->decentre_a)) {
        nw_json_why(json, o, "a_um", "no centre of the astigmatism known to 0.25 half diagonals");
    }
}

static void put_baseline(struct nw_json *json, const struct nw_surface_report *r) {
    const struct nw_surface *const s = r->surface;
    if (!r->baseline) {
        return;
    }
    json_t *const o = nw_json_object(json, NULL, "since_baseline");
    const bool is_known = s->is_metric && s->is_sign_known;
    const double da_m = s->z[NW_SURFACE_A] - r->baseline->a_m;
    const double db_m = s->z[NW_SURFACE_B] - r->baseline->b_m;
    nw_json_number(json, o, "a_um", is_known ? da_m * UM : NAN, 4);
    nw_json_number(json, o, "b_um", is_known ? db_m * UM : NAN, 4);
    nw_json_number(json, o, "baseline_sigma_um", r->baseline->slope_sigma_m * UM, 3);
    if (!is_known) {
        nw_json_why(json, o, "a_um", "the baseline does not tell this frame's sign");
    }
}

static void put_frames(struct nw_json *json, const struct nw_surface_report *r) {
    const struct nw_surface *const s = r->surface;
    json_t *const frames = nw_json_array(json, NULL, "frames");
    for (size_t i = 0; i < s->n_frames; i++) {
        const struct nw_surface_frame *const f = &s->frames[i];
        json_t *const item = nw_json_item(json, frames);
        nw_json_text(json, item, "path", r->frames[f->index].path);
        nw_json_bool(json, item, "used", f->is_used);
        nw_json_text(json, item, "refused_because", f->why);
        nw_json_number(json, item, "position", r->frames[f->index].position_steps, 7);
        put_um(json, r, item, "place_um", f->place);
        nw_json_number(json, item, "width_without_defocus_px", f->width_px, 4);
        nw_json_number(json, item, "misfit_sigmas", f->misfit, 3);
    }
}

static void put_zones(struct nw_json *json, const struct nw_surface_report *r) {
    const struct nw_surface *const s = r->surface;
    json_t *const zones = nw_json_array(json, NULL, "zones");
    for (size_t i = 0; i < s->n_cells; i++) {
        json_t *const zone = nw_json_item(json, zones);
        nw_json_number(json, zone, "u", s->cells[i].u, 4);
        nw_json_number(json, zone, "v", s->cells[i].v, 4);
        put_um(json, r, zone, "best_um", s->cells[i].best);
        put_um(json, r, zone, "sigma_um", s->cells[i].sigma);
        if (!s->is_metric && s->is_scale_known) {
            nw_json_number(json, zone, "best_steps", s->cells[i].best, 5);
            nw_json_number(json, zone, "sigma_steps", s->cells[i].sigma, 3);
        }
        nw_json_number(json, zone, "min_half_light_px", s->cells[i].r_min_px, 4);
    }
}

enum nw_status nw_report_surface_json(const struct nw_surface_report *r, json_t **ret,
                                      struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "surface", 1);
    nw_json_text(&json, NULL, "method", nw_surface_method_name(r->surface->method));
    nw_json_text(&json, NULL, "at", "sensor");
    nw_json_count(&json, NULL, "frames_used", r->surface->n_used);
    put_heights(&json, r);
    put_focuser(&json, r);
    put_tilt(&json, r);
    put_depth(&json, r);
    put_wavefront(&json, r);
    put_baseline(&json, r);
    put_frames(&json, r);
    put_zones(&json, r);
    nw_report_parts_json(r, &json);
    nw_report_shims_json(r, &json);
    json_t *const cannot = nw_json_array(&json, NULL, "cannot_tell");
    const char *text = NULL;
    for (size_t i = 0; (text = nw_report_surface_cannot_tell(r, i)); i++) {
        nw_json_add_text(&json, cannot, text);
    }
    return nw_json_end(&json, ret, err);
}
