/* handover.h - what is handed to whoever stacks: which subs, with which weights and why, which
 * calibration frames belong to them, and afterwards whether the stack got what was in them. Third
 * public header of the module.
 *
 * Idea: a sub brings (transmission x exposure)^2 / variance of its sky to extended light, and that
 * over the equivalent-noise area to points (King 1983): these are the weights of a stack whose subs
 * are scaled to the same star flux, and their sum is what the result is worth. A sub is left out
 * for what it shows (no stars, doubled, trailed, cloud over part of it) or because it brings next
 * to nothing; what leaving it out costs stands beside. Colour cameras: each colour for itself, and
 * one weight for all of them beside. Pure. */
#ifndef NW_LOOK_HANDOVER_H
#define NW_LOOK_HANDOVER_H

#include "image/image.h"

/* ---- Subs ------------------------------------------------------------------------------------ */

#define NW_HAND_REASON_LIST(X)                                                                     \
    X(KEPT, "kept", "")                                                                            \
    X(UNREADABLE, "unreadable", "could not be read or measured")                                   \
    X(NO_STARS, "no-stars", "no usable stars: cloud, dew, a closed lid")                           \
    X(DOUBLED, "doubled", "every star is there twice")                                             \
    X(TRAILED, "trailed", "stars are lines")                                                       \
    X(OUT_OF_FOCUS, "out-of-focus", "stars are discs or rings")                                    \
    X(UNMATCHED, "unmatched", "its stars are not those of the others: another field")              \
    X(PATCHY, "patchy",                                                                            \
      "cloud over part of the field: its sky is no plane, weights do not mend it")                 \
    X(LITTLE, "brings-little", "brings next to nothing to extended light and to points")           \
    X(WIDE, "wide", "far wider stars than the others")                                             \
    X(OWNER, "by-owner", "left out by its owner")
enum nw_hand_reason {
#define X(name, word, text) NW_HAND_##name,
    NW_HAND_REASON_LIST(X)
#undef X
};
const char *nw_hand_reason_word(enum nw_hand_reason reason);
const char *nw_hand_reason_text(enum nw_hand_reason reason);

enum { NW_HAND_COLOURS = 3 };
/* What one colour of a sub brings; of a mono camera the only one. */
struct nw_hand_plane {
    struct nw_transmission transmission;  /* against the best of its group in this colour */
    double weight_extended, weight_point; /* best of the group = 1; NaN: not known */
    /* share of what the group's kept subs bring together that this one brings, or would bring */
    double brings_extended, brings_point;
};

struct nw_hand_sub {
    const char *path;
    const struct nw_frame_facts *facts;
    /* NULL: unreadable; of a colour camera green, by which the sub is judged */
    const struct nw_measure *measure;
    const struct nw_measure *colours[NW_HAND_COLOURS]; /* red, green, blue of a colour camera */
    size_t n_colours;                                  /* 0: mono */
    bool is_grid; /* colours are pixels of a pattern, not planes */
    size_t width_px, height_px;
    bool is_left_out_by_owner;
    /* filled by nw_handover_judge */
    size_t group;
    struct nw_transmission transmission; /* against the best of its group; of `measure` */
    enum nw_hand_reason reason;
    char detail[120];                             /* the numbers behind the reason */
    struct nw_hand_plane planes[NW_HAND_COLOURS]; /* as many as the group has */
    /* one weight for all colours: with it the sum over the colours of the variance, each against
     * its own best, is least: w ~ 1 / sum of (all light / this sub's light) */
    double weight_extended, weight_point; /* best of the group = 1; NaN: not known */
    double brings_extended, brings_point; /* mean of the colours */
    /* of the camera in its tube, by the stars, against the best sub of group turn_of */
    bool has_turn;
    double turn_rad;
    size_t turn_of;
};

