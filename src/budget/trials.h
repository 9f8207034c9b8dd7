/* trials.h - fourth public header of budget: short experiments as data, and which one to do next.
 *
 * A card says what to do, what it costs, what it settles and to what +-, and how its frames or logs
 * are told from others. Order: information per minute about what widens the star, for this rig and
 * what its nights already say: a trial that measures h'v of the squared widths v (covariance C)
 * to sigma brings 1/2 log2(1 + h'Ch / (sigma^2 + floor^2)) bits (Lindley 1956, Ann. Math. Stat. 27,
 * 986, for Gaussians); the floor is 1 % of the squared width, which nobody would see. Pure. */
#ifndef NW_TRIALS_H
#define NW_TRIALS_H

#include "budget/apart.h"
#include "image/image.h"

#define NW_TRIAL_LIST(X)                                                                           \
    X(DRIVE_OFF_TRAIL, "drive-off-trail")                                                          \
    X(SHORT_AND_LONG, "short-and-long")                                                            \
    X(PAIR_ABOUT_FOCUS, "pair-about-focus")                                                        \
    X(ACROSS_A_FOCUS_RUN, "across-a-focus-run")                                                    \
    X(NARROW_AND_WIDE, "narrow-and-wide")                                                          \
    X(FIRST_AND_THIRD_HOUR, "first-and-third-hour")                                                \
    X(THERE_AND_BACK, "there-and-back")                                                            \
    X(DRIVE_ONLY, "drive-only")                                                                    \
    X(ROTATOR_HALF_TURN, "rotator-half-turn")                                                      \
    X(TWO_TUBE_SIDES, "two-tube-sides")                                                            \
    X(FIVE_SECOND_FRAME, "five-second-frame")                                                      \
    X(CAP_ON, "cap-on")                                                                            \
    X(EDGE_CARD, "edge-card")                                                                      \
    X(ALTERNATING_NIGHT, "alternating-night")
enum nw_trial_id {
#define X(name, id) NW_TRIAL_##name,
    NW_TRIAL_LIST(X)
#undef X
        NW_N_TRIALS
};

struct nw_trial {
    enum nw_trial_id id;
    const char *title;
    const char *steps;      /* what to do, in order, separated by line feeds */
    const char *frames;     /* what comes of it: "2 frames of the main camera" */
    double minutes;         /* of a clear night (or of a cloudy one, is_cloud_work) */
    bool is_cloud_work;     /* can be done with the cap on or under cloud */
    const char *caution;    /* NULL: none beyond the usual */
    const char *settles;    /* what, and to what +- */
    const char *recognised; /* how its frames or log are told from others */
    const char *evaluate;   /* the command that takes them */
    const char *quantity;   /* the main one, as it stands in a book: "motion and flexure" */
    /* the star-width lines that it measures together; 0 entries: another matter */
    enum nw_apart_term_id terms[3];
    size_t n_terms;
    /* error of what it says: a share of the lines' own squared width, and of the whole one */
    double own_error, whole_error;
    bool is_commissioning, is_yearly;
};
const struct nw_trial *nw_trial_get(enum nw_trial_id id);
const char *nw_trial_name(enum nw_trial_id id); /* "pair-about-focus" */
/* By name; NOTFOUND names the nearest. */
enum nw_status nw_trial_find(const char *name, const struct nw_trial **ret,
                             struct nw_err *err) NW_CHECKED;

struct nw_trial_rank {
    const struct nw_trial *trial;
    double bits, bits_per_minute;           /* 0: settles something other than the width */
    double sigma_now_rad2, sigma_then_rad2; /* of what it measures; NaN for another matter */
    bool is_possible;
    const char *why_not; /* this rig lacks what it takes; NULL */
    char done[11];       /* the evening it was made last, "2026-05-14"; "": not that it is known */
    bool is_put_back;    /* done of late, and its bits do not say so */
};
/* All trials, most bits per minute first, then those about other matters as in the list, then the
 * impossible ones. `apart`: what the nights say; NULL: the rig's word alone (`budget`). */
void nw_trials_rank(const struct nw_setup *setup, const struct nw_star_budget *budget,
                    const struct nw_apart *apart, struct nw_trial_rank ret[NW_N_TRIALS]);
/* `trial` was done on that evening: by the owner's word alone (his numbers are not in the nights)
 * or as the book has it. Done after `since` ("2025-05-14") it goes behind the others, unless its
 * bits know of it. */
void nw_trials_done(struct nw_trial_rank ranks[NW_N_TRIALS], const char *trial, const char *date,
                    bool is_by_word, const char *since);
/* The trial that would tell two terms apart: the one that brings most bits about their difference;
 * NULL: none of these. */
const struct nw_trial *nw_trial_between(const struct nw_apart *apart, enum nw_apart_term_id a,
                                        enum nw_apart_term_id b);

/* ---- Evaluated ------------------------------------------------------------------------------ */

