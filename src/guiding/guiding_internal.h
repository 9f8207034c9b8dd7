/* guiding_internal.h - what the files of this folder share. Units: rad and s throughout. */
#ifndef NW_GUIDING_INTERNAL_H
#define NW_GUIDING_INTERNAL_H

#include "guiding/guiding.h"

enum {
    GUIDE_SPANS_MAX = 100000,
    GUIDE_SAMPLES_MIN = 50,
    GUIDE_SUB_SAMPLES_MIN = 5,
    GUIDE_STEPS_MIN = 3
};

/* ---- read.c ---- */
/* Errors and pulses along the axes of the mount become + east, + north where the side is known. */
void nw_guide_turn_to_sky(struct nw_guide_log *log);

/* ---- cut.c: which rows count ---- */
struct guide_spans {
    struct nw_span *items;
    size_t n, cap;
};
struct guide_cut {
    bool *keep;   /* per row of the log */
    bool *starts; /* per row: first kept row after a gap, dither or pause */
    size_t n_rows, n_star, n_keep;
    double interval_s; /* median step between rows with a star */
    struct guide_spans gaps, dithers, bursts;
    bool are_dithers_inferred;
};
enum nw_status nw_guide_cut(const struct nw_guide_log *log, struct guide_cut *ret,
                            struct nw_err *err) NW_CHECKED;
void nw_guide_cut_done(struct guide_cut *cut);

/* ---- loop.c: the state-space model of one axis ---- */

/* Kept samples of one axis. x is the path that the pulses would have led the star on, per unit of
 * b: x[k] = sum of p before sample k. All zero where none was sent. */
struct guide_series {
    size_t n;
    double *t_s, *e_rad, *x;
    double *known; /* part of the motion that is taken as known: the worm; 0 else */
    bool *starts;
    double dt0_s; /* unit of time of the fit */
};

/* Sums over the innovations of one pass, all in units of r: the likelihood for any b and r. */
struct guide_sums {
    double ee, ex, xx, ln_s;
    size_t n;
};

struct guide_fit {
    double ln_q, ln_qv; /* ln(q/r), ln(qv/r) with time in dt0; ln_qv <= GUIDE_LN_NONE: no wander */
    double r_rad2;      /* variance of n */
    double b;           /* motion per unit of x */
    double nll;         /* minus ln likelihood; rad^2 inside: only differences mean something */
    bool is_b_free;
    double ln_r_sigma, b_sigma; /* joint, from the curvature; NaN: not determined */
};
#define GUIDE_LN_NONE (-24.0)

/* Passes the filter over the series. */
struct guide_sums nw_guide_filter(const struct guide_series *s, double ln_q, double ln_qv);
double nw_guide_nll(const struct guide_sums *sums, double b, double r_rad2);

struct guide_fit_opts {
    double b_fixed;       /* NaN: free */
    double r_floor_rad2;  /* 0: none */
    bool is_wander_fixed; /* no q_v: constant drift */
};
/* Maximum likelihood. Holds for n >= GUIDE_SAMPLES_MIN. */
struct guide_fit nw_guide_fit_loop(const struct guide_series *s, const struct guide_fit_opts *opts);

/* Smoothed states: y and its covariance with the states behind it. */
struct guide_state {
    double y_rad, v_rad;       /* motion seen by the camera; open-loop drift per dt0 */
    double p00, p01, p11;      /* posterior covariance */
    double c00, c01, c10, c11; /* gain back to the state before: cov(x[k], x[k+1]) = C P[k+1] */
};
enum nw_status nw_guide_smooth(const struct guide_series *s, const struct guide_fit *fit,
                               struct guide_state *states, struct nw_err *err) NW_CHECKED;
/* Expected variance of y about its own mean over samples first .. last-1; of what the loop model
 * leaves out beside it the share within a sub of n samples. */
double nw_guide_beside_var(const struct nw_guide_axis *axis, double n);
double nw_guide_motion_var(const struct guide_state *states, size_t first, size_t last);

/* Open-loop drift per second with constant v, given b; sigma_rad_s from the random walk. */
void nw_guide_drift(const struct guide_series *s, const struct guide_fit *fit, double *ret_rad_s,
                    double *ret_sigma_rad_s);