/* One colour of a group; of a mono camera the only one. */
struct nw_hand_group_plane {
    /* of the whole light of all its subs, weighed: what the kept ones hold */
    double kept_extended, kept_point;
    double equal_extended, equal_point;   /* what equal weights would leave of the kept ones' */
    double common_extended, common_point; /* what one weight for all colours would leave */
    double fwhm_px, fwhm_all_px; /* of a perfect stack of the kept, of all: of the mean profile */
    double noise_adu;       /* expected of the kept subs' weighed mean, in ADU of the best sub */
    double noise_equal_adu; /* of the plain mean of subs scaled to the same star flux */
    double one_noise_adu;   /* of the best sub */
    size_t best;            /* sub with the most light for its noise; SIZE_MAX: none */
};

/* Subs that go into one stack: same camera, size, binning, filter, target and gain. */
struct nw_hand_group {
    char camera[72], filter[32], object[72], pattern[8];
    double gain_setting, offset_setting, set_temperature_K, binning;
    size_t width_px, height_px;
    size_t n, n_kept;
    double exposure_s, kept_s;
    /* means over the colours */
    double kept_extended, kept_point, equal_extended, equal_point, common_extended, common_point;
    size_t n_planes; /* 1, or red, green and blue */
    size_t main;     /* plane that subs are judged by: green */
    bool is_grid;    /* colours are pixels of a pattern: a quarter, half, a quarter of them */
    struct nw_hand_group_plane planes[NW_HAND_COLOURS];
};

struct nw_hand_opts {
    double least_weight; /* under it in both currencies: left out; NaN: 0.1 */
    double wide;         /* FWHM over the group's median from which on a sub is left out; NaN: 2 */
    double patchy;       /* scatter of the star ratios beyond noise; NaN: 0.1 */
};
/* Groups alone, by the headers: fills subs[i].group. NOMEM. */
enum nw_status nw_handover_group(struct nw_hand_sub *subs, size_t n, struct nw_hand_group **ret,
                                 size_t *ret_n, struct nw_err *err) NW_CHECKED;
/* Groups (yours to free) and judgement of n subs. NOMEM. */
enum nw_status nw_handover_judge(struct nw_hand_sub *subs, size_t n,
                                 const struct nw_hand_opts *opts, struct nw_hand_group **ret,
                                 size_t *ret_n, struct nw_err *err) NW_CHECKED;

/* The same for the calls below; borrowed. */
struct nw_hand_judged {
    const struct nw_hand_sub *subs;
    size_t n;
    const struct nw_hand_group *groups;
    size_t n_groups;
};

/* ---- Calibration frames ------------------------------------------------------------------------
 */

#define NW_HAND_NEED_LIST(X)                                                                       \
    X(DARK, "dark")                                                                                \
    X(FLAT, "flat")                                                                                \
    X(BIAS, "bias")
enum nw_hand_need {
#define X(name, word) NW_HAND_NEED_##name,
    NW_HAND_NEED_LIST(X)
#undef X
        NW_HAND_N_NEEDS
};
const char *nw_hand_need_word(enum nw_hand_need need);

struct nw_hand_calibration {
    const char *path;
    const struct nw_frame_facts *facts;
    enum nw_frame_use use;
    size_t width_px, height_px;
};

/* What counts as belonging together. */
struct nw_hand_rules {
    double temperature_K;                            /* of set points, else of the chip; NaN: 1 */
    double exposure;                                 /* relative, of darks; NaN: 0.02 */
    double angle_rad;                                /* of the camera, of flats; NaN: 1 deg */
    double stale_dark_s, stale_flat_s, stale_bias_s; /* NaN: 180, 14, 365 days */
    size_t wanted;                                   /* frames of a set; 0: 20 */
};
struct nw_hand_set { /* of one group of subs, one kind, one exposure and angle */
    size_t group;
    enum nw_hand_need need;
    double exposure_s; /* of darks */
    double angle_rad;  /* of flats; NaN: rotator not said */
    bool has_turn;     /* of flats: by the stars of its subs, which counts before the headers */
    double turn_rad;
    size_t turn_of;
    double temperature_K;
    size_t n_subs; /* that need it */
    size_t *items; /* indices of those that match; owned */
    size_t n;
    double age_s; /* of the newest against the subs; NaN: no times */
    bool is_missing, is_few, is_stale;
    char nearest[200]; /* missing: what is nearest and in what it differs; "" = nothing there */
};
/* Flats have no stars: their angle is that of the sub nearest in time, within 18 h, where subs show
 * theirs; else the headers' rotator says.
 * Sets needed by the kept subs of the groups; *ret and its lists are yours (nw_hand_sets_free).
 * Common practice, no source, for temperature, counts and ages. */
