/* look.h - what a folder of frames says about the night, without a rig file.
 *
 * nw_look_analyse is pure: it takes frames (header facts, measured stars) and computes star width
 * through the night, shape, pattern over the field, light that was lost, sky, time between subs,
 * changed settings, and a list of what stands out, ranked by what it costs. nw_look_folder reads
 * the folder first.
 *
 * Frames are compared within a group: same camera, size, channel, filter, exposure time and gain.
 * NaN is "not known". Costs are shares of exposure time (0.1: a tenth of the time was without
 * effect), in two currencies: for point sources time goes with 1/A_neq (equivalent-noise area, King
 * 1983, PASP 95, 163), for extended light star width does not enter. */
#ifndef NW_LOOK_H
#define NW_LOOK_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "image/image.h"
#include "look/causes.h" /* why stars are long */
#include "look/losses.h" /* dew, dust, haze, cloud */

/* One light frame. */
struct nw_look_frame {
    char *path; /* owned */
    struct nw_frame_facts facts;
    size_t width_px, height_px, n_planes;
    enum nw_channel channel;             /* of the measure: mono, or green of a colour frame */
    struct nw_frame *header;             /* owned; all cards, for what changed; may be NULL */
    struct nw_measure *measure;          /* owned; NULL: not measured */
    struct nw_transmission transmission; /* value NaN: not known */
    double airmass;                      /* header, altitude, or place and time; NaN */
    size_t group;                        /* index into nw_look.groups */
    double t_mid_s;                      /* middle of the exposure; NaN without a time */
    bool is_skipped; /* header read, pixels not: leaves the list for nw_look.skipped */
};

/* A straight line through a series, outliers clipped at 3 sigma. */
struct nw_look_line {
    size_t n;
    double at_mean, mean_x; /* value of the line at the mean of x */
    double slope, slope_sigma;
    double scatter; /* robust, about the line */
};

/* The largest sudden change of a series: median of up to 5 values before and after. */
struct nw_look_step {
    bool is_found;
    size_t frame;                       /* the first frame after the change */
    double ratio;                       /* after / before */
    double before, after, significance; /* in sigmas of the difference */
};

struct nw_look_width {
    size_t n; /* frames with a width; all else NaN when 0 */
    size_t best_frame, worst_frame;
    double best_px, median_px, worst_px;
    double airmass_low, airmass_high;
    double exponent, exponent_sigma; /* of width ~ X^p; NaN unless X spans 0.15 and n >= 6 */
    double zenith_px;                /* median of width / X^0.6; NaN without airmass */
    double zenith_scatter;           /* robust, relative, of width / X^0.6 (without X: of width) */
    struct nw_look_line per_hour;    /* of ln(width / X^0.6) against hours */
    struct nw_look_step step;        /* of width / X^0.6 */
    double cost_airmass, cost_rest;  /* shares of time, point sources: what X^0.6 explains, and
                                        what it does not */
};

struct nw_look_shape {
    size_t n;
    double e1, e2, e_sigma; /* mean over the frames of each frame's mean vector */
    double scatter;         /* rms of a frame about that mean, per component */
    double elongation, angle_rad;
    double median_elongation;  /* of the single frames */
    double share_in_direction; /* of the frames with an angle within 22.5 deg of angle_rad */
    double cost;               /* 1 - 1/elongation: what round stars of the narrow width would
                                  save, point sources */
};

struct nw_look_field {
    size_t n; /* frames */
    double u[NW_ZONES_X * NW_ZONES_Y], v[NW_ZONES_X * NW_ZONES_Y];
    double ratio[NW_ZONES_X * NW_ZONES_Y]; /* zone width / frame width, median over frames */
    double sigma[NW_ZONES_X * NW_ZONES_Y];
    double centre, corners;             /* mean ratios: inner 3 x 3 zones, 4 corner zones */
    double corner_excess, corner_sigma; /* corners / centre - 1 */
    double right_excess, top_excess, side_sigma; /* (right - left) / centre, (high y - low y) */
    double cost;                                 /* point sources, mean over the field */
};

struct nw_look_light {
    size_t n, n_unmatched;
    double best, median, worst;
    size_t worst_frame;
    double slope_mag; /* magnitudes per airmass, NaN unless X spans 0.15 and n >= 6 */
    size_t n_lost;    /* frames more than 15 % below what airmass explains */
    size_t *lost;     /* their indices, in time order; owned */
    double cost;      /* both currencies: 1 - mean T^2, T freed of the airmass slope */
};

struct nw_look_sky {
    size_t n;
    double first_adu, last_adu, lowest_adu, highest_adu; /* first and last: median of 3 */
    size_t lowest_frame, highest_frame;
    struct nw_look_line per_hour; /* ADU against hours */
    double cost;                  /* both currencies: 1 - mean of lowest variance / variance */
};

/* One number of every frame through the night. */
struct nw_look_trend {
    size_t n;
    double first, last; /* medians of up to three */
    double lowest, highest;
    struct nw_look_line per_hour;
};

/* What the frames tell beyond their stars (image/aspects.h). */
struct nw_look_aspects {
    struct nw_look_trend halo, limit_mag, slope_adu;
    double gain_e_per_adu, gain_sigma; /* 1 / slope of the noise's variance against the level of the
                                          sky; NaN when the sky hardly changed */
    size_t n_streaks, n_frames_with_streaks;
    bool has_causes; /* else the stars are round enough */
    struct nw_elongation_causes causes;
};

