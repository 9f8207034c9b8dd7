/* synth_internal.h - what the files of the simulator share.
 * Idea: scene (what is fixed for the night) -> night (mount, guide loop, subs, in one walk through
 * time) -> for each sub: field of profiles -> electrons -> counts. Random streams are split by
 * purpose and frame, so that the result does not depend on the number of threads.
 * Axes: sky offsets (e, n) = east, north [rad]; + means that the star's image moved that way.
 * Frame: +y at position angle camera_angle (north through east), +x 90 deg clockwise of it, as a
 * chart with the first row at the bottom shows the sky (angle 0: north up, east left). */
#ifndef NW_SYNTH_INTERNAL_H
#define NW_SYNTH_INTERNAL_H

#include <fftw3.h>
#include <gsl/gsl_rng.h>

#include "sky/sky.h"
#include "synth/synth.h"

enum {
    SYNTH_LAMBDAS = 5,  /* wavelengths of a passband */
    SYNTH_NODES = 5,    /* profiles are computed at 5 x 5 places of the field */
    SYNTH_BOX_PX = 128, /* a profile covers this square */
    SYNTH_OVER = 8,     /* its samples per pixel */
    SYNTH_FINE = SYNTH_BOX_PX * SYNTH_OVER,
    SYNTH_HALF = SYNTH_FINE / 2 + 1,
    SYNTH_AIR_TABLE = 4 * SYNTH_FINE,
    SYNTH_WORMS = 3,
    SYNTH_BANDS = 3,   /* of a colour-filter array */
    SYNTH_FILTERS = 8, /* of a night, before a camera without one */
    SYNTH_BLOCK = 3    /* subs in one filter before the next */
};

/* Streams of random numbers. */
enum synth_stream {
    SYNTH_RNG_SCENE,
    SYNTH_RNG_SEEING,
    SYNTH_RNG_TILT,
    SYNTH_RNG_MOUNT,
    SYNTH_RNG_LOOP,
    SYNTH_RNG_STARS,
    SYNTH_RNG_HOT,
    SYNTH_RNG_FOCUS,
    SYNTH_RNG_CLOUD,
    SYNTH_RNG_FRAME,             /* + index of the frame */
    SYNTH_RNG_MISHAPS = 1 << 20, /* above all frames */
    SYNTH_RNG_GUIDE_STAR,
    SYNTH_RNG_FOCUSER
};
gsl_rng *nw_synth_rng_new(uint64_t seed, uint64_t stream); /* NULL: out of memory */

struct synth_band {
    double low_m, high_m;   /* passband */
    double electrons_per_s; /* of a V = 0 star above the air */
};

struct synth_optics {
    double aperture_m, obstruction, focal_m, f_ratio;
    double travel_factor;                /* defocus at the sensor per focuser travel */
    double thermal_factor;               /* defocus at the sensor per change of the tube's length */
    double expansion_m_K;                /* change of the tube's length */
    double a_m, b_m, c_m;                /* best focus height = a u + b v + c (u^2 + v^2 - 1/3) */
    double astigmatism_m;                /* distance of the line foci at the corner */
    double coma_m, coma_angle_rad;       /* W = coma_m rho^3 cos(phi - angle) */
    double trefoil_m, trefoil_angle_rad; /* rms wavefront */
    double colour_m;                     /* rms focus spread 400-700 nm at the sensor */
    double local_air_rad;
};

/* What turns with what: slopes of best focus beside the camera's own (hang.c). */
struct synth_hang {
    double rotator_rad;                      /* NaN: there is none */
    double focuser_tilt_m, focuser_tilt_rad; /* per half diagonal; direction in its axes */
    double sag_m, sag_rad;                   /* at the horizon with the tube east */
    int tube_side;                           /* +1 east, -1 west of the mount */
};

/* Tube and focuser through the night (focus.c). */
struct synth_focuser {
    double step_m, repeat_m, compensation;
    double lag_s, warm_K; /* of the tube behind the air; how much warmer it begins */
    double swing_K;       /* of the air, over 5 h */
    double flip_m;        /* travel: best focus with the tube west lies so much farther out */
    double play_m;        /* travel lost when the focuser turns round */
    double offset_m[SYNTH_FILTERS]; /* of best focus at the sensor, against the first filter */
};

