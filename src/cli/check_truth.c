/* check_truth.c - the simulator's truth (truth.json, docs/formats.md), opened last. */
#include "cli/check_internal.h"

#include <math.h>

/* Names of the simulator for the lines of the budget. */
static const struct {
    const char *name;
    enum nw_star_line_id id;
} WITHOUT[] = {
    {"air_above", NW_STAR_AIR_ABOVE},
    {"local_air", NW_STAR_LOCAL_AIR},
    {"lens_colour", NW_STAR_LENS_COLOUR},
    {"decentre_coma", NW_STAR_DECENTRE},
    {"focus", NW_STAR_FOCUS},
    {"tilt_curvature_astigmatism", NW_STAR_TILT_CURVATURE},
    {"motion_in_sub", NW_STAR_MOTION},
    {"dispersion", NW_STAR_DISPERSION},
    {"pixel", NW_STAR_PIXEL},
};

/* Mean over frames first..last-1 of a number, at `key` or at `outer`.`key`; NaN when a frame has
 * none. */
static double mean_over(const json_t *frames, size_t first, size_t last, const char *outer,
                        const char *key) {
    double sum = 0.0;
    for (size_t i = first; i < last; i++) {
        const json_t *object = json_array_get(frames, i);
        object = outer ? json_object_get(object, outer) : object;
        const json_t *value = json_object_get(object, key);
        sum += json_is_number(value) ? json_number_value(value) : NAN;
    }
    return last > first ? sum / (double)(last - first) : NAN;
}

static double mean_of(const json_t *frames, const char *outer, const char *key) {
    return mean_over(frames, 0, json_array_size(frames), outer, key);
}

enum nw_status check_truth(const char *path, struct nw_check_truth *ret, struct nw_err *err) {
    char *data = NULL;
    size_t len = 0;
    json_error_t where;
    enum nw_status status = nw_file_read(path, (size_t)64 << 20, &data, &len, err);
    if (status != NW_OK) {
        return status;
    }
    json_t *root = json_loadb(data, len, JSON_REJECT_DUPLICATES, &where);
    const json_t *frames = json_object_get(root, "frames");
    if (!root) {
        status = nw_err_set(err, NW_FORMAT,
                            "%s:%d: %s: expected the truth.json of a simulated "
                            "night",
                            path, where.line, where.text);
    } else if (json_array_size(frames) == 0) {
        status = nw_err_set(err, NW_FORMAT,
                            "%s: no list 'frames': expected the truth.json of a "
                            "simulated night",
                            path);
    } else {
        const double arcsec = 1.0 / NW_ARCSEC_PER_RAD;
        ret->n_frames = json_array_size(frames);
        ret->delivered_rad = mean_of(frames, NULL, "fwhm_mean_arcsec") * arcsec;
        ret->centre_rad = mean_of(frames, "centre", "fwhm_arcsec") * arcsec;
        /* the blind half knows the level at half time: the third of the night about it */
        const size_t n = ret->n_frames;
        ret->seeing_rad =
            mean_over(frames, n / 3, n - n / 3, NULL, "seeing_zenith_500nm_arcsec") * arcsec;
        ret->motion_ra_rad = mean_of(frames, NULL, "motion_ra_rms_arcsec") * arcsec;
        ret->motion_dec_rad = mean_of(frames, NULL, "motion_dec_rms_arcsec") * arcsec;
        for (int k = 0; k < NW_STAR_N_LINES; k++) {
            ret->without_rad[k] = NAN;
        }
        for (size_t i = 0; i < sizeof WITHOUT / sizeof *WITHOUT; i++) {
            ret->without_rad[WITHOUT[i].id] =
                mean_of(frames, "fwhm_centre_without_arcsec", WITHOUT[i].name) * arcsec;
        }
    }
    json_decref(root);
    free(data);
    return status;
}
