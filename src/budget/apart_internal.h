/* apart_internal.h - shared by the files of the season only.
 * Idea: all of a sub that does not change while terms are sampled is worked out once: the radial
 * OTF of its fixed lines, those of its scalable discs on a ladder of scales, and, because the
 * width is measured and the seeing sought, the Bessel weights at half that width. What is left for
 * each try is one exponential a node and Newton's rule for the seeing (apart_air.c). */
#ifndef NW_APART_INTERNAL_H
#define NW_APART_INTERNAL_H

#include "budget/apart.h"
#include "budget/star_internal.h"

enum {
    APART_NODES = 40, /* of frequency, Gauss-Legendre */
    APART_DISCS = 3,  /* ladders: lens colour, focus, tilt and curvature */
    APART_BLOCK = 3,  /* subs a block: even blocks are fitted, odd ones judged */
    APART_MORE_TOLD = 2,
    APART_ERRORS = 11 /* of a focus run, in its standard errors: -2.5, -2 ... 2.5 */
};

/* A disc line at every rung: scale 0, rung, ... (n - 1) rung; where a focus run is known, the
 * scale is the diameter itself. */
struct apart_ladder {
    double rung;
    size_t n;
    double otf[][APART_NODES];
};

#define APART_NO_RUN SIZE_MAX
struct apart_sub {
    size_t night, frame;  /* where it comes from */
    size_t filter;        /* of the evidence's */
    double t_h, t_open_s; /* of the middle, since 1970; since the night's first sub began */
    double excess_K;      /* of the warmest surface over the air; NaN: not known */
    double width_rad, relative_error, airmass;
    double ratio; /* composed over radial width */
    double fixed[APART_NODES];
    /* of the two conditions on the profile: half of the peak at the half width, and its slope */
    double half[APART_NODES], slope[APART_NODES];
    const struct apart_ladder *ladders[APART_DISCS]; /* NULL: line absent */
    /* a known focus run: its place in the model, APART_NO_RUN: unknown, the disc of focus is a mean
     * over drift and errors; discs of the drift since then and of one standard error of a run */
    size_t run;
    double drift_rad, error_rad;
    double motion_rad2, flexure_rad2, decentre_rad2; /* variances per axis at scale 1 */
    double nominal_rad[NW_STAR_N_LINES];             /* widths alone at scale 1 */
    /* differences of variance, rad^2: that of frame x less that of y, and twice the mixed one */
    struct apart_axes {
        double plus, cross;
    } motion_axes, flexure_axes, dispersion_axes;
    bool is_motion_seen, is_vertical_known;           /* by the sub's own log; by time and place */
    double since_focus_s, focus_change_K, exposure_s; /* NaN where not known */
    bool is_fitted, is_changed;                       /* changed: since evidence's changed_at */
};

/* A point of the sampled coordinates: LOCAL_AIR in arcsec, EXTRA and CHANGE in arcsec^2, AIR as ln
 * of 1/r0 against the rig's, SETTLING, NIGHTS, WANDER, SCATTER as logarithms; scales as they are.
 */
struct apart_x {
    double v[NW_APART_N_TERMS];
};

/* What a trial, or something else than the width, makes of the terms: of the sum of weight v^2 over
 * the terms, or of the product of two factors (focus and tilt with curvature). */
struct apart_told {
    double weight[NW_APART_N_TERMS];
    bool is_product, is_trial;
    double ratio, sigma;
};