struct synth_camera {
    char pattern[8];
    size_t full_width_px, full_height_px, width_px, height_px; /* binned */
    size_t x0_px, y0_px;                                       /* readout's corner in the chip */
    double pixel_m, binning, scale_rad, angle_rad;
    double gain_e, read_noise_e, full_scale_e, offset_adu, dark_e_s, max_adu;
};

struct synth_mount {
    double worm_period_s, worm_amplitude_rad[SYNTH_WORMS], worm_phase_rad[SYNTH_WORMS];
    double worm_axis_phase_rad; /* of the first turn at axis angle 0; NaN: phases are drawn */
    double polar_error_rad, polar_angle_rad; /* hour angle towards which the axis is off */
    double walk_ra_rad, walk_dec_rad;        /* per root second */
    double shake_ra_rad, shake_dec_rad, shake_time_s;
    double burst_rad, burst_interval_s, burst_length_s;
    double backlash_rad;              /* gap of the declination gears, at the axis */
    double windup;                    /* share of the motor's way that passes inside the gap */
    double response_ra, response_dec; /* motion per motion asked for */
    double rate_rad_s;                /* guide rate at both axes, as the log states it */
    double flexure_e_rad_s, flexure_n_rad_s;
    double polar_azimuth_rad, polar_altitude_rad; /* injected; NaN: drawn as error and angle */
    double refraction;                            /* 1, or 0 for a sky without air */
};

struct synth_loop {
    double exposure_s, latency_s, gain_ra, gain_dec, min_move_rad, max_pulse_s;
    double aperture_m, scale_rad, snr, extra_width_rad; /* width of the guide star besides seeing */
    double dither_rad, settle_rad, settle_rows, settle_limit_s;
    double readout_s, focus_run_s, focus_interval_s;
    double star_e_rad, star_n_rad; /* place of the guide star against the field's middle */
    double lost_interval_s, lost_length_s;
    double shift_interval_s, shift_rad; /* of the lock point, not asked for */
};

struct synth_scene {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    struct nw_synth_opts opts;
    struct nw_place place;
    struct nw_air_state air;
    double ra_rad, dec_rad, t_start_utc_s, hour_angle_rad /* at the start, of date */;
    double sub_s;
    double temperature_K, temperature_rate_K_s;
    double seeing_rad, outer_scale_m, wind_m_s, wind_angle_rad;
    double sky_mag, sky_gradient, sky_gradient_angle_rad, extinction_mag;
    struct synth_optics optics;
    struct synth_camera camera;
    struct synth_mount mount;
    struct synth_loop loop;
    struct synth_hang hang;
    struct synth_focuser focuser;
    const struct nw_filter *filters[SYNTH_FILTERS];
    size_t n_filters;
    struct synth_band bands[SYNTH_FILTERS];
    size_t n_bands; /* one a filter, or 3 for a colour-filter array: R, G, B */
    bool guide_assumed;
    double joint_ohm; /* of a bad joint in the wire to the hub with the most loads */
};
struct synth_sub;
/* Resolves and checks; DOMAIN, NOTFOUND with the offending path and value. */
enum nw_status nw_synth_scene_init(const struct nw_rig *rig, const char *setup,
                                   const struct nw_synth_opts *opts, struct synth_scene *ret,
                                   struct nw_err *err) NW_CHECKED;

/* The band that a sub is judged in: its filter's, or green. */
size_t nw_synth_judged_band(const struct synth_scene *scene, const struct synth_sub *sub);

/* ---- air.c -------------------------------------------------------------------------------- */

/* Phase structure function of the von Karman spectrum [rad^2]; outer scale infinite: Kolmogorov. */
double nw_synth_structure(double r_m, double r0_m, double outer_scale_m);
/* FWHM of the long-exposure profile of the air alone, by Hankel transform. */
double nw_synth_air_fwhm(double r0_m, double wavelength_m, double outer_scale_m);
/* The r0 that gives a FWHM at a wavelength. NaN when there is none. */
double nw_synth_r0_of_fwhm(double fwhm_rad, double wavelength_m, double outer_scale_m);
/* r0 at another airmass and wavelength: X^-3/5, lambda^6/5 (Fried 1966; Roddier 1981). */
double nw_synth_r0_at(double r0_zenith_500_m, double airmass, double wavelength_m);

