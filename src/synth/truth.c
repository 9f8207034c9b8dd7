/* truth.c - truth.json: what the simulator knows and the analysers may not. docs/formats.md. */
#include "synth/climate.h"
#include "synth/synth_internal.h"

#include <jansson.h>
#include <math.h>

/* Numbers to seven digits; what does not exist is null. */
static void put(json_t *object, const char *key, double value) {
    json_t *number = NULL;
    if (isfinite(value)) {
        char text[40];
        double rounded = value;
        (void)snprintf(text, sizeof text, "%.7g", value);
        (void)nw_text_to_double(text, &rounded);
        number = json_real(rounded);
    }
    (void)json_object_set_new(object, key, number ? number : json_null());
}

static void put_arcsec(json_t *object, const char *key, double value_rad) {
    put(object, key, value_rad * NW_ARCSEC_PER_RAD);
}

static void put_time(json_t *object, const char *key, double t_utc_s) {
    char text[40];
    nw_time_write_iso(t_utc_s, 3, text, sizeof text);
    (void)json_object_set_new(object, key, json_string(text));
}

static json_t *width_json(const struct synth_width *width, double scale_rad) {
    json_t *object = json_object();
    put(object, "fwhm_px", width->fwhm_px);
    put_arcsec(object, "fwhm_arcsec", width->fwhm_px * scale_rad);
    put(object, "fwhm_major_px", width->major_px);
    put(object, "fwhm_minor_px", width->minor_px);
    put(object, "theta_deg", width->angle_rad * NW_DEG_PER_RAD);
    put(object, "neq_area_px2", width->neq_area_px2);
    return object;
}

/* FWHM at the centre without one contributor: what `total_without` should say. */
static json_t *without_json(const struct synth_frame_truth *frame, double scale_rad) {
    json_t *object = json_object();
    const struct synth_without *w = &frame->without_px;
    put_arcsec(object, "air_above", w->seeing * scale_rad);
    put_arcsec(object, "local_air", w->local_air * scale_rad);
    put_arcsec(object, "lens_colour", w->colour * scale_rad);
    put_arcsec(object, "decentre_coma", w->coma * scale_rad);
    put_arcsec(object, "focus", w->focus * scale_rad);
    put_arcsec(object, "tilt_curvature_astigmatism", w->surface * scale_rad);
    put_arcsec(object, "motion_in_sub", w->motion * scale_rad);
    put_arcsec(object, "dispersion", w->dispersion * scale_rad);
    put_arcsec(object, "pixel", w->pixel * scale_rad);
    return object;
}

static void put_motion(const struct synth_scene *scene, const struct synth_sub *sub,
                       json_t *object) {
    const double flexure_s = scene->sub_s;
    put_arcsec(object, "motion_ra_rms_arcsec", sub->rms_e_rad);
    put_arcsec(object, "motion_dec_rms_arcsec", sub->rms_n_rad);
    put(object, "motion_covariance_arcsec2", sub->cov_rad2 * NW_ARCSEC_PER_RAD * NW_ARCSEC_PER_RAD);
    put_arcsec(object, "drift_ra_arcsec", sub->drift_e_rad);
    put_arcsec(object, "drift_dec_arcsec", sub->drift_n_rad);
    put_arcsec(object, "flexure_ra_arcsec", scene->mount.flexure_e_rad_s * flexure_s);
    put_arcsec(object, "flexure_dec_arcsec", scene->mount.flexure_n_rad_s * flexure_s);
}

