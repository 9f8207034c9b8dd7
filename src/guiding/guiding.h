/* guiding.h - guide logs: reading, what the star did, what the mount did within one sub.
 *
 * A log records e = y + n: motion of the image, plus centroid noise and the tilt of the small
 * aperture averaged over the guide exposure. The raw rms is reported "as logged"; the motion that
 * widens the main camera's stars is y within one sub, given as a value with bounds.
 * Errors are on the sky: arcsec in files, radians inside, + east, + north. */
#ifndef NW_GUIDING_H
#define NW_GUIDING_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"

struct nw_guide_row {
    double t_s; /* mid-exposure; from the start of the log, or t_utc_s if the log has dates */
    double ra_rad, dec_rad; /* star minus lock point on the sky, + east, + north; NaN: no star */
    double ra_pulse_s, dec_pulse_s; /* as sent; + moves the star +; 0 = none; NaN = not logged */
    double snr;                     /* NaN = not logged */
    double lock_x_px, lock_y_px;
    size_t line;   /* in the file */
    bool is_event; /* a row with an event text (dither, pause ...) */
    char event[32];
};

enum nw_pulse_acts { NW_PULSE_ACTS_UNKNOWN, NW_PULSE_ACTS_BEFORE, NW_PULSE_ACTS_AFTER };

struct nw_guide_log {
    char *path;
    struct nw_guide_row *rows; /* in order of time */
    size_t n;
    bool has_dates;  /* t_s is t_utc_s */
    bool axes_mount; /* `# axes: mount`; turned to the sky on reading when tube_side is known */
    enum nw_pulse_acts pulse_acts;
    double exposure_s, guide_scale_rad_px;
    double ra_rate_rad_s, dec_rate_rad_s; /* at the axis */
    double declination_rad, hour_angle_rad, latitude_rad, worm_period_s;
    double zone_offset_s, clock_offset_s; /* applied */
    char tube_side[8];                    /* "east", "west" or "" */
};

/* Reads the CSV of docs/formats.md. Errors: missing columns (with the nearest name), text in
 * numbers, times that run backwards, no usable row; each with file and line. What is missing and
 * only some results need stays NaN. */
enum nw_status nw_guide_read(const char *path, struct nw_guide_log **ret,
                             struct nw_err *err) NW_CHECKED;
void nw_guide_free(struct nw_guide_log *log);

/* Stretches of time that count, and those that do not. */
struct nw_span {
    double start_s, end_s;
};

struct nw_guide_axis {
    size_t n;
    double mean_rad; /* rms is about zero, as logged; the mean stands beside it */
    double rms_logged_rad, p99_rad;
    double uncorrelated_rad; /* upper bound on n: part without correlation from sample to sample */
    double noise_rad;        /* n as estimated by the loop model */
    double noise_low_rad, noise_high_rad;
    double motion_in_sub_rad;               /* rms of y about each sub's own mean, mean over subs */
    double motion_low_rad, motion_high_rad; /* bounds: all uncorrelated part is noise | none is */
    double drift_rad_s,
        drift_sigma_rad_s;           /* open-loop: error plus sum of pulses, dithers cut out */
    double response, response_sigma; /* motion per commanded motion; NaN = not determined */
    bool is_oscillating;
    char why_null[160]; /* why something above is NaN; "" else */
};

struct nw_guide_sub { /* one main-camera exposure */
    double start_s, end_s;
    size_t n;                           /* guide samples inside; fewer than 5: NaN below */
    double ra_rad, dec_rad, cross_rad2; /* rms of y about the sub's mean; covariance */
    double ra_low_rad, ra_high_rad, dec_low_rad, dec_high_rad;
    double drift_ra_rad, drift_dec_rad; /* linear part, end to end over the sub */
};

struct nw_guide_analysis {
    double duration_s;
    size_t n_samples, n_used;
    struct nw_span *gaps, *dithers, *bursts; /* cut out of the analysis (bursts are only named) */
    size_t n_gaps, n_dithers, n_bursts;
    struct nw_guide_axis ra, dec;
    double total_rms_logged_rad;
    struct nw_guide_sub *subs;
    size_t n_subs;
};

struct nw_guide_opts {
    const struct nw_span *subs; /* exposures of the main camera in log time; NULL: cut the log up */
    size_t n_subs;
    double sub_length_s; /* for subs == NULL; NaN = 300 s */
    /* prior knowledge of n from the guide aperture's seeing tilt and centroid noise [rad], NaN =
     * none: lower bound of the noise */
    double noise_floor_rad;
};
enum nw_status nw_guide_analyse(const struct nw_guide_log *log, const struct nw_guide_opts *opts,
                                struct nw_guide_analysis **ret, struct nw_err *err) NW_CHECKED;
void nw_guide_analysis_free(struct nw_guide_analysis *analysis);

/* Lays the log beside the frames. Dithers fall between exposures: the clock offset that puts every
 * dither into a gap between frames is searched within +- 14 h; refused (DATA, saying what was
 * tried) when none does. With a log without dates, the offset is from log zero to UTC. */
struct nw_guide_join {
    double offset_s; /* add to the log's time to get t_utc_s */
    double offset_sigma_s;
    size_t n_dithers, n_between; /* dithers, and how many fall between frames with this offset */
    size_t n_frames_covered;     /* frames with guide samples in them */
    bool is_certain;             /* false: no dithers to judge by; clocks taken as they are */
};
enum nw_status nw_guide_join(const struct nw_guide_log *log, const struct nw_span *frames_utc,
                             size_t n_frames, struct nw_guide_join *ret,
                             struct nw_err *err) NW_CHECKED;

#endif