/* Zenith seeing through the night and the tilt of the guide aperture. */
struct synth_air {
    size_t n_seeing;
    double seeing_step_s, *seeing_rad; /* zenith, 500 nm */
    double *r0_m;                      /* the same as r0 */
    size_t n_tilt;                     /* periodic */
    double tilt_step_s, tilt_r0_m;     /* r0 for which the series are */
    double *tilt_e_rad, *tilt_n_rad;
};
enum nw_status nw_synth_air_init(const struct synth_scene *scene, double duration_s,
                                 struct synth_air *ret, struct nw_err *err) NW_CHECKED;
void nw_synth_air_done(struct synth_air *air);
double nw_synth_air_r0(const struct synth_air *air, double t_s); /* zenith, 500 nm */
double nw_synth_air_seeing(const struct synth_air *air, double t_s);
/* One-sided spectrum of the tilt along and across the wind [rad^2/Hz] (frozen flow, G-tilt). */
void nw_synth_tilt_spectrum(double frequency_Hz, double aperture_m, double r0_m,
                            double outer_scale_m, double wind_m_s, double ret_along_across[2]);

/* ---- inject.c ----------------------------------------------------------------------------- */

/* Sets numbers of the scene from "NAME=VALUE". USAGE, NOTFOUND, FORMAT, DOMAIN name the text. */
enum nw_status nw_synth_inject(const char *const *texts, size_t n, struct synth_scene *scene,
                               struct nw_err *err) NW_CHECKED;
/* Error and angle of the axis from azimuth and altitude, where those are given. */
void nw_synth_aim_axis(struct synth_scene *scene);

/* ---- track.c ------------------------------------------------------------------------------ */

struct synth_track { /* unit vectors: X meridian and equator, Y east, Z north pole */
    double zenith[3], axis[3];
    double field[3], field_e[3], field_n[3]; /* middle of the field at the start, without air */
    double plane[3], plane_e[3], plane_n[3]; /* tangent plane where it was seen then */
    double refraction_a, refraction_b;       /* 0: no air */
};
void nw_synth_track_init(const struct synth_scene *scene, struct synth_track *ret);
/* Place, in the tangent plane, of the star at an offset (east, north) from the field's middle, when
 * the axis is behind the even drive by ra_axis_rad. */
void nw_synth_track_at(const struct synth_track *track, double t_s, double ra_axis_rad,
                       const double offset[static 2], double ret_en[static 2]);
/* Its derivative by the offset: rows e, n of the plane. 1 0 0 1 at the start but for refraction. */
void nw_synth_track_turn(const struct synth_track *track, double t_s, double ra_axis_rad,
                         double ret[static 4]);

/* ---- night.c, mount.c: one walk through time ----------------------------------------------- */

#define SYNTH_STEP_S 0.05

struct synth_drive { /* state of the mount */
    const struct synth_scene *scene;
    gsl_rng *rng;
    struct synth_track track;
    /* guide star and field's middle of a mount without errors but the pole's: at two times, linear
     * in between (a second order of 1e-7 arcsec) */
    double sky_t_s[2], sky_guide[2][2], sky_field[2][2], sky_zero[2][2];
    double t_s, cos_dec;
    /* sums of pulses; declination: motor, behind the play, behind play and elastic parts */
    double ra_axis_rad, dec_motor_rad, dec_play_rad, dec_axis_rad;
    double ra_behind_rad; /* worm and pulses together, at the axis */
    double walk_e_rad, walk_n_rad, shake_e_rad, shake_n_rad;
    double burst_start_s, burst_end_s;
    double ra_left_s, dec_left_s;  /* pulses still to be executed, signed */
    double e_rad, n_rad;           /* where the guide star stands now */
    double main_e_rad, main_n_rad; /* the main camera's field: with flexure */
    double dec_crossed_rad;        /* way of the motor inside the gap */
};
void nw_synth_drive_init(const struct synth_scene *scene, gsl_rng *rng, struct synth_drive *ret);
void nw_synth_drive_step(struct synth_drive *drive);

