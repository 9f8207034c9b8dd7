/* apart.h - third public header of budget: the star width of many nights taken apart.
 *
 * Idea: what physics gives (5.545 per variance of motion, disc per defocus, X^0.6) is fixed and
 * enters through the same OTFs as in the budget. The air above is a latent value of each sub: a
 * level that differs from night to night, wanders in the night, and scatters from sub to sub. What
 * the rig file says of every other line is a prior on its width, and all are sampled together, so
 * that a line which the nights do not separate from another keeps its prior and shows a
 * correlation. Fit and verdict share no sub: odd blocks of subs are fitted, even ones foretold.
 * docs/models.md says how many nights each line needs. Pure. */
#ifndef NW_APART_H
#define NW_APART_H

#include "budget/budget.h"

/* What is sampled; unit of the value. SCALE: times the width that the rig file foretells. */
#define NW_APART_TERM_LIST(X)                                                                      \
    X(LOCAL_AIR, "local_air", "local air, first sub", NW_STAR_LOCAL_AIR)                           \
    X(SETTLING, "settling_time", "time it takes to settle", NW_STAR_N_LINES)                       \
    X(LENS_COLOUR, "lens_colour", "lens colour", NW_STAR_LENS_COLOUR)                              \
    X(DECENTRE, "decentre", "decentre coma", NW_STAR_DECENTRE)                                     \
    X(FOCUS, "focus", "focus between runs", NW_STAR_FOCUS)                                         \
    X(TILT_CURVATURE, "tilt_curvature", "tilt and curvature", NW_STAR_TILT_CURVATURE)              \
    X(MOTION, "motion", "mount, inside a sub", NW_STAR_MOTION)                                     \
    X(FLEXURE, "flexure", "flexure in a sub", NW_STAR_FLEXURE)                                     \
    X(EXTRA, "unexplained", "not explained", NW_STAR_N_LINES)                                      \
    X(CHANGE, "change", "since the change", NW_STAR_N_LINES)                                       \
    X(AIR, "air_above", "air above, usual", NW_STAR_AIR_ABOVE)                                     \
    X(NIGHTS, "night_to_night", "air above, night to night", NW_STAR_N_LINES)                      \
    X(WANDER, "wander", "air above, in a root hour", NW_STAR_N_LINES)                              \
    X(SCATTER, "scatter", "air above, sub to sub", NW_STAR_N_LINES)
enum nw_apart_term_id {
#define X(name, id, label, line) NW_APART_##name,
    NW_APART_TERM_LIST(X)
#undef X
        NW_APART_N_TERMS
};
const char *nw_apart_term_name(enum nw_apart_term_id id);
/* The budget's line of a term; NW_STAR_N_LINES: it is none. */
enum nw_star_line_id nw_apart_term_line(enum nw_apart_term_id id);

/* One night: subs in order of time. */
struct nw_apart_night {
    char date[16];
    const struct nw_star_frame *frames;
    size_t n;
    /* of focuser or tube since the last focus run, n of them; NaN: not known; or NULL */
    const double *focus_change_K;
    /* how much warmer than the air the warmest of tube, lens and room is at each sub, from a
     * climate log, n of them; NaN: not known; or NULL */
    const double *excess_K;
    /* of each sub, place in the evidence's `filters`; NULL: all of the setup's own */
    const size_t *filters;
};
enum { NW_APART_FILTERS = 8 };

/* What a trial or another witness says, independent of the widths that are fitted. */
struct nw_apart_witness { /* of the air: seeing at the zenith, 500 nm, of one moment */
    size_t night;
    double t_utc_s, seeing_rad, sigma_rad;
};
/* Of lines that a trial changes together: what they add to the squared width, as a share of what
 * the rig file foretells of them. */
struct nw_apart_told {
    enum nw_apart_term_id terms[3]; /* factors on widths: lens colour to flexure; others are no
                                     * terms of a sum and are passed over */
    size_t n;
    double ratio, sigma;
};

struct nw_apart_evidence {
    const struct nw_apart_night *nights;
    size_t n_nights;
    enum nw_star_colour colour;
    /* the setup with each filter that subs were taken through, its own first; each has its own
     * wavelength, passband, diffraction and share of the lens's colour, all see one air. n_filters
     * 0: the setup's own alone; at most NW_APART_FILTERS */
    const struct nw_setup *filters;
    size_t n_filters;
    const struct nw_apart_witness *witnesses;
    size_t n_witnesses;
    const struct nw_star_known *known; /* widths: mean over the subs */
    size_t n_known;
    const struct nw_apart_told *told;
    size_t n_told;
    /* something was changed before this night (index); 0: nothing. What the subs since then are
     * wider by (signed square) is then a term, beside everything that differs from night to night
     * anyway */
    size_t changed_at;
};

struct nw_apart_opts {
    unsigned long seed; /* 0: 1 */
    size_t n_sweeps;    /* of each of four chains; 0: 6000, a third of them thrown away */
    int n_threads;      /* 0 = all cores */
    size_t max_subs;    /* fitted and judged together, spread over the nights; 0: 1200 */
};

/* One term as the nights leave it. Widths in rad (mean over the subs through the setup's own
 * filter, over all where there are none; EXTRA, CHANGE: rad^2,
 * signed), times in s, NIGHTS, WANDER and SCATTER relative, of 1/r0. */
