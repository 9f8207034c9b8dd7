/* chip_truth.c - truth.json of a set of calibration frames. docs/formats.md. */
#include "synth/chip_internal.h"

#include <jansson.h>
#include <math.h>

static void put(json_t *object, const char *key, double value) {
    (void)json_object_set_new(object, key, isfinite(value) ? json_real(value) : json_null());
}

static json_t *camera_json(const struct chip *chip) {
    const struct synth_camera *const c = &chip->camera;
    json_t *const o = json_object();
    const double well_e = c->full_scale_e * chip->f.well;
    const double counts_e = (c->max_adu - c->offset_adu) * c->gain_e;
    const double bent_e = well_e * (1.0 - chip->f.nonlinearity * chip->f.well);
    const bool is_well = bent_e < counts_e;
    double full_e = well_e;
    if (!is_well) { /* S of counts_e = S (1 - b S / full) */
        const double b = chip->f.nonlinearity / c->full_scale_e;
        full_e = b > 0.0 ? (1.0 - sqrt(1.0 - 4.0 * b * counts_e)) / (2.0 * b) : counts_e;
    }
    put(o, "gain_e_per_adu", c->gain_e);
    put(o, "read_noise_e", c->read_noise_e);
    put(o, "offset_adu", c->offset_adu);
    put(o, "full_scale_e", full_e);
    (void)json_object_set_new(o, "full_scale_limit", json_string(is_well ? "well" : "adc"));
    put(o, "dark_e_per_s", c->dark_e_s);
    put(o, "dark_temperature_c", -10.0);
    put(o, "hot_pixels", (double)chip->n_hot);
    put(o, "telegraph_pixels", (double)chip->n_switches);
    return o;
}

static json_t *dust_json(const struct chip *chip) {
    static const char *const LIFE[] = {"stays", "new", "gone"};
    json_t *const list = json_array();
    for (size_t i = 0; i < chip->n_dust; i++) {
        const struct chip_dust *const d = &chip->dust[i];
        json_t *const o = json_object();
        put(o, "x_px", d->x_px + 0.5 * ((double)chip->camera.width_px + 1.0)); /* FITS */
        put(o, "y_px", d->y_px + 0.5 * ((double)chip->camera.height_px + 1.0));
        put(o, "diameter_px", d->diameter_px);
        put(o, "depth", d->depth);
        put(o, "distance_mm", d->distance_m * 1e3);
        (void)json_object_set_new(o, "life", json_string(LIFE[d->life]));
        (void)json_object_set_new(o, "turns", json_boolean(d->does_turn));
        (void)json_object_set_new(o, "filter",
                                  d->filter >= 0 ? json_integer(d->filter) : json_null());
        (void)json_array_append_new(list, o);
    }
    return list;
}

static json_t *shots_json(const struct chip_shot *shots, size_t n) {
    json_t *const list = json_array();
    for (size_t i = 0; i < n; i++) {
        json_t *const o = json_object();
        (void)json_object_set_new(o, "file", json_string(shots[i].name));
        put(o, "lamp", shots[i].rate_e_s > 0.0 ? shots[i].lamp : NAN);
        put(o, "light_e_per_s", shots[i].rate_e_s);
        (void)json_object_set_new(o, "filter",
                                  shots[i].filter ? json_string(shots[i].filter) : json_null());
        put(o, "setting", shots[i].setting);
        put(o, "offset_wander_e", shots[i].wander_e);
        (void)json_array_append_new(list, o);
    }
    return list;
}

enum nw_status nw_synth_chip_truth(const struct chip *chip, const struct chip_shot *shots, size_t n,
                                   const char *path, struct nw_err *err) {
    json_t *const root = json_object();
    json_t *const faults = json_object();
#define X(name, low, high, usual, meaning) put(faults, #name, chip->f.name);
    CHIP_FAULTS(X)
#undef X
    (void)json_object_set_new(root, "schema", json_string("nightwright.truth.calibration.1"));
    (void)json_object_set_new(root, "camera", camera_json(chip));
    (void)json_object_set_new(root, "injected", faults);
    (void)json_object_set_new(root, "dust", dust_json(chip));
    (void)json_object_set_new(root, "frames", shots_json(shots, n));
    char *const text = json_dumps(root, JSON_INDENT(1) | JSON_REAL_PRECISION(8));
    json_decref(root);
    const enum nw_status status = text ? nw_file_write_atomic(path, text, strlen(text), err)
                                       : nw_err_set(err, NW_NOMEM, "the truth of %zu frames", n);
    free(text);
    return status;
}