struct synth_row { /* of the guide log */
    double t_s, e_rad, n_rad, ra_pulse_s, dec_pulse_s, snr, lock_e_rad, lock_n_rad;
    double noise_e_rad, noise_n_rad; /* truth: centroid noise and tilt */
    char event[16];
    bool is_lost; /* no star: neither errors nor pulses */
};

struct synth_sub {
    double start_s, end_s;
    size_t n_path;
    double *path_e_rad, *path_n_rad; /* about their mean; the frame's block */
    double mean_e_rad, mean_n_rad;   /* mean place of the field */
    double rms_e_rad, rms_n_rad, cov_rad2, drift_e_rad, drift_n_rad;
    double ra_behind_rad;        /* mean over the sub */
    double turn[4];              /* of the field against the first sub: offsets (e, n) to (e, n) */
    double turn_rate[4];         /* change of it per second */
    struct nw_pointing pointing; /* mid-exposure */
    double seeing_rad, r0_m;     /* zenith, 500 nm, mean */
    double transmission;         /* cloud: 1 is clear */
    double temperature_K, focus_steps, defocus_m; /* at the sensor, + too far out */
    double focus_age_s;
    size_t filter;
    double a_m, b_m; /* slopes of best focus, all that hangs on rotator and side taken in */
};

struct synth_focus_run { /* when it ended, error at the sensor */
    double t_s, error_m;
    size_t filter;
    double steps; /* of the counter */
    bool is_inward;
};

struct synth_night {
    struct synth_row *rows;
    size_t n_rows, cap_rows;
    struct synth_sub *subs;
    size_t n_subs;
    double end_s;
    struct synth_focus_run *focus;
    size_t n_focus;
    double gap_crossings;
    size_t n_lost, n_shifts;
};
enum nw_status nw_synth_night_run(const struct synth_scene *scene, const struct synth_air *air,
                                  struct synth_night *ret, struct nw_err *err) NW_CHECKED;
void nw_synth_night_done(struct synth_night *night);

/* ---- focus.c ------------------------------------------------------------------------------ */

double nw_synth_temperature(const struct synth_scene *scene, double t_s); /* of the air */
double nw_synth_tube_temperature(const struct synth_scene *scene, double t_s);
/* From the rig, before anything is injected; offsets need the bands. */
void nw_synth_focuser_init(const struct nw_setup *setup, struct synth_focuser *ret);
enum nw_status nw_synth_focuser_check(const struct synth_scene *scene,
                                      struct nw_err *err) NW_CHECKED;
enum nw_status nw_synth_set_offsets(struct synth_scene *scene, struct nw_err *err) NW_CHECKED;
/* Focus of a wavelength at the sensor against 550 nm: secondary spectrum, quadratic (the usual
 * achromat), with the stated rms over 400-700 nm. */
double nw_synth_colour_m(const struct synth_scene *scene, double wavelength_m);
/* Focus runs and what each sub's focus is; needs the subs' times. */
enum nw_status nw_synth_focus_run(const struct synth_scene *scene, struct synth_night *night,
                                  struct nw_err *err) NW_CHECKED;

/* ---- hang.c ------------------------------------------------------------------------------- */

/* Slopes of best focus at an altitude. */
void nw_synth_slopes(const struct synth_scene *scene, double altitude_rad, double *ret_a_m,
                     double *ret_b_m);

/* ---- pupil.c, psf.c ------------------------------------------------------------------------ */

struct synth_wave {   /* aberrations at one place [m]: W = d rho^2 + astigmatism + coma + trefoil */
    double defocus_m; /* of the sensor, from the plane of best focus */
    double astigmatism_m, astigmatism_angle_rad; /* distance of the line foci; radial direction */
    double coma_m, trefoil_m;
};