static json_t *frame_json(const struct synth_job *job, size_t index,
                          const struct synth_frame_truth *frame) {
    const struct synth_scene *scene = job->scene;
    const struct synth_sub *sub = &job->night->subs[index];
    const double scale_rad = scene->camera.scale_rad;
    const size_t band = nw_synth_judged_band(scene, sub);
    const double wave_m = 0.5 * (scene->bands[band].low_m + scene->bands[band].high_m);
    json_t *object = json_object();
    char name[48];
    nw_synth_frame_name(index, name, sizeof name);
    (void)json_object_set_new(object, "file", json_string(name));
    put_time(object, "start", scene->t_start_utc_s + sub->start_s);
    put(object, "airmass", sub->pointing.airmass);
    put(object, "parallactic_angle_deg", sub->pointing.parallactic_rad * NW_DEG_PER_RAD);
    put_arcsec(object, "seeing_zenith_500nm_arcsec", sub->seeing_rad);
    put_arcsec(object, "seeing_delivered_arcsec",
               nw_synth_air_fwhm(nw_synth_r0_at(sub->r0_m, sub->pointing.airmass, wave_m), wave_m,
                                 scene->outer_scale_m));
    put_motion(scene, sub, object);
    put(object, "defocus_centre_um", sub->defocus_m * 1e6);
    put(object, "a_um", sub->a_m * 1e6);
    put(object, "b_um", sub->b_m * 1e6);
    (void)json_object_set_new(object, "filter", json_string(scene->filters[sub->filter]->name));
    put(object, "focus_steps", sub->focus_steps);
    put(object, "focus_age_s", sub->focus_age_s);
    put(object, "temperature_c", sub->temperature_K - NW_ZERO_CELSIUS_K);
    put(object, "transmission", sub->transmission);
    put(object, "sky_e", frame->sky_e);
    put(object, "dx_px", frame->dx_px);
    put(object, "dy_px", frame->dy_px);
    put_arcsec(object, "rotation_arcsec", 0.5 * (sub->turn[1] - sub->turn[2]));
    (void)json_object_set_new(object, "centre", width_json(&frame->centre, scale_rad));
    put(object, "fwhm_mean_px", frame->mean_fwhm_px);
    put_arcsec(object, "fwhm_mean_arcsec", frame->mean_fwhm_px * scale_rad);
    json_t *corners = json_array();
    for (int i = 0; i < 4; i++) {
        (void)json_array_append_new(corners, json_real(frame->corner_fwhm_px[i]));
    }
    (void)json_object_set_new(object, "fwhm_corners_px", corners);
    (void)json_object_set_new(object, "fwhm_centre_without_arcsec", without_json(frame, scale_rad));
    (void)json_object_set_new(object, "pixels_saturated",
                              json_integer((json_int_t)frame->n_saturated));
    char hash[24];
    (void)snprintf(hash, sizeof hash, "%016llx", (unsigned long long)frame->pixel_hash);
    (void)json_object_set_new(object, "pixel_hash", json_string(hash));
    return object;
}

/* Where the upper end of the axis points, against the pole on that side: turn about the vertical
 * (+ too far east), altitude (+ too high). */
static void put_upper_end(const struct synth_scene *scene, json_t *object) {
    const struct synth_mount *mount = &scene->mount;
    const double latitude = scene->place.latitude_rad;
    const double sign = latitude < 0.0 ? -1.0 : 1.0;
    const double x = sign * tan(mount->polar_error_rad) * cos(mount->polar_angle_rad);
    const double y = -sign * tan(mount->polar_error_rad) * sin(mount->polar_angle_rad);
    const double along = cos(latitude) - fabs(sin(latitude)) * x; /* horizontal, pole's side */
    const double up = fabs(sin(latitude)) + cos(latitude) * x;
    const double arcmin = NW_ARCSEC_PER_RAD / 60.0;
    put(object, "polar_azimuth_arcmin", atan2(y, along) * arcmin);
    put(object, "polar_altitude_arcmin", (atan2(up, hypot(along, y)) - fabs(latitude)) * arcmin);
}

