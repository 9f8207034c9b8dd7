/* handover.h - what is handed to whoever stacks: which subs, with which weights and why, which
 * calibration frames belong to them, and afterwards whether the stack got what was in them. Third
 * public header of the module.
 *
 * Idea: a sub brings (transmission x exposure)^2 / variance of its sky to extended light, and that
 * over the equivalent-noise area to points (King 1983): these are the weights of a stack whose subs
 * are scaled to the same star flux, and their sum is what the result is worth. A sub is left out
 * for what it shows (no stars, doubled, trailed, cloud over part of it) or because it brings next
 * to nothing; what leaving it out costs stands beside. Pure. */
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

struct nw_hand_sub {
    const char *path;
    const struct nw_frame_facts *facts;
    const struct nw_measure *measure; /* NULL: unreadable */
    size_t width_px, height_px;
    bool is_left_out_by_owner;
    /* filled by nw_handover_judge */
    size_t group;
    struct nw_transmission transmission; /* against the best of its group */
    enum nw_hand_reason reason;
    char detail[120];                     /* the numbers behind the reason */
    double weight_extended, weight_point; /* best of the group = 1; NaN: not known */
    /* share of what the group's kept subs bring together that this one brings, or would bring */
    double brings_extended, brings_point;
};

/* Subs that go into one stack: same camera, size, binning, filter, target and gain. */
struct nw_hand_group {
    char camera[72], filter[32], object[72];
    double gain_setting, offset_setting, set_temperature_K, binning;
    size_t width_px, height_px;
    size_t n, n_kept;
    double exposure_s, kept_s;
    /* of the whole light of all its subs, weighed: what the kept ones hold */
    double kept_extended, kept_point;
    double equal_extended, equal_point; /* what equal weights would leave of the kept ones' */
    double fwhm_px, fwhm_all_px; /* of a perfect stack of the kept, of all: of the mean profile */
    double noise_adu;       /* expected of the kept subs' weighed mean, in ADU of the best sub */
    double noise_equal_adu; /* of the plain mean of subs scaled to the same star flux */
    double one_noise_adu;   /* of the best sub */
    size_t best;            /* sub with the most light for its noise; SIZE_MAX: none */
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
    double angle_rad;                                /* of the rotator, of flats; NaN: 1 deg */
    double stale_dark_s, stale_flat_s, stale_bias_s; /* NaN: 180, 14, 365 days */
    size_t wanted;                                   /* frames of a set; 0: 20 */
};
struct nw_hand_set { /* of one group of subs, one kind, one exposure and angle */
    size_t group;
    enum nw_hand_need need;
    double exposure_s; /* of darks */
    double angle_rad;  /* of flats; NaN: rotator not said */
    double temperature_K;
    size_t n_subs; /* that need it */
    size_t *items; /* indices of those that match; owned */
    size_t n;
    double age_s; /* of the newest against the subs; NaN: no times */
    bool is_missing, is_few, is_stale;
    char nearest[200]; /* missing: what is nearest and in what it differs; "" = nothing there */
};
/* Sets needed by the kept subs of the groups; *ret and its lists are yours (nw_hand_sets_free).
 * Common practice, no source, for temperature, counts and ages. */
enum nw_status nw_handover_calibrate(const struct nw_hand_judged *judged,
                                     const struct nw_hand_calibration *frames, size_t n_frames,
                                     const struct nw_hand_rules *rules, struct nw_hand_set **ret,
                                     size_t *ret_n, struct nw_err *err) NW_CHECKED;
void nw_hand_sets_free(struct nw_hand_set *sets, size_t n);

/* ---- A finished master -------------------------------------------------------------------------
 */

struct nw_hand_audit {
    size_t group, n_subs;  /* kept ones it is compared with */
    size_t n_pairs;        /* stars found in both */
    double flux_scale;     /* master over best sub */
    double noise_adu;      /* of a master's pixel, in ADU of the best sub */
    double noise_area_adu; /* the same as areas see it: correlation of neighbours undone */
    double noise_sigma_adu;
    double expected_adu, expected_equal_adu; /* weighed, and equal weights, sqrt(N) in both */
    double efficiency, efficiency_sigma; /* (expected equal / noise of an area)^2: share of time */
    double correlation;                  /* of neighbours in the master */
    double fwhm_px, fwhm_sigma_px;       /* of the master, in pixels of the subs */
    double subs_fwhm_px, subs_fwhm_sigma_px;
    double wider, wider_sigma; /* of the master's star, relative */
    bool reached_root_n, is_widened;
};
/* master: measured; its scale in pixels may differ by 2 %. DATA: its stars are not those of any
 * group. */
enum nw_status nw_handover_audit(const struct nw_measure *master,
                                 const struct nw_hand_judged *judged, struct nw_hand_audit *ret,
                                 struct nw_err *err) NW_CHECKED;

#endif