struct apart_model {
    struct apart_sub *subs; /* by night, then time */
    size_t n, n_nights, n_runs;
    size_t n_spoiled, n_without;
    struct apart_ladder **own; /* all ladders, to be freed */
    size_t n_own, own_cap;
    double f[APART_NODES], weight[APART_NODES]; /* cycles/rad; of f df */
    double f2[APART_NODES];                     /* 2 pi^2 f^2 */
    /* -ln OTF of the rig's seeing at the zenith, at the wavelength of each filter */
    double air[NW_APART_FILTERS][APART_NODES];
    double local[APART_NODES];  /* -ln OTF of local air of 1 rad */
    double r0_m, outer_scale_m; /* of the rig's seeing, at 500 nm */
    double excess_ref_K;        /* usual excess of a night's first sub; NaN: no climate log says */
    const struct nw_apart_witness *witnesses;
    size_t n_witnesses;
    struct apart_told *told; /* with room for APART_MORE_TOLD others */
    size_t n_told;
    struct nw_apart_zones zones;
    struct nw_apart_axes axes;
    /* priors of the sampled coordinates, Gaussian; half ones for widths */
    struct apart_prior {
        bool is_active, is_positive;
        double mean, sigma;
    } prior[NW_APART_N_TERMS];
    struct apart_x rig; /* by the rig's word alone */
};

enum nw_status apart_model_new(const struct nw_rig *rig, const struct nw_setup *setup,
                               const struct nw_apart_evidence *evidence, size_t max_subs,
                               struct apart_model *ret, struct nw_err *err) NW_CHECKED;
void apart_model_done(struct apart_model *model);
/* Of a model whose subs are there. */
enum nw_status apart_priors(const struct star_point *point,
                            const struct nw_apart_evidence *evidence, struct apart_model *model,
                            struct nw_err *err) NW_CHECKED;

/* Terms that a trial spoke about: those that took part, not those that were passed over. */
void apart_mark_told(const struct apart_model *model, const struct nw_apart_evidence *evidence,
                     struct nw_apart *apart);

/* Mean over directions of a line's OTF at the model's nodes. */
void apart_radial(const struct star_line *line, const struct apart_model *model, double *out);
/* A line at scales 0 to 5; one disc at any diameter. The model owns them. */
enum { APART_SCALE_ONE = 8 }; /* the rung of scale 1 */
enum nw_status apart_ladder_new(struct apart_model *model, enum nw_star_line_id id,
                                const struct star_point *point, const struct apart_ladder **ret,
                                struct nw_err *err) NW_CHECKED;
enum nw_status apart_disc_ladder(struct apart_model *model, const struct star_point *point,
                                 const struct apart_ladder **ret, struct nw_err *err) NW_CHECKED;

/* How far a point is from what a trial says, in its sigmas. */
double apart_told_off(const struct apart_told *told, const struct apart_x *x);
/* Its derivative by a term. */
double apart_told_slope(const struct apart_told *told, const struct apart_x *x, int term);

/* How the profile of a sub, at a point, takes small changes. */
struct apart_response {
    double disc;       /* square of the width per square of a disc of defocus; NaN: no run */
    double elongation; /* e of a fitted profile per difference of variance of the axes, 1/rad^2 */
};
bool apart_response_of(const struct apart_model *model, const struct apart_sub *sub,
                       const struct apart_x *x, struct apart_response *ret);
/* What zones and axes of the fitted subs say of the terms, whatever the seeing was (apart_zones.c,
 * apart_axes.c): told[] grows by what they tell. */
enum nw_status apart_zones(const struct star_point *point, const struct nw_apart_evidence *evidence,
                           struct apart_model *model, struct nw_err *err) NW_CHECKED;
enum nw_status apart_axes(const struct nw_apart_evidence *evidence, struct apart_model *model,
                          struct nw_err *err) NW_CHECKED;

/* Sets the two conditions of a sub that is this wide. */
void apart_weigh(const struct apart_model *model, double width_rad, struct apart_sub *sub);

/* ln (r0 of the rig / r0) that makes this sub as wide as it came, when its focus run was `error`
 * standard errors off; false when everything but the air is wider already. *io_air: a guess, then
 * the value. *ret_slope: d ln width / d of it. */
bool apart_air_of(const struct apart_model *model, const struct apart_sub *sub,
                  const struct apart_x *x, double error, double *io_air, double *ret_slope);