struct nw_apart_term {
    enum nw_apart_term_id id;
    const char *name, *label;
    bool is_present, is_told;  /* told: a trial spoke about it, and was taken */
    double value, sigma;       /* mean and standard deviation of the posterior */
    double low, median, high;  /* 5, 50, 95 % */
    double prior, prior_sigma; /* likewise before the nights spoke */
    double rig;                /* as the rig file has it, mean over the subs */
    double surprise;           /* how many sigmas the nights pull it from the prior */
};

/* Two terms that the nights do not tell apart. */
struct nw_apart_pair {
    enum nw_apart_term_id a, b;
    double correlation;
    double nights_needed; /* like these, until it is under the limit; INFINITY: more do not help */
};
#define NW_APART_CORRELATED 0.9

/* A pattern of the residuals that no line makes. */
struct nw_apart_pattern {
    const char *along, *hint;  /* "time since the focus run"; what could make it */
    double rad2, sigma_rad2;   /* width^2 over the range of it (5 to 95 %); NaN for the power */
    double power, power_sigma; /* of the airmass, which should be 0.6; NaN for all others */
    double significance;
};

/* Something that the rig file and physics do not account for: a term pulled from its prior by
 * more than 3.5 sigmas, a pattern over 4, a power of the airmass or something not explained over 3.
 */
struct nw_apart_notice {
    char what[160];
    const char *hint; /* what could make it; NULL */
    double significance;
};

/* What becomes of one sub that was not fitted. */
struct nw_apart_judged {
    size_t night;
    double t_start_utc_s, low_rad, mid_rad, high_rad, came_rad; /* 90 % band */
};

/* What the corners of the fitted subs did against the middle while focus drifted: the seeing falls
 * out, and so does whatever grows to the corners of every sub alike. Both go with the drift, as 1
 * over the factor of the focus line. */
struct nw_apart_zones {
    size_t n_subs, n_runs;       /* with widths of middle and corners, in focus runs that tell */
    double tilt_m, tilt_sigma_m; /* corner to corner, at the sensor, as in the rig file */
    double curvature_m, curvature_sigma_m; /* without its sign */
    char why_null[120];                    /* "" or why they say nothing */
};

/* What the common elongation of the fitted subs says of flexure: the part of it that goes with the
 * vertical, less dispersion, beside that which goes with the motion in the log and constants. */
struct nw_apart_axes {
    size_t n_subs;                   /* with an elongation, a log, a time and place */
    double flexure2, flexure_sigma2; /* of the square that the rig file has */
    double motion2, motion_sigma2;   /* of the log's; too small by the log's noise: not used */
    char why_null[120];
};

struct nw_apart {
    size_t n_nights, n_subs, n_fitted,
        n_left_out;   /* left out: spoiled, see n_spoiled, or no width */
    size_t n_spoiled; /* far wider than their neighbours */
    struct nw_apart_term terms[NW_APART_N_TERMS];
    double correlation[NW_APART_N_TERMS][NW_APART_N_TERMS]; /* of squared widths */
    struct nw_apart_pair *pairs;                            /* over the limit, strongest first */
    size_t n_pairs;
    double unexplained_rad2, unexplained_sigma_rad2, could_hide_rad; /* as in the budget */
    struct nw_apart_pattern patterns[8]; /* most significant first, all that could be looked for */
    size_t n_patterns;
    struct nw_apart_notice notices[NW_APART_N_TERMS + 8];
    size_t n_notices;
    struct nw_apart_judged *judged;
    size_t n_judged, n_inside;
    size_t n_other_filters; /* subs through other filters than the setup's */
    size_t n_excess;        /* subs whose local air follows a climate log, not the hours */
    /* after the first sub: local air adds less than 1 % to the width; NaN: no local air in the fit;
     * INFINITY: later than the last sub of the usual night */
    double settled_s;
    double convergence; /* largest R-hat of the chains (Gelman & Rubin 1992); below 1.1 is well */
    struct nw_apart_zones zones;
    struct nw_apart_axes axes;
    double sensitivity_rad2[NW_APART_N_TERMS]; /* sd of what the term adds to width^2 */
    char why_null[160];                        /* "" or why nothing was fitted */
};

/*   given     rig, setup resolved; evidence with at least one night of 12 usable subs (else
 *             why_null says so and the terms are the priors)
 *   returned  *ret, yours to free with nw_apart_free
 *   errors    DOMAIN for values that compose no profile, for more than NW_APART_FILTERS filters and
 *             for subs of a filter that is not among them, DATA when no point of the priors can
 *             make stars as narrow as were measured, NOMEM */
enum nw_status nw_apart_new(const struct nw_rig *rig, const struct nw_setup *setup,
                            const struct nw_apart_evidence *evidence,
                            const struct nw_apart_opts *opts, struct nw_apart **ret,
                            struct nw_err *err) NW_CHECKED;
void nw_apart_free(struct nw_apart *apart); /* NULL allowed */

/* The lines as the nights leave them, as evidence of a budget (nw_star_evidence.known), which then
 * says what each change of the rig is worth. Returns how many; 0 where nothing was fitted. */
size_t nw_apart_lines(const struct nw_apart *apart, struct nw_star_known ret[NW_STAR_N_LINES]);

#endif
