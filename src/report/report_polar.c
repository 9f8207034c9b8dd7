/* report_polar.c - see report_polar.h */
#include "report/report_polar.h"

#include <math.h>

#define ARCMIN (NW_ARCSEC_PER_RAD / 60.0)

/* "2.3 +- 0.2 arcmin too far east: turn it west by that" */
static void component(char *text, size_t size, double value_rad, double sigma_rad,
                      const char *const words[2], const char *const turns[2]) {
    char number[48];
    const int way = value_rad < 0.0;
    (void)snprintf(
        text, size, "%s arcmin %s%s%s",
        nw_report_pm(number, sizeof number, fabs(value_rad) * ARCMIN, sigma_rad * ARCMIN),
        words[way], fabs(value_rad) > 2.0 * sigma_rad ? ": turn the axis " : "",
        fabs(value_rad) > 2.0 * sigma_rad ? turns[way] : ", within its error");
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
        return;
    }
    const struct nw_polar *const p = &r->polar;
    (void)snprintf(line, sizeof line,
                   "Polar axis, upper (%s) end against the true pole, from declination drift over "
                   "%zu stretches of %zu pointing%s, air taken off:",
                   r->is_south ? "south" : "north", p->n_drifts, p->n_pointings,
                   p->n_pointings == 1 ? "" : "s");
    nw_report_paragraph(text, 2, line);
    if (isfinite(p->azimuth_rad)) {
        component(part, sizeof part, p->azimuth_rad, p->azimuth_sigma_rad, AZIMUTH, AZIMUTH_TURN);
        (void)snprintf(line, sizeof line, "azimuth %s", part);
    } else {
        (void)snprintf(line, sizeof line, "azimuth not told: %s", p->why_azimuth);
    }
    nw_report_paragraph(text, 4, line);
    if (isfinite(p->altitude_rad)) {
        component(part, sizeof part, p->altitude_rad, p->altitude_sigma_rad, ALTITUDE,
                  ALTITUDE_TURN);
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
    if (r->is_solved) {
        nw_json_add_text(&json, from, "drift");
    }
    nw_json_text(&json, o, "why_null",
                 !r->is_solved                ? r->why
                 : !isfinite(p->azimuth_rad)  ? p->why_azimuth
                 : !isfinite(p->altitude_rad) ? p->why_altitude
                                              : NULL);
    return json.is_failed ? nw_err_set(err, NW_NOMEM, "polar error") : NW_OK;
}
