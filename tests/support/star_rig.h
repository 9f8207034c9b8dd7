/* star_rig.h - an invented rig for the tests of the star-width budget, as literals. */
#ifndef NW_TEST_STAR_RIG_H
#define NW_TEST_STAR_RIG_H

#include "budget/budget.h"

#define TEST_ARCSEC (1.0 / NW_ARCSEC_PER_RAD)

static inline struct nw_val test_given(double v, double sigma) {
    return (struct nw_val){.v = v, .sigma = sigma, .from = NW_FROM_GIVEN};
}

/* Refractor 115/805 with 0.8x, 3.76 um: 1.204 arcsec/px. */
static inline void test_star_rig(struct nw_rig *rig, struct nw_setup *setup) {
    *rig = (struct nw_rig){.name = "test", .setups = setup, .n_setups = 1};
    rig->site = (struct nw_site){.latitude_rad = test_given(-0.5, 0.0),
                                 .longitude_rad = test_given(2.5, 0.0),
                                 .elevation_m = test_given(400.0, 0.0),
                                 .seeing_rad = test_given(2.0 * TEST_ARCSEC, 0.6 * TEST_ARCSEC),
                                 .outer_scale_m = test_given(25.0, 10.0),
                                 .local_air_rad = test_given(0.5 * TEST_ARCSEC, 0.2 * TEST_ARCSEC),
                                 .wind_speed_m_s = test_given(10.0, 4.0),
                                 .temperature_K = test_given(283.0, 3.0),
                                 .temperature_rate_K_s = test_given(-1.3 / 3600.0, 0.4 / 3600.0),
                                 .pressure_Pa = test_given(95000.0, 1000.0),
                                 .relative_humidity = test_given(0.6, 0.1)};
    rig->site.seeing_rad.from = NW_FROM_ASSUMED;
    rig->mount = (struct nw_mount){
        .motion_ra_rad = test_given(0.5 * TEST_ARCSEC, 0.1 * TEST_ARCSEC),
        .motion_dec_rad = test_given(0.5 * TEST_ARCSEC, 0.1 * TEST_ARCSEC),
        .flexure_rad_s = test_given(4.0 * TEST_ARCSEC / 3600.0, 2.0 * TEST_ARCSEC / 3600.0),
        .polar_error_rad = test_given(7e-4, 3e-4)};
    *setup = (struct nw_setup){
        .name = "deep",
        .telescope = {.aperture_m = test_given(0.115, 0.0),
                      .focal_length_m = test_given(0.805, 0.005),
                      .obstruction = test_given(0.0, 0.0),
                      .tube_length_m = test_given(0.69, 0.02),
                      .expansion_per_K = test_given(23.6e-6, 1e-6),
                      .colour_spread_m = test_given(22e-6, 8e-6)},
        .corrector = {.magnification = test_given(0.8, 0.004)},
        .has_corrector = true,
        .focuser = {.carries = NW_CARRIES_CORRECTOR_AND_CAMERA,
                    .repeatability_m = test_given(18e-6, 6e-6),
                    .compensation = test_given(0.0, 0.0)},
        .has_focuser = true,
        .filter = {.centre_m = test_given(550e-9, 0.0), .width_m = test_given(290e-9, 0.0)},
        .camera = {.pixel_m = test_given(3.76e-6, 0.0), .width_px = 6248, .height_px = 4176},
        .binning = test_given(1.0, 0.0),
        .focal_length_m = test_given(0.644, 0.004),
        .camera_angle_rad = test_given(0.0, 0.01),
        .sub_length_s = test_given(300.0, 0.0),
        .focus_interval_s = test_given(5400.0, 900.0),
        .airmass = test_given(1.25, 0.15),
        .resampling = "none",
        .tilt_m = test_given(45e-6, 15e-6),
        .tilt_direction_rad = test_given(2.2, 0.3),
        .curvature_m = test_given(30e-6, 15e-6),
        .decentre_coma_rad = test_given(0.3 * TEST_ARCSEC, 0.2 * TEST_ARCSEC),
        .astigmatism_m = test_given(20e-6, 15e-6)};
}

static inline struct nw_star_frame test_star_frame(double t_s, double airmass, double fwhm_rad) {
    struct nw_star_frame frame;
    nw_star_frame_unknown(&frame);
    frame.t_start_utc_s = t_s;
    frame.exposure_s = 300.0;
    frame.airmass = airmass;
    frame.dec_rad = -0.6;
    frame.fwhm_rad = fwhm_rad;
    frame.fwhm_sigma_rad = 0.01 * fwhm_rad;
    return frame;
}

#endif