static json_t *mount_json(const struct synth_scene *scene, const struct synth_night *night) {
    const struct synth_mount *mount = &scene->mount;
    json_t *object = json_object();
    put(object, "worm_period_s", mount->worm_period_s);
    json_t *worm = json_array();
    for (int i = 0; i < SYNTH_WORMS; i++) {
        json_t *part = json_object();
        put(part, "period_s", mount->worm_period_s / (i + 1));
        put_arcsec(part, "amplitude_at_axis_arcsec", mount->worm_amplitude_rad[i]);
        put(part, "phase_deg", mount->worm_phase_rad[i] * NW_DEG_PER_RAD);
        (void)json_array_append_new(worm, part);
    }
    (void)json_object_set_new(object, "worm", worm);
    put(object, "worm_phase_at_axis_zero_deg", mount->worm_axis_phase_rad * NW_DEG_PER_RAD);
    put_arcsec(object, "walk_ra_arcsec_per_root_s", mount->walk_ra_rad);
    put_arcsec(object, "walk_dec_arcsec_per_root_s", mount->walk_dec_rad);
    put_arcsec(object, "shake_ra_arcsec", mount->shake_ra_rad);
    put_arcsec(object, "shake_dec_arcsec", mount->shake_dec_rad);
    put_arcsec(object, "backlash_dec_arcsec", mount->backlash_rad);
    put(object, "backlash_dec_ms",
        1e3 * mount->backlash_rad / (mount->rate_rad_s * mount->response_dec));
    put(object, "gap_crossings", night->gap_crossings);
    put(object, "response_ra", mount->response_ra);
    put(object, "response_dec", mount->response_dec);
    put(object, "windup_dec", mount->windup);
    put(object, "polar_error_arcmin", mount->polar_error_rad * NW_ARCSEC_PER_RAD / 60.0);
    put(object, "polar_error_hour_angle_deg", mount->polar_angle_rad * NW_DEG_PER_RAD);
    put_upper_end(scene, object);
    put(object, "refraction", mount->refraction);
    put_arcsec(object, "flexure_ra_arcsec_per_h", mount->flexure_e_rad_s * 3600.0);
    put_arcsec(object, "flexure_dec_arcsec_per_h", mount->flexure_n_rad_s * 3600.0);
    return object;
}

static json_t *loop_json(const struct synth_scene *scene, const struct synth_night *night) {
    const struct synth_loop *loop = &scene->loop;
    double sums[2] = {0.0, 0.0};
    size_t n = 0;
    for (size_t i = 0; i < night->n_rows; i++) {
        const struct synth_row *row = &night->rows[i];
        if (!row->event[0] && !row->is_lost) {
            sums[0] += row->noise_e_rad * row->noise_e_rad;
            sums[1] += row->noise_n_rad * row->noise_n_rad;
            n++;
        }
    }
    json_t *object = json_object();
    put(object, "exposure_s", loop->exposure_s);
    put(object, "gain_ra", loop->gain_ra);
    put(object, "gain_dec", loop->gain_dec);
    put_arcsec(object, "min_move_arcsec", loop->min_move_rad);
    put(object, "guide_star_east_arcmin", loop->star_e_rad * NW_ARCSEC_PER_RAD / 60.0);
    put(object, "guide_star_north_arcmin", loop->star_n_rad * NW_ARCSEC_PER_RAD / 60.0);
    (void)json_object_set_new(object, "losses", json_integer((json_int_t)night->n_lost));
    (void)json_object_set_new(object, "lock_shifts", json_integer((json_int_t)night->n_shifts));
    put_arcsec(object, "noise_ra_rms_arcsec", sqrt(sums[0] / (double)n));
    put_arcsec(object, "noise_dec_rms_arcsec", sqrt(sums[1] / (double)n));
    (void)json_object_set_new(object, "guide_telescope_assumed",
                              json_boolean(scene->guide_assumed));
    return object;
}

