/* scene.c - the rig, one setup of it and the options become numbers that the simulator works with.
 * Idea: what the rig states is taken; what it leaves open gets a documented value or a draw from
 * the seed, so that nothing the analysers assume is true by construction. */
#include "synth/synth_internal.h"

#include <gsl/gsl_randist.h>
#include <math.h>

#define ARCSEC (1.0 / NW_ARCSEC_PER_RAD)

static double val_or(struct nw_val value, double otherwise) {
    return isfinite(value.v) ? value.v : otherwise;
}

static double or_else(double value, double otherwise) {
    return isfinite(value) ? value : otherwise;
}

/* Streams are split by a 64-bit mixer (Steele, Lea & Flood 2014, OOPSLA, SplitMix64). */
static uint64_t mix(uint64_t x) {
    x += 0x9e3779b97f4a7c15u;
    x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9u;
    x = (x ^ (x >> 27)) * 0x94d049bb133111ebu;
    return x ^ (x >> 31);
}

gsl_rng *nw_synth_rng_new(uint64_t seed, uint64_t stream) {
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (rng) {
        gsl_rng_set(rng, (unsigned long)(mix(mix(seed) + stream) & 0xffffffffu));
    }
    return rng;
}

static enum nw_status need(struct nw_val value, const char *what, struct nw_err *err) {
    if (!(value.v > 0.0)) {
        return nw_err_set(err, NW_DOMAIN, "the simulator needs %s > 0, the rig gives %g", what,
                          value.v);
    }
    return NW_OK;
}

