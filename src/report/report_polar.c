/* report_polar.c - see report_polar.h */
#include "report/report_polar.h"

#include <math.h>

#define ARCMIN (NW_ARCSEC_PER_RAD / 60.0)

/* One screw of the mount; NULL: no rig. */
struct screw {
    const char *name;
    double per_turn_rad;
    const char *clockwise, *word_plus; /* where a clockwise turn goes; what + is called */
};

/* "; the azimuth screw 0.12 of a turn (43 deg) clockwise" to take value_rad away. */
static void screw_words(char *text, size_t size, const struct screw *screw, double value_rad) {
    const double turns = fabs(value_rad) / screw->per_turn_rad;
    text[0] = '\0';
    if (!(screw->per_turn_rad > 0.0)) {
        return;
    }
    const bool is_unsaid = strcmp(screw->clockwise, "unsaid") == 0;
    const bool raises = strcmp(screw->clockwise, screw->word_plus) == 0;
    (void)snprintf(text, size, ", the %s screw %.2f of a turn (%.0f deg)%s", screw->name, turns,
                   turns * 360.0,
                   is_unsaid                     ? ", which way the rig file does not say"
                   : raises == (value_rad < 0.0) ? " clockwise"
                                                 : " anticlockwise");
}

/* "2.3 +- 0.2 arcmin too far east: turn it west by that" */
static void component(char *text, size_t size, double value_rad, double sigma_rad,
                      const char *const words[2], const char *const turns[2],
                      const struct screw *screw) {
    char number[48];
    char by_screw[160];
    const int way = value_rad < 0.0;
    const bool is_sure = fabs(value_rad) > 2.0 * sigma_rad;
    screw_words(by_screw, sizeof by_screw, screw, value_rad);
    (void)snprintf(
        text, size, "%s arcmin %s%s%s%s",
        nw_report_pm(number, sizeof number, fabs(value_rad) * ARCMIN, sigma_rad * ARCMIN),
        words[way], is_sure ? ": turn the axis " : "", is_sure ? turns[way] : ", within its error",
        is_sure ? by_screw : "");
}

static struct screw azimuth_screw(const struct nw_mount *mount) {
    return (struct screw){"azimuth", mount ? mount->azimuth_per_turn_rad.v : NAN,
                          mount ? mount->azimuth_clockwise : "unsaid", "east"};
}

static struct screw altitude_screw(const struct nw_mount *mount) {
    return (struct screw){"altitude", mount ? mount->altitude_per_turn_rad.v : NAN,
                          mount ? mount->altitude_clockwise : "unsaid", "up"};
}

/* "declination drift over 12 stretches of 3 pointings and the turn of 20 frames" */
static void sources(const struct nw_polar *p, char *text, size_t size) {
    char drifts[120] = "";
    if (p->n_drifts > 0) {
        (void)snprintf(drifts, sizeof drifts,
                       "declination drift over %zu stretches of %zu pointing%s", p->n_drifts,
                       p->n_pointings, p->n_pointings == 1 ? "" : "s");
    }
    if (p->n_turns > 0) {
        (void)snprintf(text, size, "%s%sthe turn of %zu frames", drifts, drifts[0] ? " and " : "",
                       p->n_turns);
    } else {
        nw_text_copy(text, size, drifts);
    }
}

#define FLEXURE_SIGMAS 2.5 /* of two components: a chance of 4 % of more by noise alone */

/* ---- Flexure -------------------------------------------------------------------------------- */

static void one_flexure(const struct nw_flexure_report *f, bool is_several, struct nw_buf *text) {
    char line[700];
    char number[48];
    char head[48] = "Flexure between guide and main telescope";
    if (is_several) {
        (void)snprintf(head, sizeof head, "Flexure, run %zu", f->run + 1);
    }
    const double per_h = NW_ARCSEC_PER_RAD * 3600.0;
    const struct nw_flexure *const x = &f->flexure;
    if (x->why_null[0]) {
        (void)snprintf(line, sizeof line, "%s: not told; %s.", head,
                       f->lie.why_null[0] && !isfinite(f->lie.angle_rad) ? f->lie.why_null
                                                                         : x->why_null);
    } else {
        const double sigma = fmax(x->east_sigma_rad_s, x->north_sigma_rad_s);
        const bool is_told = x->rate_rad_s > FLEXURE_SIGMAS * sigma;
        char way[80] = ", within its error of none";
        if (is_told) {
            (void)snprintf(
                way, sizeof way, " towards position angle %.0f deg (east %.1f, north %.1f)",
                x->direction_rad * NW_DEG_PER_RAD, x->east_rad_s * per_h, x->north_rad_s * per_h);
        }
        (void)snprintf(
            line, sizeof line,
            "%s: %s arcsec/h%s, from %zu frames; refraction and the turn about the guide star "
            "taken off. In a sub of %.0f s it smears %.2f arcsec end to end%s.%s",
            head,
            nw_report_pm(number, sizeof number, x->rate_rad_s * per_h,
                         is_told ? x->rate_sigma_rad_s * per_h : sigma * per_h),
            way, x->n_frames, f->sub_s,
            (is_told ? x->rate_rad_s : x->rate_rad_s + 2.0 * sigma) * f->sub_s * NW_ARCSEC_PER_RAD,
            is_told ? "" : " at most",
            !f->is_guide_known && hypot(x->air_rad_s, x->turn_rad_s) > 0.5 * sigma
                ? " Its error is mostly that nobody says where the guide star stands: --guide-star."
                : "");
    }
    nw_report_paragraph(text, 2, line);
}