static json_t *optics_json(const struct synth_scene *scene) {
    const struct synth_optics *optics = &scene->optics;
    json_t *object = json_object();
    put_arcsec(object, "scale_arcsec_per_px", scene->camera.scale_rad);
    put(object, "camera_angle_deg", scene->camera.angle_rad * NW_DEG_PER_RAD);
    put(object, "a_um", optics->a_m * 1e6);
    put(object, "b_um", optics->b_m * 1e6);
    put(object, "c_um", optics->c_m * 1e6);
    put(object, "z0_um", -optics->c_m / 3.0 * 1e6);
    put(object, "astigmatism_um", optics->astigmatism_m * 1e6);
    put(object, "coma_waves_550nm", optics->coma_m / 550e-9);
    put(object, "trefoil_rms_waves_550nm", optics->trefoil_m / 550e-9);
    put(object, "colour_spread_um", optics->colour_m * 1e6);
    put_arcsec(object, "local_air_arcsec", optics->local_air_rad);
    put(object, "sensor_um_per_K", optics->expansion_m_K * optics->thermal_factor * 1e6);
    put(object, "magnification_squared", optics->thermal_factor);
    return object;
}

static json_t *injected_json(const struct synth_scene *scene) {
    json_t *list = json_array();
    for (size_t i = 0; i < scene->opts.n_inject; i++) {
        (void)json_array_append_new(list, json_string(scene->opts.inject[i]));
    }
    return list;
}

/* A set about focus: what it was made with. */
static json_t *focus_json(const struct synth_scene *scene) {
    static const char *const NAMES[NW_SYNTH_FOCUS_N] = {NULL, "pair", "sweep", "there-and-back"};
    const double step_m = scene->focuser.step_m;
    json_t *object = json_object();
    (void)json_object_set_new(object, "kind", json_string(NAMES[scene->opts.focus]));
    put(object, "reach_travel_um", scene->opts.focus_reach_m * 1e6);
    put(object, "step_travel_um", step_m * (1.0 + scene->opts.step_error) * 1e6);
    put(object, "um_per_step_at_sensor",
        step_m * (1.0 + scene->opts.step_error) * scene->optics.travel_factor * 1e6);
    put(object, "play_at_sensor_um",
        scene->opts.focuser_play_m * scene->optics.travel_factor * 1e6);
    return object;
}

/* What stays with the chip (optics), what turns against it, what hangs. */
static json_t *hang_json(const struct synth_scene *scene) {
    const struct synth_hang *hang = &scene->hang;
    json_t *object = json_object();
    put(object, "rotator_deg", hang->rotator_rad * NW_DEG_PER_RAD);
    (void)json_object_set_new(object, "tube_side",
                              json_string(hang->tube_side < 0 ? "west" : "east"));
    put(object, "focuser_a_um", hang->focuser_tilt_m * cos(hang->focuser_tilt_rad) * 1e6);
    put(object, "focuser_b_um", hang->focuser_tilt_m * sin(hang->focuser_tilt_rad) * 1e6);
    put(object, "sag_a_um", hang->sag_m * cos(hang->sag_rad) * 1e6);
    put(object, "sag_b_um", hang->sag_m * sin(hang->sag_rad) * 1e6);
    return object;
}

static json_t *focuser_json(const struct synth_scene *scene) {
    const struct synth_focuser *focuser = &scene->focuser;
    const struct synth_optics *optics = &scene->optics;
    const double at_sensor_m = focuser->step_m * optics->travel_factor; /* of a step */
    json_t *object = json_object();
    put(object, "steps_per_k", -optics->expansion_m_K * optics->thermal_factor / at_sensor_m);
    put(object, "lag_min", focuser->lag_s / 60.0);
    put(object, "warm_k", focuser->warm_K);
    put(object, "backlash_steps", -focuser->play_m / focuser->step_m);
    put(object, "flip_steps", focuser->flip_m / focuser->step_m);
    put(object, "repeatability_steps", focuser->repeat_m / focuser->step_m);
    json_t *offsets = json_object();
    for (size_t i = 0; i < scene->n_filters; i++) {
        put(offsets, scene->filters[i]->name, focuser->offset_m[i] / at_sensor_m);
    }
    (void)json_object_set_new(object, "offsets_steps", offsets);
    return object;
}

