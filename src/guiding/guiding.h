/* guiding.h - guide logs: reading, what the star did, what the mount did within one sub.
 *
 * A log records e = y + n: motion of the image, plus centroid noise and the tilt of the small
 * aperture averaged over the guide exposure. The raw rms is reported "as logged"; the motion that
 * widens the main camera's stars is y within one sub, given as a value with bounds. n is never
 * called seeing: one star does not tell centroid noise, seeing and fast shake apart. Motion faster
 * than a guide exposure and flexure between guide and main camera are not in the log at all.
 * Errors are on the sky: arcsec in files, radians inside, + east, + north. */
#ifndef NW_GUIDING_H
#define NW_GUIDING_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "guiding/findings.h"

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

/* Does the pulse of a row move the star before or after the error of that row was measured? */
enum nw_pulse_acts { NW_PULSE_ACTS_UNKNOWN, NW_PULSE_ACTS_BEFORE, NW_PULSE_ACTS_AFTER };

struct nw_guide_log {
    char *path;
    struct nw_guide_row *rows; /* in order of time */
    size_t n;
    bool has_dates;         /* t_s is t_utc_s */
    bool has_zone;          /* the times said their zone, or the header did; else taken as UTC */
    bool axes_mount;        /* `# axes: mount`; turned to the sky when tube_side is known */
    bool is_dec_sign_known; /* false: axes of the mount without tube_side */
    enum nw_pulse_acts pulse_acts;
    double exposure_s, guide_scale_rad_px;
    double ra_rate_rad_s, dec_rate_rad_s; /* at the axis; on the sky RA moves rate * cos dec */
    double declination_rad, hour_angle_rad, latitude_rad, worm_period_s;
    double elevation_m;                   /* of the site above the sea */
    double zone_offset_s, clock_offset_s; /* applied */
    char tube_side[8];                    /* "east", "west" or "" */
    /* lines "name=value": what the header says the guide program was set to; what finds no room is
     * left out */
    char settings[2048];
};

/* Reads the CSV of docs/formats.md ("Guide log"). Errors name file and line: missing columns (with
 * the nearest name), text in numbers, times that run backwards, header keys that are nearly known
 * ones, values out of all reason, no usable row. What is missing and only some results need stays
 * NaN. nw_guide_parse: the same from memory; `name` stands in messages. */
enum nw_status nw_guide_read(const char *path, struct nw_guide_log **ret,
                             struct nw_err *err) NW_CHECKED;
enum nw_status nw_guide_parse(const char *name, const char *data, size_t len,
                              struct nw_guide_log **ret, struct nw_err *err) NW_CHECKED;
void nw_guide_free(struct nw_guide_log *log);

/* Stretches of time that count, and those that do not. */
struct nw_span {
    double start_s, end_s;
};

struct nw_guide_axis {
    size_t n;
    double mean_rad;                /* of the samples used */
    double rms_logged_rad, p99_rad; /* rms and 99 % value of |e|, about zero */
    /* upper bound on n: what differs from sample to sample, a memory of 0.2 allowed for */
    double uncorrelated_rad;
    double noise_rad;                     /* n as estimated by the loop model */
    double noise_low_rad, noise_high_rad; /* its 95 % interval */
    /* shake that fades within some samples (shake_s: by e), told from white noise by that; part of
     * the motion, not of the noise; 0: none seen */
    double shake_rad, shake_s;
    double noise_memory; /* correlation of the noise with that of the next sample; NaN: not told */
    /* what noise adds to the variance as logged, by a closer look than the loop model's (NaN:
     * none); motion that the model therefore leaves out */
    double noise_adds_rad2, beside_rad2;
    double motion_in_sub_rad;               /* rms of y about each sub's own mean, mean over subs */
    double motion_low_rad, motion_high_rad; /* bounds: all uncorrelated part is noise | none is */
    double drift_rad_s;       /* open loop: what the star would do without pulses, dithers cut */
    double drift_sigma_rad_s; /* knows that the mount wanders like a random walk */
    double response, response_sigma;       /* motion per commanded motion; NaN = not determined */
    double response_up, response_up_sigma; /* of + pulses, of - pulses; NaN likewise */
    double response_down, response_down_sigma;
    double pulse_rad_s;            /* effect of a second of pulse on the sky; NaN: not told */
    double pulse_gain;             /* correction per error, as logged or inferred; NaN */
    bool is_oscillating;           /* the loop rings: period under 20 samples, hardly damped */
    bool is_response_assumed;      /* pulses were taken to move the star as the rate says */
    bool is_loop_inferred;         /* no pulses logged: a proportional loop was assumed */
    struct nw_guide_check check;   /* findings.h */
    struct nw_guide_habits habits; /* likewise */
    /* why motion, drift or response is NaN; "" else */
    char why_null[160], why_drift[160], why_response[160];
};