static void flexure_text(const struct nw_polar_report *r, struct nw_buf *text) {
    for (size_t i = 0; i < r->n_flexures; i++) {
        one_flexure(&r->flexures[i], r->n_flexures > 1, text);
    }
    if (r->n_frames > 0 && r->n_flexures == 0) {
        char line[300];
        (void)snprintf(line, sizeof line, "Flexure: not told; %s.", r->why_no_flexure);
        nw_report_paragraph(text, 2, line);
    }
}

static void flexure_json(const struct nw_polar_report *r, struct nw_json *json) {
    const double per_h = NW_ARCSEC_PER_RAD * 3600.0;
    if (r->n_frames == 0) {
        return;
    }
    json_t *const list = nw_json_array(json, NULL, "flexure");
    for (size_t i = 0; i < r->n_flexures; i++) {
        const struct nw_flexure *const x = &r->flexures[i].flexure;
        const struct nw_camera_lie *const lie = &r->flexures[i].lie;
        json_t *const o = nw_json_item(json, list);
        nw_json_count(json, o, "run", r->flexures[i].run + 1);
        nw_json_count(json, o, "frames", x->n_frames);
        nw_json_number(json, o, "arcsec_per_h", x->rate_rad_s * per_h, 5);
        nw_json_number(json, o, "sigma_arcsec_per_h", x->rate_sigma_rad_s * per_h, 3);
        nw_json_number(json, o, "east_arcsec_per_h", x->east_rad_s * per_h, 5);
        nw_json_number(json, o, "north_arcsec_per_h", x->north_rad_s * per_h, 5);
        nw_json_number(json, o, "east_sigma_arcsec_per_h", x->east_sigma_rad_s * per_h, 3);
        nw_json_number(json, o, "north_sigma_arcsec_per_h", x->north_sigma_rad_s * per_h, 3);
        nw_json_number(json, o, "air_taken_off_arcsec_per_h", x->air_rad_s * per_h, 3);
        nw_json_number(json, o, "turn_taken_off_arcsec_per_h", x->turn_rad_s * per_h, 3);
        nw_json_number(json, o, "scatter_arcsec", x->scatter_rad * NW_ARCSEC_PER_RAD, 3);
        nw_json_number(json, o, "camera_angle_deg", lie->angle_rad * NW_DEG_PER_RAD, 5);
        nw_json_number(json, o, "camera_angle_sigma_deg", lie->angle_sigma_rad * NW_DEG_PER_RAD, 3);
        nw_json_bool(json, o, "is_mirrored", lie->is_mirrored);
        if (x->why_null[0]) {
            nw_json_text(json, o, "why_null", x->why_null);
        }
    }
}

