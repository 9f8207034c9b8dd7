/* trail_frames.c - the drive-off trial of a rig: frames as FITS, the truth beside them.
 * Idea: camera, aperture and scale are the rig's; the air of the frames is one seeing through three
 * layers (half of it near the ground and slow, a quarter each at 2 and 9 km), in winds about the
 * rig's, a minute apart. */
#include "image/image.h"
#include "synth/synth_internal.h"
#include "synth/trail.h"

#include <gsl/gsl_randist.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>

#define EXPOSURE_S 20.0
#define STARS_PER_MPX                                                                              \
    12.0 /* bright ones: a field in or near the Milky Way (engineering choice)                     \
          */

static struct nw_synth_trail_opts trial_of(const struct synth_scene *scene, gsl_rng *rng) {
    const struct synth_camera *camera = &scene->camera;
    const double area_px = (double)camera->width_px * (double)camera->height_px;
    const double drift_px_s = NW_SIDEREAL_RATE_RAD_S * cos(scene->dec_rad) / camera->scale_rad;
    const double wind_m_s = scene->wind_m_s * exp(gsl_ran_gaussian(rng, 0.3));
    const double width_rad = hypot(1.5 / NW_ARCSEC_PER_RAD, 0.55 * scene->seeing_rad);
    const double width_px = width_rad / camera->scale_rad;
    struct nw_synth_trail_opts o = {
        .n_layers = 3,
        .layers = {{.height_m = 60.0, .share = 0.5, .wind_m_s = 0.5 * wind_m_s},
                   {.height_m = 2000.0, .share = 0.25, .wind_m_s = wind_m_s},
                   {.height_m = 9000.0, .share = 0.25, .wind_m_s = 2.0 * wind_m_s}},
        .outer_scale_m = scene->outer_scale_m,
        .aperture_m = scene->optics.aperture_m,
        .scale_rad = camera->scale_rad,
        .width_rad = width_rad,
        .exposure_s = isfinite(scene->opts.sub_length_s) ? scene->opts.sub_length_s : EXPOSURE_S,
        .dec_rad = scene->dec_rad,
        .angle_rad = -camera->angle_rad, /* of a line: east and west, seen from +x to +y */
        .width_px = camera->width_px,
        .height_px = camera->height_px,
        .n_stars = 8 + (size_t)(STARS_PER_MPX * area_px * 1e-6),
        .sky_e = 40.0,
        .read_noise_e = camera->read_noise_e,
        .gain_e_per_adu = camera->gain_e,
        .offset_adu = camera->offset_adu,
        .full_adu = camera->max_adu,
        .scintillation = 0.1};
    /* the brightest reaches six tenths of full scale */
    o.brightest_e_s =
        0.6 * (camera->max_adu - camera->offset_adu) * camera->gain_e * drift_px_s * width_px;
    o.faintest_e_s = 0.02 * o.brightest_e_s;
    for (size_t i = 0; i < o.n_layers; i++) {
        o.layers[i].wind_angle_rad = 2.0 * NW_PI * gsl_rng_uniform(rng);
    }
    return o;
}

static enum nw_status write_frame(const struct synth_scene *scene, size_t index, double airmass,
                                  const struct nw_synth_trail_opts *o, const uint16_t *counts,
                                  const char *path, struct nw_err *err) {
    char time[40];
    nw_time_write_iso(scene->t_start_utc_s + 60.0 * (double)index, 3, time, sizeof time);
    struct nw_card cards[] = {
        {.key = "IMAGETYP", .value = "Light", .is_text = true},
        {.key = "DATE-OBS", .is_text = true, .comment = "UTC, start"},
        {.key = "EXPTIME", .comment = "[s]"},
        {.key = "EGAIN", .comment = "[e/adu]"},
        {.key = "RDNOISE", .comment = "[e]"},
        {.key = "XPIXSZ", .comment = "[um] with binning"},
        {.key = "XBINNING", .comment = ""},
        {.key = "FOCALLEN", .comment = "[mm]"},
        {.key = "DEC", .comment = "[deg]"},
        {.key = "AIRMASS", .comment = ""},
        {.key = "BAYERPAT", .is_text = true},
    };
    nw_text_copy(cards[1].value, sizeof cards[1].value, time);
    const double values[] = {o->exposure_s,
                             scene->camera.gain_e,
                             scene->camera.read_noise_e,
                             scene->camera.pixel_m * 1e6,
                             scene->camera.binning,
                             scene->optics.focal_m * 1e3,
                             scene->dec_rad * NW_DEG_PER_RAD,
                             airmass};
    for (size_t i = 0; i < sizeof values / sizeof *values; i++) {
        (void)snprintf(cards[i + 2].value, sizeof cards[i + 2].value, "%.6g", values[i]);
    }
    nw_text_copy(cards[10].value, sizeof cards[10].value, scene->camera.pattern);
    const struct nw_frame_out out = {.px = counts,
                                     .bitpix = 16,
                                     .width_px = o->width_px,
                                     .height_px = o->height_px,
                                     .n_planes = 1,
                                     .cards = cards,
                                     .n_cards = scene->camera.pattern[0] ? 11 : 10};
    return nw_frame_write(path, &out, err);
}