/* Grids and transform plans of one wavelength; made before any thread starts. */
struct synth_pupil {
    double wavelength_m;
    size_t n;        /* side of the transform */
    size_t n_across; /* samples over the aperture, odd */
    double step_m;   /* between them: wavelength x frequency step */
    float *mask;     /* n_across^2: share of the cell inside the aperture */
    fftw_plan to_field, to_otf;
};
struct synth_psf_plan {
    const struct synth_scene *scene;
    double frequency_step; /* cycles per radian */
    size_t n_bands;
    struct synth_pupil pupils[SYNTH_FILTERS][SYNTH_LAMBDAS];
    fftw_plan to_image, to_frequency; /* FINE x FINE */
    size_t scratch_n;                 /* side of the largest pupil grid */
};
enum nw_status nw_synth_psf_plan_init(const struct synth_scene *scene, struct synth_psf_plan *ret,
                                      struct nw_err *err) NW_CHECKED;
void nw_synth_psf_plan_done(struct synth_psf_plan *plan);

/* Working memory of one thread. */
struct synth_scratch {
    fftw_complex *field, *otf; /* scratch_n^2: pupil; its autocorrelation, half plane */
    double *intensity;
    float (*air)[SYNTH_LAMBDAS][SYNTH_AIR_TABLE]; /* by band: transfer of the air, lag / 4 */
    fftw_complex *sum;                            /* FINE x HALF */
    fftw_complex *path; /* FINE x HALF: transform of the path, local air, pixel */
    double *image;      /* FINE x FINE */
};
enum nw_status nw_synth_scratch_init(const struct synth_psf_plan *plan, struct synth_scratch *ret,
                                     struct nw_err *err) NW_CHECKED;
void nw_synth_scratch_done(struct synth_scratch *scratch);

/* Transfer function of the aperture with aberrations, on lags of the frequency grid: fills
 * scratch->otf, n x (n/2+1), value 1 at lag 0. */
void nw_synth_pupil_otf(const struct synth_psf_plan *plan, const struct synth_pupil *pupil,
                        const struct synth_wave *wave, struct synth_scratch *scratch);

/* What may be left out of a profile, to see what each contributor is worth. */
enum {
    SYNTH_NO_SEEING = 1u << 0,
    SYNTH_NO_LOCAL_AIR = 1u << 1,
    SYNTH_NO_COLOUR = 1u << 2,
    SYNTH_NO_COMA = 1u << 3,
    SYNTH_NO_FOCUS = 1u << 4,   /* thermal drift and focus run */
    SYNTH_NO_SURFACE = 1u << 5, /* tilt, curvature, astigmatism */
    SYNTH_NO_MOTION = 1u << 6,
    SYNTH_NO_DISPERSION = 1u << 7,
    SYNTH_NO_PIXEL = 1u << 8,
    SYNTH_NO_PINCH = 1u << 9
};
/* scratch->path: all that is common to the field. */
void nw_synth_psf_begin(const struct synth_psf_plan *plan, const struct synth_sub *sub,
                        uint32_t without, struct synth_scratch *scratch);
/* The profile at field place (u, v): phases[OVER][OVER][BOX][BOX], each phase sums to 1. Pixel
 * (i, j) of phase (a, b) is the value at x = i + a/OVER - BOX/2 px from the star. */
void nw_synth_psf_at(const struct synth_psf_plan *plan, const struct synth_sub *sub, size_t band,
                     const double uv[static 2], uint32_t without, struct synth_scratch *scratch,
                     float *phases);

struct synth_width {
    double fwhm_px, major_px, minor_px, angle_rad, neq_area_px2;
};
/* Half-maximum contour of a profile: diameter of the circle of equal area. */
struct synth_width nw_synth_psf_width(const float *phases);

/* ---- stars.c, frame.c ---------------------------------------------------------------------- */

struct synth_star {
    double x_px, y_px; /* frame 1 */
    double mag;
};
struct synth_field {
    struct synth_star *stars; /* brightest first */
    size_t n;
    uint32_t *hot; /* pixel numbers */
    float *hot_e_s;
    size_t n_hot;
};
enum nw_status nw_synth_field_init(const struct synth_scene *scene, struct synth_field *ret,
                                   struct nw_err *err) NW_CHECKED;