struct nw_look_group {
    char camera[72], filter[32];
    double exposure_s, gain_setting;
    size_t width_px, height_px;
    enum nw_channel channel;
    double scale_rad_px; /* pixel over focal length, from the headers; NaN */
    size_t *frames;      /* indices in time order; owned */
    size_t n_frames, n_measured;
    size_t n_without_stars; /* measured, but no width */
    double stars_median;
    struct nw_look_width width;
    struct nw_look_shape shape;
    struct nw_look_field field;
    struct nw_look_light light;
    struct nw_look_sky sky;
    struct nw_look_aspects aspects;
    struct nw_losses losses; /* of light */
};

struct nw_look_gap {
    size_t after, before; /* frames */
    double gap_s;         /* end of one exposure to the start of the next */
};

/* One camera in one night: subs that follow each other within 4 hours. */
struct nw_look_night {
    char camera[72];
    size_t n_subs, n_overlaps;     /* starts before the one before has ended: copies? */
    double t_first_s, t_last_s;    /* first start, last end */
    double exposing_s, between_s;  /* sums; between: all gaps */
    double usual_gap_s;            /* median gap */
    double lost_usual_s;           /* between_s without lost_long_s */
    double lost_long_s;            /* what the long gaps are longer than usual */
    struct nw_look_gap *long_gaps; /* longest first: over 3 usual gaps and 30 s more; owned */
    size_t n_long_gaps;
    size_t every_n;       /* a longer gap (not a long one) every so many subs; 0: no pattern */
    double every_extra_s; /* how much longer */
};

struct nw_look_change {
    char what[72]; /* "gain", "set-point", "filter"; the keyword where it has no name here */
    char key[72];  /* the keyword; "" for focuser position, tube side and target */
    char camera[72];
    char from[80], to[80]; /* of the first change; "(none)" where the keyword is not there */
    size_t frame;          /* the first with the new value */
    size_t n_changes;      /* how often this changed in the night */
    bool is_regular;       /* returns in a regular rotation, as filters do */
    bool is_named;         /* a setting that matters, or focuser, tube side, target */
};

#define NW_LOOK_FINDING_LIST(X)                                                                    \
    X(LONG_GAPS, "long-gaps", "time lost in long gaps between subs")                               \
    X(USUAL_GAPS, "usual-gaps", "time lost between all subs: download, dither, settling")          \
    X(WIDTH_VARIES, "width-varies", "stars wider than in the best part of the night")              \
    X(AIRMASS, "airmass", "stars wider because the target stood low")                              \
    X(FIELD, "field", "stars wider away from the centre")                                          \
    X(ELONGATION, "elongation", "stars longer in one direction")                                   \
    X(LIGHT, "light", "light lost: cloud, haze or dew")                                            \
    X(SKY, "sky", "sky brighter than in the darkest part of the night")
enum nw_look_finding_id {
#define X(name, word, text) NW_LOOK_##name,
    NW_LOOK_FINDING_LIST(X)
#undef X
};
const char *nw_look_finding_word(enum nw_look_finding_id id);
const char *nw_look_finding_text(enum nw_look_finding_id id);

struct nw_look_finding {
    enum nw_look_finding_id id;
    bool is_night; /* index counts nights, else groups */
    size_t index;
    double cost_point, cost_extended; /* of the time of this group or night; NaN: does not enter */
    double weight;                    /* of this group in the whole: share of exposure time */
};

struct nw_look_skipped {
    char *path;
    char why[200];
};

struct nw_look {
    struct nw_look_frame *frames; /* light frames in time order, those without a time last */
    size_t n_frames, n_measured;
    struct nw_look_group *groups; /* most exposure time first */
    size_t n_groups;
    struct nw_look_night *nights;
    size_t n_nights;
    struct nw_look_change *changes;
    size_t n_changes;
    struct nw_look_finding *findings; /* dearest first; those over 2 % are what stands out */
    size_t n_findings;
    size_t n_without_time;
    /* from nw_look_folder */
    size_t n_files, n_bias, n_dark, n_flat, n_other; /* files seen; skipped by image type */
    struct nw_look_skipped *skipped;                 /* unreadable ones */
    size_t n_skipped, skipped_cap;
    bool is_subset; /* not every light frame was measured, to save time */
};

/* Takes the frames over (also on failure; the array and what is in it). n_frames 0 gives an empty
 * look. NOMEM only. */
enum nw_status nw_look_analyse(struct nw_look_frame *frames, size_t n_frames, struct nw_look **ret,
                               struct nw_err *err) NW_CHECKED;
void nw_look_free(struct nw_look *look); /* NULL allowed */
void nw_look_frames_free(struct nw_look_frame *frames, size_t n_frames);

struct nw_look_opts {
    bool all;      /* measure every frame; else an even subset, at least 12 a group, once all would
                      take two cores longer than about ten seconds */
    int n_threads; /* 0 = all */
    int max_depth; /* of sub-folders; 0: the folder alone */
};
/* Lists the FITS files of a folder, reads all headers, leaves out bias, dark and flat frames (by
 * their image type), measures the light frames in parallel (green of colour frames), solves the
 * relative transmission for each group and target. Files that cannot be read are listed as
 * skipped. NOTFOUND: no such folder, no FITS file, no light frame (says what is there instead). */
enum nw_status nw_look_folder(const char *folder, const struct nw_look_opts *opts,
                              const struct nw_progress *progress, struct nw_look **ret,
                              struct nw_err *err) NW_CHECKED;

#endif