void nw_report_polar_text(const struct nw_polar_report *r, struct nw_buf *text) {
    static const char *const AZIMUTH[2] = {"too far east", "too far west"};
    static const char *const AZIMUTH_TURN[2] = {"west by that", "east by that"};
    static const char *const ALTITUDE[2] = {"too high", "too low"};
    static const char *const ALTITUDE_TURN[2] = {"down by that", "up by that"};
    char line[600];
    char part[300];
    if (!r->is_solved) {
        (void)snprintf(line, sizeof line, "Polar axis: not told; %s.", r->why);
        nw_report_paragraph(text, 2, line);
        flexure_text(r, text);
        return;
    }
    const struct nw_polar *const p = &r->polar;
    const struct screw azimuth = azimuth_screw(r->mount);
    const struct screw altitude = altitude_screw(r->mount);
    sources(p, part, sizeof part);
    (void)snprintf(
        line, sizeof line,
        "Polar axis, upper (%s) end against the true pole, from %s, air taken off%s%s%s:",
        r->is_south ? "south" : "north", part, r->air_from ? " (" : "", r->air_words,
        r->air_from ? ")" : "");
    nw_report_paragraph(text, 2, line);
    if (isfinite(p->azimuth_rad)) {
        component(part, sizeof part, p->azimuth_rad, p->azimuth_sigma_rad, AZIMUTH, AZIMUTH_TURN,
                  &azimuth);
        (void)snprintf(line, sizeof line, "azimuth %s", part);
    } else {
        (void)snprintf(line, sizeof line, "azimuth not told: %s", p->why_azimuth);
    }
    nw_report_paragraph(text, 4, line);
    if (isfinite(p->altitude_rad)) {
        component(part, sizeof part, p->altitude_rad, p->altitude_sigma_rad, ALTITUDE,
                  ALTITUDE_TURN, &altitude);
        (void)snprintf(
            line, sizeof line,
            "altitude %s (the refracted pole stands %.1f arcmin higher than the true one)", part,
            p->refraction_rad * ARCMIN);
    } else {
        (void)snprintf(line, sizeof line, "altitude not told: %s", p->why_altitude);
    }
    nw_report_paragraph(text, 4, line);
    if (!isfinite(p->azimuth_rad) || !isfinite(p->altitude_rad)) {
        char number[48];
        (void)snprintf(
            line, sizeof line,
            "told best: %s arcmin towards %.0f deg, counted from up through east. Logs at "
            "other hour angles (three, hours apart) tell the rest.",
            nw_report_pm(number, sizeof number, p->best_rad * ARCMIN, p->best_sigma_rad * ARCMIN),
            p->best_direction_rad * NW_DEG_PER_RAD);
        nw_report_paragraph(text, 4, line);
    }
    flexure_text(r, text);
}

enum nw_status nw_report_polar_json(const struct nw_polar_report *r, json_t *document,
                                    struct nw_err *err) {
    static const struct nw_polar NOTHING = {.azimuth_rad = NAN,
                                            .altitude_rad = NAN,
                                            .azimuth_sigma_rad = NAN,
                                            .altitude_sigma_rad = NAN,
                                            .covariance_rad2 = NAN,
                                            .best_rad = NAN,
                                            .best_sigma_rad = NAN,
                                            .best_direction_rad = NAN,
                                            .refraction_rad = NAN};
    const struct nw_polar *const p = r->is_solved ? &r->polar : &NOTHING;
    struct nw_json json = {.root = document};
    json_t *const o = nw_json_object(&json, NULL, "polar_error");
    nw_json_number(&json, o, "azimuth_arcmin", p->azimuth_rad * ARCMIN, 5);
    nw_json_number(&json, o, "altitude_arcmin", p->altitude_rad * ARCMIN, 5);
    nw_json_number(&json, o, "azimuth_sigma_arcmin", p->azimuth_sigma_rad * ARCMIN, 3);
    nw_json_number(&json, o, "altitude_sigma_arcmin", p->altitude_sigma_rad * ARCMIN, 3);
    nw_json_number(&json, o, "covariance_arcmin2", p->covariance_rad2 * ARCMIN * ARCMIN, 4);
    nw_json_number(&json, o, "best_arcmin", p->best_rad * ARCMIN, 5);
    nw_json_number(&json, o, "best_sigma_arcmin", p->best_sigma_rad * ARCMIN, 3);
    nw_json_number(&json, o, "best_direction_deg", p->best_direction_rad * NW_DEG_PER_RAD, 4);
    nw_json_number(&json, o, "refraction_arcmin", p->refraction_rad * ARCMIN, 4);
    nw_json_text(&json, o, "pole", "true");
    json_t *const from = nw_json_array(&json, o, "from");
    if (r->is_solved && r->polar.n_drifts > 0) {
        nw_json_add_text(&json, from, "drift");
    }
    if (r->is_solved && r->polar.n_turns > 0) {
        nw_json_add_text(&json, from, "rotation");
    }
    if (r->air_from) {
        json_t *const air = nw_json_object(&json, o, "air");
        nw_json_text(&json, air, "from", r->air_from);
        nw_json_number(&json, air, "pressure_hpa", r->air.pressure_Pa / 100.0, 5);
        nw_json_number(&json, air, "temperature_c", r->air.temperature_K - NW_ZERO_CELSIUS_K, 4);
    }
    nw_json_text(&json, o, "why_null",
                 !r->is_solved                ? r->why
                 : !isfinite(p->azimuth_rad)  ? p->why_azimuth
                 : !isfinite(p->altitude_rad) ? p->why_altitude
                                              : NULL);
    flexure_json(r, &json);
    return json.is_failed ? nw_err_set(err, NW_NOMEM, "polar error") : NW_OK;
}