static enum nw_status write_truth(const struct synth_scene *scene,
                                  const struct nw_synth_trail_opts *o, size_t n, const char *path,
                                  struct nw_err *err) {
    json_t *root = json_object();
    (void)json_object_set_new(root, "trial", json_string("drive-off-trail"));
    (void)json_object_set_new(root, "frames", json_integer((json_int_t)n));
    (void)json_object_set_new(root, "seeing_arcsec",
                              json_real(scene->seeing_rad * NW_ARCSEC_PER_RAD));
    (void)json_object_set_new(root, "outer_scale_m", json_real(o->outer_scale_m));
    json_t *layers = json_array();
    for (size_t i = 0; i < o->n_layers; i++) {
        json_t *layer = json_object();
        (void)json_object_set_new(layer, "height_m", json_real(o->layers[i].height_m));
        (void)json_object_set_new(layer, "share", json_real(o->layers[i].share));
        (void)json_object_set_new(layer, "wind_m_s", json_real(o->layers[i].wind_m_s));
        (void)json_array_append_new(layers, layer);
    }
    (void)json_object_set_new(root, "layers", layers);
    char *text = json_dumps(root, JSON_INDENT(2) | JSON_REAL_PRECISION(5));
    json_decref(root);
    const enum nw_status status = text ? nw_file_write_atomic(path, text, strlen(text), err)
                                       : nw_err_set(err, NW_NOMEM, "truth of the trial");
    free(text);
    return status;
}

/* Scene near the equator and the meridian, where the card sends its reader. */
static enum nw_status scene_of(const struct nw_rig *rig, const char *setup,
                               const struct nw_synth_opts *opts, struct synth_scene *ret,
                               double *ret_airmass, struct nw_err *err) {
    struct nw_synth_opts near = *opts;
    near.dec_rad = isfinite(opts->dec_rad) ? opts->dec_rad : 0.0;
    near.hour_angle_rad = isfinite(opts->hour_angle_rad) ? opts->hour_angle_rad : 0.0;
    const enum nw_status status = nw_synth_scene_init(rig, setup, &near, ret, err);
    if (status == NW_OK) {
        const double sine =
            sin(ret->place.latitude_rad) * sin(ret->dec_rad) +
            cos(ret->place.latitude_rad) * cos(ret->dec_rad) * cos(near.hour_angle_rad);
        *ret_airmass = nw_sky_airmass(asin(fmax(-1.0, fmin(1.0, sine))));
        if (!(*ret_airmass < 5.0)) {
            return nw_err_set(
                err, NW_DOMAIN,
                "the field stands too low for a trail: airmass %.1f, expected below 5",
                *ret_airmass);
        }
    }
    return status;
}

enum nw_status nw_synth_trail_frames(const struct nw_rig *rig, const char *setup,
                                     const struct nw_synth_opts *opts, const char *folder,
                                     size_t *ret_n, struct nw_err *err) {
    const size_t n = opts->n_subs ? opts->n_subs : 3;
    char path[4096];
    bool made = false;
    float *px = NULL;
    uint16_t *counts = NULL;
    double airmass = NAN;
    gsl_rng *rng = nw_synth_rng_new(opts->seed, SYNTH_RNG_SCENE);
    struct synth_scene *scene = nw_calloc(1, sizeof *scene);
    enum nw_status status =
        rng && scene ? NW_OK : nw_err_set(err, NW_NOMEM, "scene of the drive-off trial");
    if (status == NW_OK) {
        status = scene_of(rig, setup, opts, scene, &airmass, err);
    }
    if (status == NW_OK) {
        status = nw_synth_folder_open(folder, &made, err);
    }
    if (status != NW_OK) {
        goto done;
    }
    struct nw_synth_trail_opts o = trial_of(scene, rng);
    o.seeing_rad = nw_sky_seeing_at(scene->seeing_rad, airmass, 500e-9);
    px = nw_calloc(o.width_px * o.height_px, sizeof *px);
    counts = nw_calloc(o.width_px * o.height_px, sizeof *counts);
    if (!px || !counts) {
        status = nw_err_set(err, NW_NOMEM, "frame of %zu x %zu px", o.width_px, o.height_px);
    }
    for (size_t i = 0; i < n && status == NW_OK; i++) {
        double r0_m = NAN;
        o.seed = opts->seed * 1000 + i;
        status = nw_synth_trail(&o, px, &r0_m, err);
        (void)snprintf(path, sizeof path, "%s/trail_%03zu.fits", folder, i + 1);
        for (size_t k = 0; k < o.width_px * o.height_px; k++) {
            counts[k] = (uint16_t)px[k];
        }
        if (status == NW_OK) {
            status = write_frame(scene, i, airmass, &o, counts, path, err);
        }
    }
    if (status == NW_OK) {
        (void)snprintf(path, sizeof path, "%s/truth.json", folder);
        status = write_truth(scene, &o, n, path, err);
    }
    *ret_n = n;
done:
    free(px);
    free(counts);
    free(scene);
    if (rng) {
        gsl_rng_free(rng);
    }
    return status;
}
