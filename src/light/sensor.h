/* sensor.h - what a camera is, from its own bias, dark and flat frames: photon transfer.
 *
 * Pure: frames arrive through a reader of the caller, two at a time, in the order that is wanted.
 * Every value has its standard error; what the frames do not tell is NaN with the reason beside it.
 *   source    Janesick 2007, Photon Transfer, ch. 5 (pairs of frames, eq. for gain and read noise);
 *             EMVA Standard 1288 R3.1, sec. 2 and 6 (sigma_y^2 = K^2 sigma_d^2 + sigma_q^2 +
 *             K (mu_y - mu_y.dark), sigma_q^2 = 1/12; range of the fit up to 70 % of saturation;
 *             linearity over 5 to 95 %); REFERENCES PHO-20, PHO-23
 *   accuracy  bench/sensor.py: gain 0.5 %, read noise 3 %, dark 5 % or 0.0005 e/s, full scale
 *             2 %, with a flickering and drifting lamp, a response that bends and a wandering
 * offset
 */
#ifndef NW_LIGHT_SENSOR_H
#define NW_LIGHT_SENSOR_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "image/image.h"

/* A measured value; v NaN: not measured, and why_null says what is missing. sigma NaN: one measure
 * alone, its error is not known. */
struct nw_sensor_value {
    double v, sigma;
    char why_null[160];
};

/* What is known of a frame before its pixels are read. */
struct nw_sensor_frame {
    const char *path;
    enum nw_frame_use use; /* BIAS, DARK, FLAT; others are left out */
    size_t width_px, height_px;
    double data_max_adu; /* of the data type; NaN: floats */
    struct nw_frame_facts facts;
};

/* Reads the pixels of frame i; the result is the caller's to free with nw_frame_free. */
struct nw_sensor_source {
    enum nw_status (*read)(void *user, size_t i, struct nw_frame **ret, struct nw_err *err);
    void *user;
    const struct nw_progress *progress; /* NULL: nobody listens */
};

struct nw_sensor_opts {
    const char *pattern; /* colour filters; NULL: as the headers say, "": none */
    int n_threads;       /* 0: all */
};

enum {
    NW_SENSOR_SITES = 4,   /* places of the 2 x 2 colour pattern; 1 of a mono camera */
    NW_SENSOR_LEVELS = 64, /* pairs of flats that are kept for the curve */
    NW_SENSOR_TEMPERATURES = 12,
    NW_SENSOR_NOTES = 16,
    NW_SENSOR_TELEGRAPH_DARKS = 20 /* alike, to look for pixels that switch */
};

/* One pair of flats: a point of the photon transfer curve, mean over the sites. */
struct nw_sensor_level {
    double exposure_s;
    double mean_adu;       /* above the offset, brightest site */
    double gain_e_per_adu; /* of this pair alone */
    double gain_sigma_e_per_adu;
    double lamp_change; /* second against first, less 1: taken out by scaling */
    bool is_used;       /* in the fit: below 70 % of full scale and not clipped */
};

/* All darks of one chip temperature. */
struct nw_sensor_dark {
    double temperature_K;         /* NaN: the frames do not say */
    size_t n_frames, n_exposures; /* exposures: different ones, biases counted as one */
    double longest_s;
    struct nw_sensor_value slope_e_s;    /* from the mean levels against exposure */
    struct nw_sensor_value variance_e_s; /* from the growth of the noise, blind to the offset */
    struct nw_sensor_value dark_e_s;     /* the one to believe */
    bool is_from_variance;
    bool is_clamped; /* the level does not follow the noise: the camera takes the dark off itself */
};

/* One colour plane, or the one plane of a mono camera. */
struct nw_sensor_plane {
    char name; /* 'R' 'G' 'B', or 'M' */
    struct nw_sensor_value gain_e_per_adu, read_noise_e, offset_adu;
};

