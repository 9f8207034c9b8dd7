/* trail.h - second public header of synth: a frame whose drive stood still, with the truth.
 *
 * Idea: the air is a few layers of frozen von Karman turbulence that the wind carries over the
 * aperture; each is a sum of plane waves, so that stars at other places of the sky look through
 * other parts of it. Wobble and trail follow from it step by step. No formula is shared with the
 * analysis: no temporal spectrum occurs here, and the seeing of the truth comes from the Hankel
 * transform of the structure function. */
#ifndef NW_SYNTH_TRAIL_H
#define NW_SYNTH_TRAIL_H

#include <stddef.h>
#include <stdint.h>

#include "synth/synth.h"

enum { NW_SYNTH_LAYERS = 6 };
struct nw_synth_layer {
    double height_m; /* along the line of sight */
    double share;    /* of the turbulence, r0^(-5/3); relative */
    double wind_m_s;
    double wind_angle_rad; /* from the frame's +x to +y */
};

struct nw_synth_trail_opts {
    uint64_t seed;
    struct nw_synth_layer layers[NW_SYNTH_LAYERS];
    size_t n_layers;
    double seeing_rad;    /* FWHM in the line of sight, 500 nm, long exposure, with outer scale */
    double outer_scale_m; /* infinite: none */
    double aperture_m;
    double scale_rad; /* of a pixel */
    double width_rad; /* FWHM of a star at one moment: optics, focus, air without its tilt */
    double exposure_s, dec_rad;
    double angle_rad; /* of the drift, from +x to +y */
    size_t width_px, height_px, n_stars;
    double brightest_e_s, faintest_e_s; /* electrons per second of the stars, even in magnitude */
    double sky_e, read_noise_e;         /* of a pixel, whole exposure */
    double gain_e_per_adu, offset_adu, full_adu; /* counts end at full_adu */
    double scintillation; /* rms of the brightness of one step of 20 ms, relative */
    double tracking;      /* 0: the drive stands; 1: it runs */
};

/* Fills px (width_px * height_px, row after row) with counts. *ret_r0_m: of 500 nm, in the line of
 * sight. DOMAIN names what is out of range. */
enum nw_status nw_synth_trail(const struct nw_synth_trail_opts *opts, float *px, double *ret_r0_m,
                              struct nw_err *err) NW_CHECKED;

/* The tilt alone: n_steps means over step_s for each of n_stars places [rad, on the sky], row after
 * row of stars; x and y components. */
struct nw_synth_tilt_path {
    const double *x_rad, *y_rad; /* places of the stars, n_stars */
    size_t n_stars, n_steps;
    double step_s;
};
enum nw_status nw_synth_trail_tilt(const struct nw_synth_trail_opts *opts,
                                   const struct nw_synth_tilt_path *path, double *tilt_x_rad,
                                   double *tilt_y_rad, struct nw_err *err) NW_CHECKED;

/* The drive-off trial of a rig into `folder` (new or empty): trail_001.fits ..., n_subs of them (0:
 * 3), and truth.json. Of the options seed, n_subs, size, seeing, sub_length_s (20 s), dec_rad (0)
 * and hour_angle_rad (0) count. Errors as nw_synth_night; DOMAIN: the field stands below airmass 5.
 */
enum nw_status nw_synth_trail_frames(const struct nw_rig *rig, const char *setup,
                                     const struct nw_synth_opts *opts, const char *folder,
                                     size_t *ret_n, struct nw_err *err) NW_CHECKED;

#endif
