/* support.h - a small rig and its scene, without the rig file's defaults in the way. */
#ifndef NW_TEST_SYNTH_SUPPORT_H
#define NW_TEST_SYNTH_SUPPORT_H

#include "check.h"
#include "synth/synth_internal.h"

#define ARCSEC (1.0 / NW_ARCSEC_PER_RAD)

/* A 100 mm f/5 refractor, 3.76 um pixels, perfect optics, 2 arcsec seeing. */
static inline void small_rig(struct nw_rig *rig, struct nw_setup *setup) {
    const struct nw_val none = {NAN, NAN, NW_FROM_UNKNOWN};
    *setup = (struct nw_setup){.name = "test"};
    struct nw_val *const values[] = {
        &setup->binning,          &setup->camera_angle_rad,    &setup->sub_length_s,
        &setup->focus_interval_s, &setup->guide_exposure_s,    &setup->tilt_m,
        &setup->curvature_m,      &setup->decentre_coma_rad,   &setup->astigmatism_m,
        &setup->camera.bits,      &setup->camera.full_scale_e, &setup->tilt_direction_rad,
    };
    for (size_t i = 0; i < sizeof values / sizeof values[0]; i++) {
        *values[i] = none;
    }
    setup->telescope.aperture_m.v = 0.1;
    setup->telescope.transmission.v = 0.9;
    setup->telescope.tube_length_m.v = 0.45;
    setup->telescope.expansion_per_K.v = 0.0;
    setup->focal_length_m.v = 0.5;
    setup->filter.centre_m.v = 550e-9;
    setup->filter.width_m.v = 100e-9;
    setup->filter.transmission.v = 0.95;
    setup->camera.pixel_m.v = 3.76e-6;
    setup->camera.width_px = 400;
    setup->camera.height_px = 300;
    setup->camera.gain_e_per_adu.v = 0.5;
    setup->camera.read_noise_e.v = 1.5;
    setup->camera.offset_adu.v = 500.0;
    setup->camera.quantum_efficiency.v = 0.8;
    *rig = (struct nw_rig){.setups = setup, .n_setups = 1};
    rig->site.latitude_rad.v = -32.0 * NW_RAD_PER_DEG;
    rig->site.longitude_rad.v = 147.0 * NW_RAD_PER_DEG;
    rig->site.elevation_m.v = 400.0;
    rig->site.seeing_rad.v = 2.0 * ARCSEC;
    rig->site.outer_scale_m.v = 25.0;
    rig->site.wind_speed_m_s.v = 10.0;
    rig->site.sky_brightness_mag_arcsec2.v = 21.0;
    rig->site.temperature_K.v = 280.0;
    rig->site.pressure_Pa.v = 96000.0;
    rig->site.relative_humidity.v = 0.5;
    rig->mount.motion_ra_rad.v = 0.4 * ARCSEC;
    rig->mount.motion_dec_rad.v = 0.35 * ARCSEC;
    rig->mount.polar_error_rad.v = 2.0 * 60.0 * ARCSEC;
    rig->mount.worm_period_s.v = 480.0;
    rig->mount.guide_rate.v = 0.5;
}

static inline struct nw_synth_opts small_opts(void) {
    return (struct nw_synth_opts){.seed = 7,
                                  .n_subs = 2,
                                  .t_start_utc_s = NAN,
                                  .ra_rad = NAN,
                                  .hour_angle_rad = NAN,
                                  .dec_rad = NAN,
                                  .sub_length_s = 60.0,
                                  .seeing_rad = 2.0 * ARCSEC,
                                  .n_threads = 1};
}

static inline void must(enum nw_status status, const struct nw_err *err) {
    if (status != NW_OK) {
        fail_msg("refused: %s", err->text);
    }
}

#endif