struct nw_guide_sub { /* one main-camera exposure */
    double start_s, end_s;
    size_t n;                             /* guide samples inside; fewer than 5: NaN below */
    double ra_logged_rad, dec_logged_rad; /* rms of e about the sub's own mean */
    double ra_rad, dec_rad, cross_rad2;   /* rms of y about the sub's mean; covariance */
    /* 95 % bounds: all uncorrelated part is noise | none is */
    double ra_low_rad, ra_high_rad, dec_low_rad, dec_high_rad;
    double drift_ra_rad, drift_dec_rad; /* linear part, end to end over the sub */
};

struct nw_guide_analysis {
    double duration_s, interval_s; /* first to last sample; median step */
    size_t n_samples, n_used;
    struct nw_span *gaps, *dithers, *bursts; /* cut out of the analysis (bursts are only named) */
    size_t n_gaps, n_dithers, n_bursts;
    bool are_dithers_inferred; /* from jumps that settle: no event or lock point told */
    enum nw_pulse_acts pulse_acts;
    bool is_pulse_acts_inferred;
    struct nw_guide_axis ra, dec;
    struct nw_guide_worm worm;         /* of right ascension: findings.h */
    struct nw_guide_backlash backlash; /* of declination */
    struct nw_guide_replay replay;
    double total_rms_logged_rad;
    struct nw_guide_sub *subs;
    size_t n_subs;
    double sub_length_s; /* mean length of the subs */
};

struct nw_guide_opts {
    const struct nw_span *subs; /* exposures of the main camera in log time; NULL: cut the log up */
    size_t n_subs;
    double sub_length_s; /* for subs == NULL; NaN or 0 = 300 s */
    /* prior knowledge of n from the guide aperture's seeing tilt and centroid noise [rad], NaN =
     * none: lower bound of the noise */
    double noise_floor_rad;
    bool is_loop_only; /* leaves out backlash, self-check and replay: most of the time it takes */
};

/* What is cut out (rules in cut.c):
 * - a gap: more than 3 times the median step without a star;
 * - a dither: from an event row that says "dither", or a lock point that moved by more than 0.2 px
 *   from one row to the next, until "settled" or until three samples in a row lie within 3 robust
 *   sigmas, at most 180 s. Where neither events nor lock points speak of dithers: from a jump of
 *   over 6 sigmas of the steps that stays for at least two samples and settles;
 * - a pause: from an event "pause" to the next "resume".
 * Bursts (both axes over twice their usual scatter for 15 samples) are named, not cut: wind, cable,
 * cloud and seeing all look so.
 *
 * The loop model, per axis: y[k+1] = y[k] + b p[k] + v[k] dt + w[k], v[k+1] = v[k] + a[k],
 * e[k] = y[k] + n[k]; p the logged pulse, w, a, n white with variances q dt, q_v dt, r found by
 * maximum likelihood of the innovations (Harvey 1989, Forecasting, Structural Time Series Models,
 * ch. 3-4). Since n[k] acts on y only later, through p, it stays independent of y[k]. Motion within
 * a sub comes from the smoothed y *and* its posterior covariance. The effect b of a pulse is learnt
 * from the large pulses after dithers (response), else taken from the rate given (response 1,
 * is_response_assumed), else not known: then only bounds. It is not left to the likelihood: noise
 * with a memory of 0.2 makes that read 0.4 for 1. Without logged pulses p[k] = -e[k] and b is the
 * gain of an assumed proportional loop, found by likelihood all the same; noise with memory
 * misleads that too, so that only bounds are given where they differ by more than 30 %. Noise that
 * outlasts a sample counts as motion; a memory of up to 0.2 (seeing) is allowed for in the lower
 * bound.
 *
 * Fewer than 50 used samples: everything the model gives is NaN with the reason. DATA when the log
 * holds no two samples; DOMAIN for subs that run backwards. opts NULL: defaults. */