struct nw_sensor {
    size_t width_px, height_px, n_sites;
    char pattern[8];
    size_t n_bias, n_dark, n_flat, n_left_out;
    double gain_setting, offset_setting; /* of the frames that were taken; NaN: unsaid */
    double temperature_K;                /* of the main darks, else of the biases */

    struct nw_sensor_value gain_e_per_adu; /* at small signals */
    struct nw_sensor_value read_noise_e;   /* without the rounding of the converter */
    struct nw_sensor_value offset_adu;
    struct nw_sensor_value offset_drift_e;               /* rms from frame to frame */
    struct nw_sensor_value full_scale_e, full_scale_adu; /* adu: above the offset */
    const char *full_scale_limit; /* "well", "adc" or NULL: no flat reaches it */
    double brightest_e;           /* of the flats that are not clipped: a lower bound */
    struct nw_sensor_value nonlinearity_percent; /* largest deviation, 5 to 95 % of full scale */
    double bend_per_adu, bend_sigma_per_adu;     /* y = K S exp(bend y): NaN when not known */
    const char *nonlinearity_from;               /* "exposures", "noise" or NULL */
    struct nw_sensor_value lamp_scatter_percent; /* from flat to flat beyond the exposure */
    struct nw_sensor_value lamp_drift_percent_h;
    double largest_scaling_percent; /* within a pair of flats */
    struct nw_sensor_value prnu_percent;
    struct nw_sensor_level levels[NW_SENSOR_LEVELS];
    size_t n_levels;

    struct nw_sensor_dark darks[NW_SENSOR_TEMPERATURES]; /* cold first */
    size_t n_darks, main_dark;
    struct nw_sensor_value doubling_K;

    struct nw_sensor_value hot_pixels; /* a count */
    double hot_above_e_s;

    /* pixels that switch between two levels, of twenty darks alike and more (two floats a pixel of
     * memory, frames read twice more); electrons NaN without the gain */
    struct nw_sensor_value telegraph_pixels; /* a count */
    size_t telegraph_darks;
    double telegraph_exposure_s;
    double telegraph_step_e, telegraph_largest_e; /* median and largest step */
    double telegraph_least_e; /* smallest step that is found, of a pixel without dark current */
    double noisy_pixels;      /* far noisier than they should be, without two levels */
    double hit_pixels_per_h;  /* by particles: pixels an hour of darks */

    /* pattern of the read-out, rms, white noise taken off */
    struct nw_sensor_value row_noise_e, column_noise_e;      /* changes from frame to frame */
    struct nw_sensor_value fixed_rows_e, fixed_columns_e;    /* stays */
    struct nw_sensor_value band_amplitude_e, band_period_px; /* along the rows' number */

    struct nw_sensor_plane planes[3];
    size_t n_planes;

    char notes[NW_SENSOR_NOTES][240]; /* headers against frames, frames left out */
    size_t n_notes;
};

/* DATA: nothing to work on (neither two biases, two darks nor two flats of one size). Reader's
 * errors are handed on. Works with two flats and two biases. */
enum nw_status nw_sensor_analyse(const struct nw_sensor_frame *frames, size_t n,
                                 const struct nw_sensor_source *source,
                                 const struct nw_sensor_opts *opts, struct nw_sensor *ret,
                                 struct nw_err *err) NW_CHECKED;

/* Gain and read noise from means and variances of one pair of flats and one of biases (Janesick
 * 2007; REFERENCES PHO-20), rounding left in. flat[2], bias[2]: means [adu]. */
void nw_sensor_two_pairs(const double flat_adu[static 2], const double bias_adu[static 2],
                         double flat_difference_var, double bias_difference_var,
                         double *ret_gain_e_per_adu, double *ret_read_noise_e);

/* Largest relative deviation [%] of y = S exp(bend y) from the best straight line through the
 * origin, over 5 to 95 % of `full` (EMVA 1288 R3.1 sec. 6.7, line by least relative squares). */
double nw_sensor_deviation_percent(double bend_per_adu, double full_adu);

#endif