/* ---- drift.c ---- */
struct guide_drift {
    double rate_rad_s, sigma_rad_s; /* steady, open loop, given b */
    /* the noise that this closer look found: its variance, memory from sample to sample, and, where
     * shake stands beside white noise (the memory is the shake's then), the white part; NaN else */
    double noise_rad2, memory, white_rad2;
};
/* What is known of fit->b, the effect of a pulse: from other samples (dithers) or beforehand, then
 * the likelihood joins in; or from these very samples, then it has spoken already. */
struct guide_known_b {
    double sigma; /* 0: b is known */
    bool is_from_these;
};
enum nw_status nw_guide_find_drift(const struct guide_series *s, const struct guide_fit *fit,
                                   struct guide_known_b known, struct guide_drift *ret,
                                   struct nw_err *err) NW_CHECKED;

/* ---- axis.c ---- */
struct guide_pulses {
    bool are_logged;
    size_t n_sent; /* rows with a pulse */
};
struct guide_pulses nw_guide_count_pulses(const struct nw_guide_log *log, bool is_dec);
/* Rate on the sky per second of pulse; NaN with the reason. */
double nw_guide_rate(const struct nw_guide_log *log, bool is_dec, char why[static 160]);
/* Fills a series that has room for all kept rows. */
void nw_guide_fill(const struct nw_guide_log *log, const struct guide_cut *cut, bool is_dec,
                   enum nw_pulse_acts acts, struct guide_series *s);

/* Variance of what differs from sample to sample (second differences / 6), of e - b x; and its
 * relative sigma. NaN with fewer than 10 even triples. */
double nw_guide_uncorrelated_var(const struct guide_series *s, double b, double *ret_rel_sigma);
bool nw_guide_is_ringing(const struct guide_series *s);

/* ---- response.c ---- */
struct guide_response {
    double b, b_sigma;                     /* rad per unit of path; NaN: not determined */
    double up, up_sigma, down, down_sigma; /* by the direction of the step */
    size_t n_steps;                        /* large pulses it rests on */
};
/* path: at every row, where the pulses would have led the star per unit of b (play.h). */
struct guide_response nw_guide_learn_response(const struct nw_guide_log *log,
                                              const struct guide_cut *cut, bool is_dec,
                                              const double *path, double noise_rad);

struct guide_axis_opts {
    const struct guide_cut *cut;
    bool is_dec;
    enum nw_pulse_acts acts;
    double noise_floor_rad;
    double *scratch;                    /* as long as the series */
    struct nw_guide_backlash *backlash; /* to be filled; NULL: not asked, or always one way */
    struct nw_guide_worm *worm;         /* to be filled; NULL: this axis has none */
};
/* Fills axis (set to NaN by the caller) but for the motion; states are the smoothed ones, valid
 * when the series has GUIDE_SAMPLES_MIN samples. */
enum nw_status nw_guide_axis(const struct nw_guide_log *log, struct guide_series *s,
                             const struct guide_axis_opts *opts, struct guide_state *states,
                             struct nw_guide_axis *axis, struct nw_err *err) NW_CHECKED;

/* ---- subs.c: motion within exposures of the main camera ---- */
struct guide_pair {
    const struct guide_series *ra, *dec;              /* the same rows */
    const struct guide_state *ra_states, *dec_states; /* NULL: no model */
};
/* Cuts runs without a break into whole subs. */
enum nw_status nw_guide_make_subs(const struct guide_series *s, double length_s,
                                  struct guide_spans *ret, struct nw_err *err) NW_CHECKED;
void nw_guide_measure_sub(const struct guide_pair *pair, const struct nw_guide_opts *opts,
                          const struct nw_guide_analysis *a, struct nw_guide_sub *sub);
/* What the loop model leaves out of the motion: mean variance as logged less what noise adds less
 * the motion of the model, over the subs, into beside_rad2 of both axes. */
void nw_guide_find_beside(struct nw_guide_analysis *a);
/* Means over the subs into a->ra and a->dec. */
void nw_guide_sum_subs(struct nw_guide_analysis *a, double floor_rad);

#define GUIDE_NOT_LOGGED                                                                           \
    "pulses are not logged: what they took away is not known (columns of 0 say that none were "    \
    "sent)"

/* Adds "name=value\n" unless the name is there or there is no room. */
void guide_add_setting(struct nw_guide_log *log, const char *name, const char *value, size_t len);

#endif