enum nw_status nw_guide_analyse(const struct nw_guide_log *log, const struct nw_guide_opts *opts,
                                struct nw_guide_analysis **ret, struct nw_err *err) NW_CHECKED;
void nw_guide_analysis_free(struct nw_guide_analysis *analysis);

/* Two settings by turns (findings.h) over runs in any order, each with its analysis. spans: which
 * setting ruled when, in log time (UTC where the logs have dates); NULL: event rows say so, each in
 * its own run. DATA, saying what is missing, for fewer than two settings or four blocks; or a third
 * setting. */
struct nw_guide_compared {
    const struct nw_guide_log *log;
    const struct nw_guide_analysis *analysis;
};
struct nw_guide_setting_span {
    char name[24];
    double start_s, end_s;
};
enum nw_status nw_guide_compare(const struct nw_guide_compared *runs, size_t n,
                                const struct nw_guide_setting_span *spans, size_t n_spans,
                                struct nw_guide_compare *ret, struct nw_err *err) NW_CHECKED;

/* Do the settings go by turns? Runs of one night with dates, in order of time. Changes from one to
 * the other are counted by event rows "setting NAME", where there are none by what the headers of
 * the runs say (nw_guide_log.settings): each run is a span then, named by the first line that
 * differs (of a long one its end). n_changes 0: one setting, more than two, or none said. NOMEM. */
struct nw_guide_turns {
    size_t n_changes;
    double t_first_s, t_last_s;          /* of the runs with one of the two */
    struct nw_guide_setting_span *spans; /* for nw_guide_compare; NULL: event rows say so */
    size_t n_spans;
};
struct nw_guide_runs;
enum nw_status nw_guide_turns_of(const struct nw_guide_runs *runs, struct nw_guide_turns *ret,
                                 struct nw_err *err) NW_CHECKED;
void nw_guide_turns_done(struct nw_guide_turns *turns);
/* The name in an event row "setting NAME"; NULL: another row. */
const char *nw_guide_setting_of(const struct nw_guide_row *row);

/* Lays the log beside the frames. Dithers fall between exposures: the clock offset that puts every
 * dither (9 of 10 from ten dithers on) between frames is found exactly, as the best overlap of
 * intervals. Logs with dates: within +- 120 s; 0 if that fits, since nothing speaks against the
 * clocks; refused when two offsets fit alike (an even rhythm of frames). If none does but one near
 * a multiple of half an hour within +- 14 h does, the error says so and how to state the zone: it
 * is never taken silently. Logs without dates: the offset is free and must be unique; it then leads
 * from log time to UTC. DATA, saying what was tried, when the dithers do not fit; frames are in
 * order of time. */
struct nw_guide_join {
    double offset_s; /* add to the log's time to get t_utc_s */
    double offset_sigma_s;
    size_t n_dithers, n_between; /* dithers, and how many fall between frames with this offset */
    size_t n_frames_covered;     /* frames with guide samples in them */
    bool is_certain;             /* false: fewer than 3 dithers between frames to judge by */
};
enum nw_status nw_guide_join(const struct nw_guide_log *log, const struct nw_span *frames_utc,
                             size_t n_frames, struct nw_guide_join *ret,
                             struct nw_err *err) NW_CHECKED;

#endif