/* A result, in arcsec^2 of the squared width that the trial's lines make together. */
struct nw_trial_result {
    const struct nw_trial *trial;
    bool is_told;
    double rad2, sigma_rad2;                   /* difference of squared widths; signed */
    double width_rad;                          /* as a width; 0 where rad2 is negative */
    double low_rad, high_rad;                  /* 95 % */
    double foretold_rad2, foretold_sigma_rad2; /* by the rig file; NaN where it does not say */
    size_t n_a, n_b, n_pairs;        /* subs of either kind; of pairs that follow each other */
    size_t n_turns;                  /* from one kind to the other */
    double t_first_s, t_last_s;      /* start of the first, end of the last sub of either kind */
    double longest_a_s, longest_b_s; /* exposures */
    const char *a, *b;               /* "subs of 5 s" */
    char why_null[200];
};
/* short-and-long: subs of at most 10 s between subs at least 10 times as long. The seeing is the
 * same: what the long ones are wider by is motion and flexure (differences of neighbours, so that a
 * wandering air falls out; what little of the air's tilt is slower than the short exposure is taken
 * off by the model). across-a-focus-run: the last subs before and the first after each move of the
 * focuser. narrow-and-wide: two filters in turn, `widths_m` their passbands. first-and-third-hour:
 * subs of the first half hour against those of the third hour, at airmass brought to one by X^0.6.
 */
struct nw_trial_frames {
    const struct nw_star_frame *frames; /* in order of time */
    const double *focuser_steps;        /* NaN or NULL: not known */
    const char *const *filters;         /* or NULL */
    size_t n;
};
enum nw_status nw_trial_evaluate(const struct nw_trial *trial, const struct nw_rig *rig,
                                 const struct nw_setup *setup, const struct nw_trial_frames *frames,
                                 struct nw_trial_result *ret, struct nw_err *err) NW_CHECKED;

/* All trials of this kind that the frames of one night are of, the more telling first, at most
 * NW_TRIALS_OF_WIDTHS of them, in ret[]. `strict`: only what was done on purpose, so that a usual
 * night is not taken for a trial: subs in turn (at least four times from one kind to the other),
 * and subs of at most 90 s across a focus run and in first and third hour, as their cards say. */
enum { NW_TRIALS_OF_WIDTHS = 4 };
enum nw_status nw_trials_recognise(const struct nw_rig *rig, const struct nw_setup *setup,
                                   const struct nw_trial_frames *frames, bool strict,
                                   struct nw_trial_result ret[NW_TRIALS_OF_WIDTHS], size_t *ret_n,
                                   struct nw_err *err) NW_CHECKED;

/* ---- Known by their frames ------------------------------------------------------------------ */

/* A frame as its header has it; NaN, 0 and "": not said. */
struct nw_trial_exposure {
    double t_start_utc_s, exposure_s;
    enum nw_frame_use use;
    int64_t train; /* one camera and telescope */
    const char *filter, *object;
    int tube_side; /* +1 east, -1 west */
    double ra_rad, dec_rad, focuser_steps, rotator_rad;
    double gain_setting, offset_setting, binning, temperature_K;
    double half_light_px;    /* as measured */
    double sun_altitude_rad; /* at its start */
    bool is_taken;           /* by another trial */
};
enum { NW_TRIAL_GROUP_FRAMES = 48 };
struct nw_trial_group {
    enum nw_trial_id id;
    size_t n, frames[NW_TRIAL_GROUP_FRAMES]; /* places in the list, in order of time */
};
struct nw_trial_groups {
    struct nw_trial_group *items;
    size_t n, cap;
};
struct nw_trial_night {
    const struct nw_trial_exposure *frames; /* of one night, in order of time */
    size_t n;
    double depth_steps;   /* depth of focus (+- this) in focuser steps; NaN: no pair is known */
    double settled_utc_s; /* what is later than this may go on yet; INFINITY: all is there */
};
/* Trials that frames are known to be of by what was done, so that a usual night holds none:
 * - pair-about-focus: two places of the focuser, one after the other, 1.5 to 12 depths of focus
 *   either side of where the filter's other subs of that time have it, alike to a factor of two;
 *   not sharp; no row of places (a focus run)
 * - rotator-half-turn: two pairs, rotator turned by 60 degrees and more, on one tube side
 * - two-tube-sides: two pairs, one each side, rotator as it was
 * - five-second-frame: 3 to 8 s between subs ten times as long, none as short within ten minutes,
 *   focuser where they have it
 * - cap-on: darks of one length, gain and temperature: three and more with the Sun under -6 degrees
 *   and one and more with it above the horizon
 * - edge-card: candidates: flats of one filter, rotator angle and half hour; their pixels say
 *   whether a card was before one
 *
 * Where a header does not say what is needed nothing is found. NOMEM. */
enum nw_status nw_trials_by_frames(const struct nw_trial_night *night, struct nw_trial_groups *ret,
                                   struct nw_err *err) NW_CHECKED;
void nw_trial_groups_done(struct nw_trial_groups *groups);

#endif