static void put_series(const struct synth_air *air, const struct synth_night *night, json_t *root) {
    json_t *series = json_array();
    const size_t stride = 6; /* one a minute is enough to draw */
    for (size_t i = 0; i < air->n_seeing && (double)i * air->seeing_step_s <= night->end_s;
         i += stride) {
        (void)json_array_append_new(
            series, json_real(round(air->seeing_rad[i] * NW_ARCSEC_PER_RAD * 1e4) / 1e4));
    }
    put(root, "seeing_step_s", air->seeing_step_s * (double)stride);
    (void)json_object_set_new(root, "seeing_zenith_500nm_arcsec", series);
}

static json_t *climate_json(const struct nw_synth_climate_truth *t) {
    json_t *object = json_object();
    (void)json_object_set_new(object, "file", json_string("climate.csv"));
    put(object, "room_loss_w_per_k", t->room_loss_W_K);
    put(object, "room_capacity_kj_per_k", t->room_capacity_J_K * 1e-3);
    put(object, "air_changes_per_h", t->air_changes_per_s * 3600.0);
    put(object, "water_buffer_kg", t->water_buffer_kg);
    put(object, "dryer_g_per_h", t->dryer_kg_s * 3.6e6);
    put(object, "cover_loss_w_per_k", t->cover_loss_W_K);
    put(object, "cover_capacity_kj_per_k", t->cover_capacity_J_K * 1e-3);
    return object;
}

enum nw_status nw_synth_truth_write(const struct synth_job *job, const struct synth_air *air,
                                    const struct synth_frame_truth *frames, const char *path,
                                    struct nw_err *err) {
    const struct synth_scene *scene = job->scene;
    json_t *root = json_object();
    (void)json_object_set_new(root, "schema", json_string("nightwright.truth.1"));
    (void)json_object_set_new(root, "rig", json_string(scene->rig->name));
    (void)json_object_set_new(root, "setup", json_string(scene->setup->name));
    (void)json_object_set_new(root, "seed", json_integer((json_int_t)scene->opts.seed));
    put_time(root, "night_start", scene->t_start_utc_s);
    put(root, "ra_deg", scene->ra_rad * NW_DEG_PER_RAD);
    put(root, "dec_deg", scene->dec_rad * NW_DEG_PER_RAD);
    put(root, "outer_scale_m", scene->outer_scale_m);
    put(root, "wind_m_s", scene->wind_m_s);
    put_arcsec(root, "seeing_mean_arcsec", scene->seeing_rad);
    put_series(air, job->night, root);
    (void)json_object_set_new(root, "injected", injected_json(scene));
    (void)json_object_set_new(root, "optics", optics_json(scene));
    if (scene->opts.focus != NW_SYNTH_FOCUS_NIGHT) {
        (void)json_object_set_new(root, "focus_set", focus_json(scene));
    }
    (void)json_object_set_new(root, "hang", hang_json(scene));
    (void)json_object_set_new(root, "focuser", focuser_json(scene));
    (void)json_object_set_new(root, "mount", mount_json(scene, job->night));
    (void)json_object_set_new(root, "guide_loop", loop_json(scene, job->night));
    (void)json_object_set_new(
        root, "stars",
        json_pack("{s:s, s:I}", "file", "stars.csv", "n", (json_int_t)job->field->n));
    if (job->climate) {
        (void)json_object_set_new(root, "climate", climate_json(job->climate));
    }
    json_t *list = json_array();
    for (size_t i = 0; i < job->night->n_subs; i++) {
        (void)json_array_append_new(list, frame_json(job, i, &frames[i]));
    }
    (void)json_object_set_new(root, "frames", list);
    char *text = json_dumps(root, JSON_INDENT(1) | JSON_REAL_PRECISION(10));
    json_decref(root);
    if (!text) {
        return nw_err_set(err, NW_NOMEM, "truth of %zu frames", job->night->n_subs);
    }
    const enum nw_status status = nw_file_write_atomic(path, text, strlen(text), err);
    free(text);
    return status;
}
