/* trail_seeing.h - a public header of budget of its own: the seeing from one frame taken with the
 * drive stopped.
 *
 * Idea: the wobble across the trails is image motion by the air alone. How large it is, and how it
 * falls off with averaging length, fixes r0 and the wind together. The likelihood is that of all
 * lengths at once: every trail in cosines, each with the power that the frozen flow gives it
 * (nw_sky_tilt_power), the star's own width (nw_trail_response) and white noise. Stars share part
 * of the air; how much is measured from their products, so that ten stars that see the same air are
 * not counted ten times. No prior on the seeing: the witness must not know what is expected.
 * What +- it reaches is in docs/models.md (bench/trail.c). Pure. */
#ifndef NW_TRAIL_SEEING_H
#define NW_TRAIL_SEEING_H

#include "image/trail.h"
#include "rig/rig.h"

/* What the frame and the rig say. */
struct nw_trail_setting {
    double scale_rad;   /* of a pixel */
    double drift_rad_s; /* of the sky: sidereal rate times cos(declination) */
    double airmass;     /* of the field */
    double aperture_m, obstruction;
    double wind_m_s, wind_sigma_m_s; /* prior */
    double outer_scale_m, outer_scale_sigma_m;
    bool noise_is_known; /* the trails' noise_px counts photons (gain known) */
};

enum { NW_TRAIL_LENGTHS = 6 };
struct nw_trail_length { /* rms of the wobble averaged over so long, noise taken off */
    double averaging_s;
    double measured_rad; /* NaN: nothing above the noise */
    double model_rad;    /* of the result */
};

struct nw_trail_seeing {
    double seeing_rad, seeing_sigma_rad; /* FWHM, zenith, 500 nm, long exposure, outer scale in */
    double r0_m, r0_sigma_m;             /* zenith, 500 nm */
    double wind_m_s, wind_sigma_m_s;     /* of the layers, weighed by their turbulence */
    double seeing_wind_correlation;      /* of the logarithms */
    bool wind_is_told; /* narrower than the prior by a quarter at least; else the rig's */
    double wobble_rad; /* rms across, noise taken off, at the trail's own averaging */
    double noise_rad;  /* rms of one step, median star */
    double shared;     /* of the slow wobble, between stars: 0..1; NaN for one star */
    double airmass;
    size_t n_stars, n_steps;
    double step_s;
    struct nw_trail_length lengths[NW_TRAIL_LENGTHS];
    size_t n_lengths;
    double off_rad, off_sigma_rad; /* of the trails' direction from right ascension; NaN */
    const char *off_by;            /* what says how the frame lies; NULL: nothing, not checked */
    /* left out, as in nw_trails */
    size_t n_seen, n_saturated, n_edge, n_blended, n_faint, n_odd_length, n_slanted;
};

/* DOMAIN: a setting out of range. DATA: the wobble is not above its noise. */
enum nw_status nw_trail_seeing_solve(const struct nw_trails *trails,
                                     const struct nw_trail_setting *setting,
                                     struct nw_trail_seeing *ret, struct nw_err *err) NW_CHECKED;

/* The whole way from one frame: the scale from the setup's focal length and the frame's pixel,
 * exposure and declination from the header, priors from the site. `pattern` as of
 * nw_measure_frame ("": mono); of colour frames the green pixels are used.
 * Trails that are not along right ascension are refused (over 3 off_sigma_rad): by the frame's
 * world coordinates, to 1 deg, else by the setup's camera_angle, either hand, to its error and 2
 * deg (not where the header has a rotator, whose zero is nobody's).
 *   errors  those of nw_trails_measure and of nw_trail_seeing_solve; DATA: what neither header nor
 *           rig says; another direction */
enum nw_status nw_trail_seeing(const struct nw_frame *frame, const char *pattern,
                               const struct nw_rig *rig, const struct nw_setup *setup,
                               struct nw_trail_seeing *ret, struct nw_err *err) NW_CHECKED;

/* Part of the error of ln(seeing) that frames of one evening share: layers of several winds are no
 * single flow, and wind and outer scale are those of the rig (bench/trail.c). */
#define NW_TRAIL_SHARED_SIGMA 0.12

/* Several frames of one evening: weighed by their errors, the share of the error that comes from
 * the model and the priors counted once. n >= 1. */
struct nw_trail_seeing_mean {
    double seeing_rad, seeing_sigma_rad;
    double scatter; /* rms of ln(seeing) between the frames; NaN for one */
};
struct nw_trail_seeing_mean nw_trail_seeing_join(const struct nw_trail_seeing *frames, size_t n);

#endif