static enum nw_status check_needed(const struct nw_rig *rig, const struct nw_setup *setup,
                                   const struct nw_synth_opts *opts, struct nw_err *err) {
    const struct {
        struct nw_val value;
        const char *what;
    } rows[] = {
        {setup->telescope.aperture_m, "the telescope's aperture [m]"},
        {setup->focal_length_m, "the setup's focal length [m]"},
        {setup->camera.pixel_m, "the camera's pixel [m]"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const enum nw_status status = need(rows[i].value, rows[i].what, err);
        if (status != NW_OK) {
            return status;
        }
    }
    if (!isfinite(rig->site.latitude_rad.v) || !isfinite(rig->site.longitude_rad.v)) {
        return nw_err_set(err, NW_DOMAIN, "the simulator needs the site's latitude and longitude");
    }
    if (opts->n_subs > 2000) {
        return nw_err_set(err, NW_LIMIT, "%zu subs are more than 2000", opts->n_subs);
    }
    if (isfinite(opts->seeing_rad) &&
        !(opts->seeing_rad >= 0.2 * ARCSEC && opts->seeing_rad <= 15.0 * ARCSEC)) {
        return nw_err_set(err, NW_DOMAIN, "seeing %g arcsec is outside 0.2 to 15 arcsec",
                          opts->seeing_rad * NW_ARCSEC_PER_RAD);
    }
    return NW_OK;
}

static enum nw_status set_camera(const struct nw_setup *setup, const struct nw_synth_opts *opts,
                                 struct synth_camera *camera, struct nw_err *err) {
    const struct nw_camera *from = &setup->camera;
    const double binning = fmax(1.0, val_or(setup->binning, 1.0));
    const size_t bin = (size_t)binning;
    *camera = (struct synth_camera){
        .binning = binning,
        .pixel_m = from->pixel_m.v * binning,
        .full_width_px = from->width_px / bin,
        .full_height_px = from->height_px / bin,
        .angle_rad = val_or(setup->camera_angle_rad, 0.0),
        .gain_e = val_or(from->gain_e_per_adu, 0.8),
        .read_noise_e = val_or(from->read_noise_e, 1.5) * binning, /* summed after readout */
        .offset_adu = val_or(from->offset_adu, 500.0),
        .dark_e_s = val_or(from->dark_e_per_s, 0.001) * binning * binning,
    };
    camera->scale_rad = camera->pixel_m / setup->focal_length_m.v;
    camera->width_px = opts->width_px ? opts->width_px : camera->full_width_px;
    camera->height_px = opts->height_px ? opts->height_px : camera->full_height_px;
    if (camera->width_px == 0 || camera->height_px == 0 ||
        camera->width_px > camera->full_width_px || camera->height_px > camera->full_height_px) {
        return nw_err_set(
            err, NW_DOMAIN, "frame of %zu x %zu px does not lie within the camera's %zu x %zu px",
            camera->width_px, camera->height_px, camera->full_width_px, camera->full_height_px);
    }
    camera->x0_px = (camera->full_width_px - camera->width_px) / 2 / 2 * 2; /* even: the pattern */
    camera->y0_px = (camera->full_height_px - camera->height_px) / 2 / 2 * 2;
    if (bin == 1) { /* binning mixes the colours of a filter array */
        memcpy(camera->pattern, from->pattern, sizeof camera->pattern);
    }
    /* converters of fewer bits are usually written as they are; the file holds 16 bits */
    camera->max_adu = fmin(65535.0, exp2(val_or(from->bits, 16.0)) - 1.0);
    camera->full_scale_e =
        val_or(from->full_scale_e, camera->max_adu * camera->gain_e) * binning * binning;
    return NW_OK;
}

/* Passbands of a colour-filter array, half-maximum points (from memory, typical sensor sheets). */
static const struct {
    char letter;
    double low_m, high_m;
} COLOURS[SYNTH_BANDS] = {{'R', 580e-9, 690e-9}, {'G', 490e-9, 580e-9}, {'B', 400e-9, 500e-9}};

/* The filters of the night: those asked for, else the judged one. */
static enum nw_status set_filters(struct synth_scene *scene, struct nw_err *err) {
    const struct nw_setup *const setup = scene->setup;
    const struct nw_synth_opts *const opts = &scene->opts;
    if (opts->n_filters > SYNTH_FILTERS) {
        return nw_err_set(err, NW_LIMIT, "%zu filters are more than %d", opts->n_filters,
                          SYNTH_FILTERS);
    }
    if (opts->n_filters > 1 && scene->camera.pattern[0]) {
        return nw_err_set(err, NW_DOMAIN,
                          "several filters before a camera of colours (%s): the simulator changes "
                          "filters before a monochrome one only",
                          scene->camera.pattern);
    }
    scene->filters[0] = &setup->filter;
    scene->n_filters = opts->n_filters ? opts->n_filters : 1;
    for (size_t i = 0; i < opts->n_filters; i++) {
        const char *names[NW_RIG_MAX_FILTERS];
        scene->filters[i] = NULL;
        for (size_t k = 0; k < setup->n_filters; k++) {
            names[k] = setup->filters[k].name;
            if (nw_text_equal_nocase(names[k], opts->filters[i])) {
                scene->filters[i] = &setup->filters[k];
            }
        }
        if (!scene->filters[i]) {
            const char *const near = nw_text_nearest(opts->filters[i], names, setup->n_filters);
            return nw_err_set(err, NW_NOTFOUND, "no filter \"%s\" in setup %s%s%s%s",
                              opts->filters[i], setup->name, near ? " (nearest: " : "",
                              near ? near : "", near ? ")" : "");
        }
    }
    return NW_OK;
}

size_t nw_synth_judged_band(const struct synth_scene *scene, const struct synth_sub *sub) {
    return scene->camera.pattern[0] ? 1 : sub->filter;
}

/* The light of one filter, or of the three colours of an array behind it. */
static enum nw_status set_bands_of(struct synth_scene *scene, const struct nw_filter *filter,
                                   struct synth_band *bands, struct nw_err *err) {
    const struct nw_setup *setup = scene->setup;
    const struct synth_optics *optics = &scene->optics;
    /* a colour camera without a filter of its own is judged in green (the rig assumes that band),
     * but its chip sees all of the visible */
    const bool is_open = scene->camera.pattern[0] && filter->centre_m.from == NW_FROM_ASSUMED;
    const double centre_m = is_open ? 550e-9 : val_or(filter->centre_m, 550e-9);
    const double width_m = is_open ? 300e-9 : val_or(filter->width_m, 300e-9);
    const double area_cm2 = NW_PI / 4.0 * optics->aperture_m * optics->aperture_m *
                            (1.0 - optics->obstruction * optics->obstruction) * 1e4;
    const double efficiency = val_or(filter->transmission, 0.95) *
                              val_or(setup->telescope.transmission, 0.9) *
                              val_or(setup->camera.quantum_efficiency, 0.7);
    const size_t n = scene->camera.pattern[0] ? SYNTH_BANDS : 1;
    bool any = false;
    for (size_t i = 0; i < n; i++) {
        struct synth_band *band = &bands[i];
        band->low_m = centre_m - width_m / 2.0;
        band->high_m = centre_m + width_m / 2.0;
        double width = band->high_m - band->low_m;
        if (n > 1) {
            const double low = fmax(band->low_m, COLOURS[i].low_m);
            const double high = fmin(band->high_m, COLOURS[i].high_m);
            width = fmax(high - low, 0.02 * width); /* a colour outside leaks 2 % */
            if (high > low) {
                band->low_m = low;
                band->high_m = high;
            }
        }
        /* photons/s/cm^2/A of V = 0 (Bessell, Castelli & Plez 1998, App. A), flat over the band:
         * REFERENCES PHO-02v1 */
        band->electrons_per_s = 995.5 * area_cm2 * (width * 1e10) * efficiency;
        any = any || band->electrons_per_s > 0.0;
    }
    if (!any || !(centre_m > width_m / 2.0)) {
        return nw_err_set(err, NW_DOMAIN, "filter of centre %g nm, width %g nm passes no light",
                          centre_m * 1e9, width_m * 1e9);
    }
    return NW_OK;
}

static enum nw_status set_bands(struct synth_scene *scene, struct nw_err *err) {
    enum nw_status status = set_filters(scene, err);
    scene->n_bands = scene->camera.pattern[0] ? SYNTH_BANDS : scene->n_filters;
    for (size_t i = 0; status == NW_OK && i < scene->n_filters; i++) {
        status = set_bands_of(scene, scene->filters[i], &scene->bands[i], err);
    }
    return status == NW_OK ? nw_synth_set_offsets(scene, err) : status;
}

/* Best focus height over the field: tilt, curvature balanced by the focus run to nil mean over the
 * full chip (mean of u^2 + v^2 over any rectangle is 1/3). */
static void set_surface(const struct nw_setup *setup, const struct synth_camera *camera,
                        struct synth_optics *optics) {
    const double angle = val_or(setup->tilt_direction_rad, 0.0);
    const double w = (double)camera->full_width_px;
    const double h = (double)camera->full_height_px;
    /* corner to corner = 2 (|a| W + |b| H) / sqrt(W^2 + H^2) */
    const double gradient = val_or(setup->tilt_m, 0.0) * hypot(w, h) /
                            (2.0 * (fabs(cos(angle)) * w + fabs(sin(angle)) * h));
    optics->a_m = gradient * cos(angle);
    optics->b_m = gradient * sin(angle);
    optics->c_m = val_or(setup->curvature_m, 0.0);
    optics->astigmatism_m = val_or(setup->astigmatism_m, 0.0);
}

static void set_optics(const struct nw_rig *rig, const struct nw_setup *setup,
                       const struct synth_camera *camera, const struct nw_synth_opts *opts,
                       gsl_rng *rng, struct synth_optics *optics) {
    const double m = setup->has_corrector ? val_or(setup->corrector.magnification, 1.0) : 1.0;
    const bool rides =
        setup->has_focuser && setup->focuser.carries == NW_CARRIES_CORRECTOR_AND_CAMERA;
    *optics = (struct synth_optics){
        .aperture_m = setup->telescope.aperture_m.v,
        .obstruction = val_or(setup->telescope.obstruction, 0.0),
        .focal_m = setup->focal_length_m.v,
        .travel_factor = rides ? m * m : 1.0,
        .thermal_factor = m * m,
        .expansion_m_K = val_or(setup->telescope.tube_length_m, setup->focal_length_m.v / m) *
                         val_or(setup->telescope.expansion_per_K, 23.6e-6), /* FOC-09 */
        .colour_m = val_or(setup->telescope.colour_spread_m, 0.0) * m * m,
        .local_air_rad = val_or(rig->site.local_air_rad, 0.0),
        .trefoil_m = opts->pinched_lens_waves * 550e-9,
    };
    optics->f_ratio = optics->focal_m / optics->aperture_m;
    /* Coma W = Wc rho^3 cos: geometric variance per axis 1/3 of (2 Wc / D)^2 (REFERENCES FOC-18:
     * 1/6 and 1/2); the rig states 2.3548 sigma. */
    optics->coma_m = val_or(setup->decentre_coma_rad, 0.0) / NW_FWHM_PER_SIGMA * sqrt(3.0) *
                     optics->aperture_m / 2.0;
    optics->coma_angle_rad = 2.0 * NW_PI * gsl_rng_uniform(rng);
    optics->trefoil_angle_rad = 2.0 * NW_PI * gsl_rng_uniform(rng);
    set_surface(setup, camera, optics);
}

/* The rig states rms motion within a sub; the parts of it that this mount is made of scale with
 * that (0.4 arcsec gives a worm of 4 arcsec and so on; sizes: common practice, no source). */
static void set_mount(const struct nw_rig *rig, gsl_rng *rng, struct synth_mount *mount) {
    const double ra = val_or(rig->mount.motion_ra_rad, 0.4 * ARCSEC) / (0.4 * ARCSEC);
    const double dec = val_or(rig->mount.motion_dec_rad, 0.35 * ARCSEC) / (0.35 * ARCSEC);
    const double flexure = val_or(rig->mount.flexure_rad_s, 0.0);
    const double angle = 2.0 * NW_PI * gsl_rng_uniform(rng);
    *mount = (struct synth_mount){
        .worm_period_s = val_or(rig->mount.worm_period_s, 480.0),
        .worm_amplitude_rad = {4.0 * ra * ARCSEC, 1.2 * ra * ARCSEC, 0.5 * ra * ARCSEC},
        .polar_error_rad = val_or(rig->mount.polar_error_rad, 2.0 * 60.0 * ARCSEC),
        .polar_angle_rad = 2.0 * NW_PI * gsl_rng_uniform(rng),
        .walk_ra_rad = 0.03 * ra * ARCSEC,
        .walk_dec_rad = 0.025 * dec * ARCSEC,
        .shake_ra_rad = 0.12 * ra * ARCSEC,
        .shake_dec_rad = 0.12 * dec * ARCSEC,
        .shake_time_s = 1.5,
        .burst_rad = 0.5 * 0.5 * (ra + dec) * ARCSEC,
        .burst_interval_s = 1500.0,
        .burst_length_s = 10.0,
        .backlash_rad = 3.0 * ARCSEC,
        .response_ra = 0.96,
        .response_dec = 0.93,
        .rate_rad_s = val_or(rig->mount.guide_rate, 0.5) * NW_SIDEREAL_RATE_RAD_S,
        .flexure_e_rad_s = flexure * sin(angle),
        .flexure_n_rad_s = flexure * cos(angle),
        .worm_axis_phase_rad = NAN,
        .polar_azimuth_rad = NAN,
        .polar_altitude_rad = NAN,
        .refraction = 1.0,
    };
    for (int i = 0; i < SYNTH_WORMS; i++) {
        mount->worm_phase_rad[i] = 2.0 * NW_PI * gsl_rng_uniform(rng);
    }
}

/* A worm that goes with the wheel: the hour angle turns the axis, the tube's side adds half a turn,
 * the teeth multiply both. */
static void set_worm_phase(struct synth_scene *scene) {
    struct synth_mount *const mount = &scene->mount;
    const double axis_rad = scene->hour_angle_rad + (scene->hang.tube_side < 0 ? NW_PI : 0.0);
    const double teeth = 2.0 * NW_PI / NW_SIDEREAL_RATE_RAD_S / mount->worm_period_s;
    for (int i = 0; i < SYNTH_WORMS && isfinite(mount->worm_axis_phase_rad); i++) {
        mount->worm_phase_rad[i] =
            remainder((i + 1) * (mount->worm_axis_phase_rad + teeth * axis_rad), 2.0 * NW_PI);
    }
}

static void set_loop(const struct nw_setup *setup, const struct synth_camera *camera,
                     struct synth_loop *loop) {
    const struct nw_telescope *tube = &setup->guide_telescope;
    const double aperture = setup->has_guide ? val_or(tube->aperture_m, 0.06) : 0.06;
    const double focal = setup->has_guide ? val_or(tube->focal_length_m, 0.24) : 0.24;
    const double pixel = setup->has_guide ? val_or(setup->guide_camera.pixel_m, 3.75e-6) : 3.75e-6;
    *loop = (struct synth_loop){
        .exposure_s = val_or(setup->guide_exposure_s, 2.0),
        .latency_s = 0.35,
        .gain_ra = 0.60,
        .gain_dec = 0.50,
        .min_move_rad = 0.15 * ARCSEC,
        .max_pulse_s = 2.0,
        .aperture_m = aperture,
        .scale_rad = pixel / focal,
        .snr = 18.0,
        .dither_rad = 5.0 * camera->scale_rad,
        .settle_rad = 1.2 * ARCSEC,
        .settle_rows = 3.0,
        .settle_limit_s = 60.0,
        .readout_s = 3.0,
        .focus_run_s = 120.0,
        .focus_interval_s = val_or(setup->focus_interval_s, 3600.0),
        .lost_interval_s = INFINITY,
        .lost_length_s = 20.0,
        .shift_interval_s = INFINITY,
        .shift_rad = 1.5 * ARCSEC,
    };
    /* diffraction, guide optics (2 arcsec, common practice) and pixel, in quadrature: it only sets
     * how noisy the centroid is */
    loop->extra_width_rad = sqrt(pow(1.029 * 550e-9 / aperture, 2.0) + pow(2.0 * ARCSEC, 2.0) +
                                 pow(0.68 * loop->scale_rad, 2.0));
}

/* Where the guide telescope looks: some arcminutes beside the main one (common practice, no
 * source); a stream of its own, so that nothing else of the night depends on it. */
static enum nw_status set_guide_star(struct synth_scene *scene, struct nw_err *err) {
    gsl_rng *rng = nw_synth_rng_new(scene->opts.seed, SYNTH_RNG_GUIDE_STAR);
    if (!rng) {
        return nw_err_set(err, NW_NOMEM, "random state");
    }
    scene->loop.star_e_rad = gsl_ran_gaussian(rng, 12.0 * 60.0 * ARCSEC);
    scene->loop.star_n_rad = gsl_ran_gaussian(rng, 12.0 * 60.0 * ARCSEC);
    gsl_rng_free(rng);
    return NW_OK;
}

/* A fixed winter night of the site's hemisphere, 21 h local mean solar time; a field 20 deg from
 * the zenith towards the equator that has crossed the meridian a quarter of an hour ago: the
 * airmass grows through the night and no tube has to change sides. */
static void set_target(struct synth_scene *scene) {
    const double latitude = scene->place.latitude_rad;
    const double longitude = scene->place.longitude_rad;
    const double midnight = latitude < 0.0 ? 1781395200.0  /* 2026-06-14T00:00Z */
                                           : 1797206400.0; /* 2026-12-14T00:00Z */
    scene->t_start_utc_s = or_else(scene->opts.t_start_utc_s,
                                   midnight + floor((21.0 - longitude * 12.0 / NW_PI) * 3600.0));
    const double towards = latitude < 0.0 ? 20.0 : -20.0;
    scene->dec_rad = or_else(scene->opts.dec_rad, latitude + towards * NW_RAD_PER_DEG);
    const double sidereal = nw_sky_sidereal_time_rad(scene->t_start_utc_s, longitude);
    const double hour_angle = or_else(scene->opts.hour_angle_rad, 0.25 * NW_PI / 12.0);
    const double ra = or_else(scene->opts.ra_rad, sidereal - hour_angle);
    scene->ra_rad = fmod(fmod(ra, 2.0 * NW_PI) + 2.0 * NW_PI, 2.0 * NW_PI);
    scene->hour_angle_rad = remainder(sidereal - scene->ra_rad, 2.0 * NW_PI);
}

static void set_site(struct synth_scene *scene, gsl_rng *rng) {
    const struct nw_site *site = &scene->rig->site;
    scene->place = (struct nw_place){site->latitude_rad.v, site->longitude_rad.v,
                                     val_or(site->elevation_m, 100.0)};
    scene->temperature_K = val_or(site->temperature_K, 283.15);
    scene->air = (struct nw_air_state){
        .pressure_Pa =
            val_or(site->pressure_Pa, nw_sky_standard_pressure_Pa(scene->place.elevation_m)),
        .temperature_K = scene->temperature_K,
        .relative_humidity = val_or(site->relative_humidity, 0.7),
    };
    scene->temperature_rate_K_s = val_or(site->temperature_rate_K_s, -1.0 / 3600.0);
    const double typical = val_or(site->seeing_rad, 2.0 * ARCSEC);
    const double sigma = or_else(site->seeing_rad.sigma, 0.15 * typical);
    const double drawn = fmax(0.5 * typical, typical + gsl_ran_gaussian(rng, sigma));
    scene->seeing_rad = or_else(scene->opts.seeing_rad, drawn);
    scene->outer_scale_m = val_or(site->outer_scale_m, 25.0);
    scene->wind_m_s = val_or(site->wind_speed_m_s, 10.0);
    scene->wind_angle_rad = 2.0 * NW_PI * gsl_rng_uniform(rng);
    scene->sky_mag = val_or(site->sky_brightness_mag_arcsec2, 21.0);
    scene->extinction_mag = val_or(site->extinction_mag, 0.2);
    scene->sky_gradient = 0.03;
    scene->sky_gradient_angle_rad = 2.0 * NW_PI * gsl_rng_uniform(rng);
}

/* 2.5 x 2 lambda N^2 at the sensor (REFERENCES FOC-01), as travel. */
static void set_reach(struct synth_scene *scene) {
    if (!(scene->opts.focus_reach_m > 0.0)) {
        const double n = scene->optics.f_ratio;
        scene->opts.focus_reach_m = 2.5 * 2.0 * 550e-9 * n * n / scene->optics.travel_factor;
    }
}

enum nw_status nw_synth_scene_init(const struct nw_rig *rig, const char *setup_name,
                                   const struct nw_synth_opts *opts, struct synth_scene *ret,
                                   struct nw_err *err) {
    const struct nw_setup *setup = nw_rig_setup(rig, setup_name);
    if (!setup) {
        return nw_err_set(err, NW_NOTFOUND, "no setup \"%s\" in the rig",
                          setup_name ? setup_name : "");
    }
    enum nw_status status = check_needed(rig, setup, opts, err);
    if (status != NW_OK) {
        return status;
    }
    gsl_rng *rng = nw_synth_rng_new(opts->seed, SYNTH_RNG_SCENE);
    if (!rng) {
        return nw_err_set(err, NW_NOMEM, "random state");
    }
    struct synth_scene scene = {.rig = rig, .setup = setup, .opts = *opts};
    scene.guide_assumed = !setup->has_guide;
    static const size_t SUBS[NW_SYNTH_FOCUS_N] = {NW_SYNTH_SUBS, 2, 9, 18};
    const double usual_s =
        opts->focus == NW_SYNTH_FOCUS_NIGHT ? val_or(setup->sub_length_s, 300.0) : 20.0;
    scene.opts.n_subs = opts->n_subs ? opts->n_subs : SUBS[opts->focus];
    scene.sub_s = or_else(opts->sub_length_s, usual_s);
    set_site(&scene, rng);
    status = set_camera(setup, opts, &scene.camera, err);
    if (status == NW_OK) {
        set_optics(rig, setup, &scene.camera, opts, rng, &scene.optics);
        set_reach(&scene);
        set_mount(rig, rng, &scene.mount);
        set_loop(setup, &scene.camera, &scene.loop);
        status = set_guide_star(&scene, err);
        set_target(&scene);
        nw_synth_focuser_init(setup, &scene.focuser);
        scene.hang.rotator_rad = NAN;
        scene.hang.tube_side = scene.hour_angle_rad < 0.0 ? -1 : 1;
    }
    if (status == NW_OK) {
        status = set_bands(&scene, err);
    }
    if (status == NW_OK) {
        status = nw_synth_inject(opts->inject, opts->n_inject, &scene, err);
    }
    if (status == NW_OK) {
        set_worm_phase(&scene);
        scene.camera.angle_rad += isfinite(scene.hang.rotator_rad) ? scene.hang.rotator_rad : 0.0;
        status = nw_synth_focuser_check(&scene, err);
    }
    gsl_rng_free(rng);
    if (status == NW_OK && !(scene.sub_s >= 1.0 && scene.sub_s <= 7200.0)) {
        status = nw_err_set(err, NW_DOMAIN, "sub length %g s is outside 1 to 7200 s", scene.sub_s);
    }
    if (status == NW_OK) {
        *ret = scene;
    }
    return status;
}