enum nw_status nw_handover_calibrate(const struct nw_hand_judged *judged,
                                     const struct nw_hand_calibration *frames, size_t n_frames,
                                     const struct nw_hand_rules *rules, struct nw_hand_set **ret,
                                     size_t *ret_n, struct nw_err *err) NW_CHECKED;
void nw_hand_sets_free(struct nw_hand_set *sets, size_t n);

/* ---- A finished master -------------------------------------------------------------------------
 */

enum { NW_HAND_BINS = 2 };
/* The bins of a master in which its noise is set against a group of a colour pattern: two of the
 * subs' pixels, since noise of interpolated colours reaches over that and more. 0: of 2 x 2 px, 1:
 * of 4 x 4 px (its pixels are half as large), NW_HAND_BINS: none (no pattern, or its pixels are
 * twice as large). */
size_t nw_handover_bin(size_t master_width_px, const struct nw_hand_group *group);

/* Measured by nw_measure_frame, in any unit. */
struct nw_hand_made {
    size_t n_planes; /* 1, or red, green, blue */
    const struct nw_measure *planes[NW_HAND_COLOURS];
    /* the same in bins of 2 x 2 px and of 4 x 4 px; NULL: nw_handover_bin does not ask for it */
    const struct nw_measure *binned[NW_HAND_BINS][NW_HAND_COLOURS];
    char filter[32]; /* of its header: says which colour a single plane is */
};

struct nw_hand_audit_plane { /* one colour; NaN or 0 with why_null */
    char why_null[160];      /* "": audited */
    size_t group, colour;    /* whose subs, and which colour of them */
    size_t n_subs;           /* kept ones it is compared with */
    size_t n_pairs;          /* stars found in both */
    double px;               /* side of a master's pixel in pixels of the subs */
    double flux_scale;       /* of the master's values over those of the best sub */
    double noise_adu;        /* of a master's pixel, in ADU of the best sub */
    double noise_area_adu; /* of a sub's pixel as areas see it: correlation of neighbours undone */
    double noise_sigma_adu;
    double expected_adu, expected_equal_adu; /* weighed, and equal weights, sqrt(N) in both; of a
                                                pattern what its share of the pixels can give */
    double efficiency, efficiency_sigma; /* (expected equal / noise of an area)^2: share of time */
    double correlation;                  /* of neighbours in the master */
    double fwhm_px, fwhm_sigma_px;       /* of the master, in pixels of the subs */
    double subs_fwhm_px, subs_fwhm_sigma_px;
    double wider, wider_sigma; /* of the master's star, relative */
    bool is_told; /* the efficiency, to 30 %: a crowded field or nebula hides the stack's noise */
    bool reached_root_n, is_widened;
};
struct nw_hand_audit {
    size_t n_planes;
    struct nw_hand_audit_plane planes[NW_HAND_COLOURS];
};
/* Each plane against the subs of its colour: those of a colour camera, or of a mono camera's filter
 * of that colour (R, red, ...). Its pixels may be as large as those of the subs (2 %), half or
 * twice as large (drizzled, or one for each 2 x 2 of a pattern). DATA: no plane shows the stars of
 * a group; NOMEM. */
enum nw_status nw_handover_audit(const struct nw_hand_made *master,
                                 const struct nw_hand_judged *judged, struct nw_hand_audit *ret,
                                 struct nw_err *err) NW_CHECKED;

#endif