/* The same for all errors of the run at once: air + bend[0] e + bend[1] e^2, and the same of the
 * logarithm of the slope, from the exact values at none and Halley's rule at some either way. */
struct apart_seen {
    double air, bend[2];
    double slope, ln_slope[2];
};
bool apart_see(const struct apart_model *model, const struct apart_sub *sub,
               const struct apart_x *x, struct apart_seen *io);
/* Seeing at the zenith and 500 nm of such a value, and back. */
double apart_seeing_rad(const struct apart_model *model, double air);
double apart_air_value(const struct apart_model *model, double seeing_rad);
double apart_local_rad(const struct apart_model *model, const struct apart_sub *sub,
                       const struct apart_x *x);
/* When local air no longer matters: settled_s and n_excess. */
enum nw_status apart_settle(const struct apart_model *model, const struct apart_x *best,
                            struct nw_apart *apart, struct nw_err *err) NW_CHECKED;
/* Width alone of a line term at a sub. */
double apart_width_rad(const struct apart_model *model, const struct apart_sub *sub,
                       const struct apart_x *x, enum nw_apart_term_id term);

/* The latent air of a night: variances of the level (night to night), of its wander in an hour,
 * of one sub. */
struct apart_air_law {
    double mean, night, wander_h, scatter;
};
struct apart_air_law apart_law(const struct apart_x *x);
/* Share of a departure from the mean that is left after dt_h. */
double apart_keep(const struct apart_air_law *law, double dt_h);

/* ln probability of the fitted subs, their airs seen (one of each of the model's subs). */
double apart_ln_nights(const struct apart_model *model, const struct apart_x *x,
                       const struct apart_seen *seen);
/* The likeliest error of each focus run, n_runs of them; 0 where no fitted sub tells. */
void apart_run_errors(const struct apart_model *model, const struct apart_x *x,
                      const struct apart_seen *seen, double *error);

/* Samples: n points, chain after chain. */
struct apart_samples {
    struct apart_x *x;
    size_t n;
    struct apart_x best; /* the most probable: means of bent posteriors fit nothing */
    double convergence;
};
enum nw_status apart_sample(const struct apart_model *model, const struct nw_apart_opts *opts,
                            struct apart_samples *ret, struct nw_err *err) NW_CHECKED;

/* The air of every sub at a point, the focus runs being off as the fitted subs tell. */
struct apart_airs {
    double *air, *slope; /* of every sub; NaN where a sub has none */
    double *bend;        /* of the air by one standard error of the focus run */
    double *error;       /* of every focus run, in its standard errors: the likeliest */
};
enum nw_status apart_airs_new(const struct apart_model *model, const struct apart_x *x,
                              struct apart_airs *ret, struct nw_err *err) NW_CHECKED;
void apart_airs_done(struct apart_airs *airs);
/* Anew, the errors staying. */
void apart_look_at(const struct apart_model *model, const struct apart_x *x,
                   struct apart_airs *airs);
double apart_run_error(const struct apart_airs *airs, const struct apart_sub *sub);
/* Variance of one sub's air: scatter and its width's own error. */
double apart_noise(const struct apart_model *model, const struct apart_air_law *law,
                   const struct apart_airs *airs, size_t i);
/* The air had the run not been off, on the tangent at the likeliest error. */
double apart_air_at_none(const struct apart_model *model, const struct apart_airs *airs, size_t i);

enum nw_status apart_judge(const struct apart_model *model, const struct apart_x *best,
                           struct nw_apart *apart, struct nw_err *err) NW_CHECKED;
enum nw_status apart_patterns(const struct apart_model *model, const struct apart_x *best,
                              struct nw_apart *apart, struct nw_err *err) NW_CHECKED;
/* Whether a term adds a square to the width. */
bool apart_is_square(enum nw_apart_term_id term);
void apart_find_notices(struct nw_apart *apart);
enum nw_status apart_tell(const struct apart_model *model, const struct apart_samples *samples,
                          struct nw_apart *apart, struct nw_err *err) NW_CHECKED;

#endif
