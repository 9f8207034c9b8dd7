/* report_sensor_json.c - the document nightwright.sensor.1. */
#include "report/report_sensor.h"

#include <math.h>

/* "key": value and "sigma key": error, with the reason where it is null. */
static void put(struct nw_json *json, json_t *object, const char *key, const char *sigma_key,
                const struct nw_sensor_value *v) {
    nw_json_number(json, object, key, v->v, 7);
    nw_json_number(json, object, sigma_key, v->sigma, 3);
    if (!isfinite(v->v)) {
        nw_json_why(json, object, key, v->why_null[0] ? v->why_null : "not measured");
    }
}

static void put_dark(struct nw_json *json, json_t *array, const struct nw_sensor_dark *d) {
    json_t *const o = nw_json_item(json, array);
    nw_json_number(json, o, "temperature_c", d->temperature_K - NW_ZERO_CELSIUS_K, 4);
    nw_json_count(json, o, "frames", d->n_frames);
    nw_json_count(json, o, "exposures", d->n_exposures);
    nw_json_number(json, o, "longest_s", d->longest_s, 6);
    put(json, o, "dark_e_per_s", "dark_sigma_e_per_s", &d->dark_e_s);
    put(json, o, "by_level_e_per_s", "by_level_sigma_e_per_s", &d->slope_e_s);
    put(json, o, "by_noise_e_per_s", "by_noise_sigma_e_per_s", &d->variance_e_s);
    nw_json_text(json, o, "taken",
                 !isfinite(d->dark_e_s.v) ? NULL
                 : d->is_from_variance    ? "noise"
                                          : "level");
    nw_json_bool(json, o, "level_is_clamped", d->is_clamped);
}

static void put_camera(struct nw_json *json, const struct nw_sensor *s) {
    put(json, NULL, "gain_e_per_adu", "gain_sigma_e_per_adu", &s->gain_e_per_adu);
    put(json, NULL, "read_noise_e", "read_noise_sigma_e", &s->read_noise_e);
    put(json, NULL, "offset_adu", "offset_sigma_adu", &s->offset_adu);
    put(json, NULL, "offset_wander_e", "offset_wander_sigma_e", &s->offset_drift_e);
    put(json, NULL, "full_scale_e", "full_scale_sigma_e", &s->full_scale_e);
    put(json, NULL, "full_scale_adu", "full_scale_sigma_adu", &s->full_scale_adu);
    nw_json_text(json, NULL, "full_scale_limit", s->full_scale_limit);
    nw_json_number(json, NULL, "brightest_flat_e", s->brightest_e, 6);
    put(json, NULL, "nonlinearity_percent", "nonlinearity_sigma_percent", &s->nonlinearity_percent);
    nw_json_text(json, NULL, "nonlinearity_from", s->nonlinearity_from);
    put(json, NULL, "prnu_percent", "prnu_sigma_percent", &s->prnu_percent);
    put(json, NULL, "lamp_scatter_percent", "lamp_scatter_sigma_percent", &s->lamp_scatter_percent);
    put(json, NULL, "lamp_drift_percent_per_h", "lamp_drift_sigma_percent_per_h",
        &s->lamp_drift_percent_h);
    put(json, NULL, "row_noise_e", "row_noise_sigma_e", &s->row_noise_e);
    put(json, NULL, "column_noise_e", "column_noise_sigma_e", &s->column_noise_e);
    put(json, NULL, "fixed_rows_e", "fixed_rows_sigma_e", &s->fixed_rows_e);
    put(json, NULL, "fixed_columns_e", "fixed_columns_sigma_e", &s->fixed_columns_e);
    put(json, NULL, "band_amplitude_e", "band_amplitude_sigma_e", &s->band_amplitude_e);
    put(json, NULL, "band_period_rows", "band_period_sigma_rows", &s->band_period_px);
}

