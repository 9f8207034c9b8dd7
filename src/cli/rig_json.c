/* rig_json.c - what was understood of a rig file, and the table of keys, as JSON. */
#include <math.h>

#include "cli/rig_internal.h"
#include "report/report.h"

#define ARCSEC (1.0 / NW_ARCSEC_PER_RAD)

static void put_value(struct nw_json *json, json_t *object, const char *key, const char *unit,
                      const struct nw_val *val, double unit_si) {
    char name[64];
    (void)snprintf(name, sizeof name, "%s%s", key, unit);
    nw_json_number(json, object, name, val->v / unit_si, 9);
    (void)snprintf(name, sizeof name, "%s_sigma%s", key, unit);
    nw_json_number(json, object, name, val->sigma / unit_si, 3);
    (void)snprintf(name, sizeof name, "%s_from", key);
    nw_json_text(json, object, name, nw_from_name(val->from));
}

static void put_site(struct nw_json *json, const struct nw_rig *rig) {
    const struct nw_site *const site = &rig->site;
    json_t *const s = nw_json_object(json, NULL, "site");
    nw_json_text(json, s, "name", site->name);
    put_value(json, s, "latitude", "_deg", &site->latitude_rad, NW_RAD_PER_DEG);
    put_value(json, s, "longitude", "_deg", &site->longitude_rad, NW_RAD_PER_DEG);
    put_value(json, s, "elevation", "_m", &site->elevation_m, 1.0);
    put_value(json, s, "seeing", "_arcsec", &site->seeing_rad, ARCSEC);
    put_value(json, s, "outer_scale", "_m", &site->outer_scale_m, 1.0);
    put_value(json, s, "local_air", "_arcsec", &site->local_air_rad, ARCSEC);
    put_value(json, s, "sky_brightness", "_mag_arcsec2", &site->sky_brightness_mag_arcsec2, 1.0);
    put_value(json, s, "pressure", "_hPa", &site->pressure_Pa, 100.0);
    json_t *const m = nw_json_object(json, NULL, "mount");
    nw_json_text(json, m, "name", rig->mount.name);
    put_value(json, m, "motion_ra", "_arcsec", &rig->mount.motion_ra_rad, ARCSEC);
    put_value(json, m, "motion_dec", "_arcsec", &rig->mount.motion_dec_rad, ARCSEC);
    put_value(json, m, "flexure", "_arcsec_h", &rig->mount.flexure_rad_s, ARCSEC / 3600.0);
    put_value(json, m, "polar_error", "_arcmin", &rig->mount.polar_error_rad,
              NW_RAD_PER_DEG / 60.0);
}

static void put_parts(struct nw_json *json, json_t *o, const struct nw_setup *s) {
    nw_json_text(json, o, "telescope", s->telescope.name);
    put_value(json, o, "aperture", "_mm", &s->telescope.aperture_m, 1e-3);
    nw_json_text(json, o, "corrector", s->has_corrector ? s->corrector.name : NULL);
    nw_json_text(json, o, "focuser", s->has_focuser ? s->focuser.name : NULL);
    nw_json_text(json, o, "filter", s->filter.name);
    put_value(json, o, "filter_centre", "_nm", &s->filter.centre_m, 1e-9);
    put_value(json, o, "filter_width", "_nm", &s->filter.width_m, 1e-9);
    nw_json_text(json, o, "camera", s->camera.name);
    put_value(json, o, "pixel", "_um", &s->camera.pixel_m, 1e-6);
    nw_json_count(json, o, "width_px", s->camera.width_px);
    nw_json_count(json, o, "height_px", s->camera.height_px);
    nw_json_text(json, o, "pattern", s->camera.pattern);
    nw_json_text(json, o, "guide_telescope", s->has_guide ? s->guide_telescope.name : NULL);
    nw_json_text(json, o, "guide_camera", s->has_guide ? s->guide_camera.name : NULL);
}

static void put_setup(struct nw_json *json, const struct nw_setup *s) {
    json_t *const o = nw_json_object(json, NULL, "setup");
    const double n = nw_setup_f_ratio(s);
    nw_json_text(json, o, "name", s->name);
    put_parts(json, o, s);
    put_value(json, o, "focal_length", "_mm", &s->focal_length_m, 1e-3);
    nw_json_number(json, o, "f_ratio", n, 6);
    nw_json_number(json, o, "scale_arcsec_px", nw_setup_scale_rad(s) / ARCSEC, 9);
    /* +- 2 lambda N^2 (Born & Wolf, Principles of Optics, sec. 9.3) */
    nw_json_number(json, o, "depth_of_focus_um", 2e6 * s->filter.centre_m.v * n * n, 6);
    put_value(json, o, "sub_length", "_s", &s->sub_length_s, 1.0);
    put_value(json, o, "focus_interval", "_s", &s->focus_interval_s, 1.0);
    put_value(json, o, "airmass", "", &s->airmass, 1.0);
    nw_json_text(json, o, "resampling", s->resampling);
    put_value(json, o, "tilt", "_um", &s->tilt_m, 1e-6);
    put_value(json, o, "curvature", "_um", &s->curvature_m, 1e-6);
    json_t *const changes = nw_json_array(json, o, "changes");
    for (size_t i = 0; i < s->n_changes; i++) {
        json_t *const change = nw_json_item(json, changes);
        nw_json_text(json, change, "name", s->changes[i].name);
        nw_json_text(json, change, "effort", s->changes[i].effort);
    }
}

enum nw_status cli_rig_json(const struct nw_rig *rig, const struct nw_setup *setup, json_t **ret,
                            struct nw_err *err) {
    struct nw_json json;
    nw_json_begin(&json, "rig", 1);
    nw_json_text(&json, NULL, "rig", rig->name);
    nw_json_text(&json, NULL, "path", rig->path);
    json_t *const names = nw_json_array(&json, NULL, "setups");
    for (size_t i = 0; i < rig->n_setups; i++) {
        nw_json_add_text(&json, names, rig->setups[i].name);
    }
    put_site(&json, rig);
    put_setup(&json, setup);
    json_t *const list = nw_json_array(&json, NULL, "assumptions");
    for (size_t i = 0; i < rig->n_assumptions; i++) {
        json_t *const a = nw_json_item(&json, list);
        nw_json_text(&json, a, "path", rig->assumptions[i].path);
        nw_json_text(&json, a, "value", rig->assumptions[i].value);
        nw_json_text(&json, a, "why", rig->assumptions[i].why);
    }
    return nw_json_end(&json, ret, err);
}

enum nw_status cli_rig_keys_json(json_t **ret, struct nw_err *err) {
    struct nw_json json;
    struct nw_rig_key_info key;
    nw_json_begin(&json, "rig-keys", 1);
    json_t *const keys = nw_json_array(&json, NULL, "keys");
    for (size_t i = 0; nw_rig_key_at(i, &key); i++) {
        json_t *const item = nw_json_item(&json, keys);
        nw_json_text(&json, item, "path", key.path);
        nw_json_text(&json, item, "holds", key.holds);
        nw_json_bool(&json, item, "required", key.is_required);
        nw_json_text(&json, item, "left_out", key.left_out);
        nw_json_text(&json, item, "meaning", key.meaning);
    }
    return nw_json_end(&json, ret, err);
}