void nw_synth_field_done(struct synth_field *field);

/* Electrons of a star, in a band, in one sub. */
double nw_synth_star_electrons(const struct synth_scene *scene, const struct synth_sub *sub,
                               size_t band, double mag);
double nw_synth_sky_electrons(const struct synth_scene *scene, const struct synth_sub *sub,
                              size_t band); /* per pixel at the centre, whole sub */

struct synth_without { /* width at the centre with one contributor left out */
    double seeing, local_air, colour, coma, focus, surface, motion, dispersion, pixel;
};
struct synth_frame_truth {
    struct synth_width centre;
    double mean_fwhm_px; /* over the places of the field */
    double corner_fwhm_px[4];
    struct synth_without without_px; /* NaN where the contributor is absent */
    double dx_px, dy_px;             /* shift of the field against frame 1 */
    double sky_e;
    uint64_t pixel_hash; /* FNV-1a of the counts */
    size_t n_saturated;
};
/* Adds one star's light to an image of electrons. */
struct synth_canvas {
    float *px;
    size_t width_px, height_px;
    const char *pattern; /* "" or the band's letter decides which pixels take light */
    char letter;
};
/* Weights of the points -1, 0, 1, 2 at 0 <= t < 1. */
void nw_synth_lagrange(double t, double weights[static 4]);

struct synth_blend { /* profiles of neighbouring places, weights that sum to 1 */
    const float *nodes[4];
    double weights[4];
    size_t n;
};
void nw_synth_draw_star(const struct synth_canvas *canvas, const struct synth_blend *blend,
                        const double place[static 2], double electrons, int radius_px);
struct nw_synth_climate_truth;
struct synth_job { /* what frames are made from */
    const struct synth_scene *scene;
    const struct synth_psf_plan *plan;
    const struct synth_night *night;
    const struct synth_field *field;
    const char *folder;
    const struct nw_synth_climate_truth *climate; /* NULL: no climate log */
};
enum nw_status nw_synth_frame_make(const struct synth_job *job, size_t index,
                                   struct synth_frame_truth *ret, struct nw_err *err) NW_CHECKED;
enum nw_status nw_synth_frame_write(const struct synth_job *job, size_t index,
                                    const uint16_t *counts, struct nw_err *err) NW_CHECKED;
void nw_synth_frame_name(size_t index, char *name, size_t size);
/* Sky offset to pixels. */
void nw_synth_to_px(const struct synth_scene *scene, double e_rad, double n_rad, double ret_px[2]);

/* ---- files --------------------------------------------------------------------------------- */

enum nw_status nw_synth_guide_write(const struct synth_scene *scene,
                                    const struct synth_night *night, const char *path,
                                    struct nw_err *err) NW_CHECKED;
/* climate.csv of a rig that describes a room; *ret_has false: none is written. */
enum nw_status nw_synth_climate_write(const struct synth_scene *scene,
                                      const struct synth_night *night, const char *path,
                                      struct nw_synth_climate_truth *ret, bool *ret_has,
                                      struct nw_err *err) NW_CHECKED;
enum nw_status nw_synth_focus_write(const struct synth_scene *scene,
                                    const struct synth_night *night, const char *path,
                                    struct nw_err *err) NW_CHECKED;
/* power.csv and its truth; nothing where the rig has no circuits. */
enum nw_status nw_synth_power_write(const struct synth_scene *scene,
                                    const struct synth_night *night, const char *path,
                                    const char *truth_path, struct nw_err *err) NW_CHECKED;
enum nw_status nw_synth_stars_write(const struct synth_job *job, const char *path,
                                    struct nw_err *err) NW_CHECKED;
enum nw_status nw_synth_truth_write(const struct synth_job *job, const struct synth_air *air,
                                    const struct synth_frame_truth *frames, const char *path,
                                    struct nw_err *err) NW_CHECKED;

/* ---- synth.c ---- */
/* Makes it, or takes an empty one. */
enum nw_status nw_synth_folder_open(const char *folder, bool *ret_made,
                                    struct nw_err *err) NW_CHECKED;

#endif