static void put_darks(struct nw_json *json, const struct nw_sensor *s) {
    const struct nw_sensor_value none = {
        .v = NAN, .sigma = NAN, .why_null = "no dark among the files"};
    put(json, NULL, "dark_e_per_s", "dark_sigma_e_per_s",
        s->n_darks ? &s->darks[s->main_dark].dark_e_s : &none);
    nw_json_number(json, NULL, "dark_temperature_c", s->temperature_K - NW_ZERO_CELSIUS_K, 4);
    put(json, NULL, "dark_doubling_k", "dark_doubling_sigma_k", &s->doubling_K);
    nw_json_number(json, NULL, "hot_pixels", s->hot_pixels.v, 9);
    nw_json_number(json, NULL, "hot_above_e_per_s", s->hot_above_e_s, 4);
    if (!isfinite(s->hot_pixels.v)) {
        nw_json_why(json, NULL, "hot_pixels", s->hot_pixels.why_null);
    }
    nw_json_number(json, NULL, "telegraph_pixels", s->telegraph_pixels.v, 9);
    if (!isfinite(s->telegraph_pixels.v)) {
        nw_json_why(json, NULL, "telegraph_pixels", s->telegraph_pixels.why_null);
    }
    nw_json_count(json, NULL, "telegraph_darks", s->telegraph_darks);
    nw_json_number(json, NULL, "telegraph_exposure_s", s->telegraph_exposure_s, 6);
    nw_json_number(json, NULL, "telegraph_step_e", s->telegraph_step_e, 4);
    nw_json_number(json, NULL, "telegraph_largest_e", s->telegraph_largest_e, 4);
    nw_json_number(json, NULL, "telegraph_least_e", s->telegraph_least_e, 4);
    nw_json_number(json, NULL, "noisy_pixels", s->noisy_pixels, 9);
    nw_json_number(json, NULL, "particle_hit_pixels_per_h", s->hit_pixels_per_h, 4);
    json_t *const darks = nw_json_array(json, NULL, "darks");
    for (size_t i = 0; i < s->n_darks; i++) {
        put_dark(json, darks, &s->darks[i]);
    }
}

static void put_lists(struct nw_json *json, const struct nw_sensor_report *r) {
    const struct nw_sensor *const s = r->sensor;
    json_t *const planes = nw_json_array(json, NULL, "planes");
    for (size_t i = 0; i < s->n_planes; i++) {
        json_t *const o = nw_json_item(json, planes);
        const char name[2] = {s->planes[i].name, '\0'};
        nw_json_text(json, o, "channel", name[0] == 'M' ? "mono" : name);
        put(json, o, "gain_e_per_adu", "gain_sigma_e_per_adu", &s->planes[i].gain_e_per_adu);
        put(json, o, "read_noise_e", "read_noise_sigma_e", &s->planes[i].read_noise_e);
        put(json, o, "offset_adu", "offset_sigma_adu", &s->planes[i].offset_adu);
    }
    json_t *const curve = nw_json_array(json, NULL, "curve");
    for (size_t i = 0; i < s->n_levels; i++) {
        json_t *const o = nw_json_item(json, curve);
        nw_json_number(json, o, "exposure_s", s->levels[i].exposure_s, 7);
        nw_json_number(json, o, "level_adu", s->levels[i].mean_adu, 7);
        nw_json_number(json, o, "gain_e_per_adu", s->levels[i].gain_e_per_adu, 6);
        nw_json_number(json, o, "gain_sigma_e_per_adu", s->levels[i].gain_sigma_e_per_adu, 3);
        nw_json_number(json, o, "lamp_change_percent", 100.0 * s->levels[i].lamp_change, 4);
        nw_json_bool(json, o, "used", s->levels[i].is_used);
    }
    json_t *const notes = nw_json_array(json, NULL, "contradictions");
    for (size_t i = 0; i < s->n_notes; i++) {
        nw_json_add_text(json, notes, s->notes[i]);
    }
    struct nw_sensor_set sets[NW_SENSOR_SETS];
    const size_t n = nw_report_sensor_sets(r, sets);
    json_t *const patch = nw_json_array(json, NULL, "patch");
    for (size_t i = 0; i < n; i++) {
        json_t *const o = nw_json_item(json, patch);
        char path[96];
        (void)snprintf(path, sizeof path, "cameras.%.48s.%.23s",
                       r->camera ? r->camera->name : "NAME", sets[i].key);
        nw_json_text(json, o, "path", path);
        nw_json_text(json, o, "value", sets[i].value);
        nw_json_text(json, o, "before", sets[i].before);
    }
}

enum nw_status nw_report_sensor_json(const struct nw_sensor_report *r, json_t **ret,
                                     struct nw_err *err) {
    const struct nw_sensor *const s = r->sensor;
    struct nw_json json;
    nw_json_begin(&json, "sensor", 1);
    nw_json_count(&json, NULL, "bias_frames", s->n_bias);
    nw_json_count(&json, NULL, "dark_frames", s->n_dark);
    nw_json_count(&json, NULL, "flat_frames", s->n_flat);
    nw_json_count(&json, NULL, "left_out", s->n_left_out);
    nw_json_count(&json, NULL, "width_px", s->width_px);
    nw_json_count(&json, NULL, "height_px", s->height_px);
    nw_json_text(&json, NULL, "pattern", s->pattern[0] ? s->pattern : "mono");
    nw_json_number(&json, NULL, "gain_setting", s->gain_setting, 6);
    put_camera(&json, s);
    put_darks(&json, s);
    put_lists(&json, r);
    nw_json_number(&json, NULL, "elapsed_s", r->elapsed_s, 3);
    return nw_json_end(&json, ret, err);
}
