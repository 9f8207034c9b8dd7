/* budget.h - the star-width budget: what widens the star, what was delivered, what is not
 * explained, what cannot be told, what each change is worth.
 *
 * Idea: every line is predicted from the rig as one or two OTFs on the sky; lines are composed by
 * multiplying OTFs (optics), shared order-free, and set beside the widths that frames show. The air
 * above is a prior here, never read off the widths that it is compared with; the blind half sets it
 * on the first half of the subs and foretells the second. Pure: all evidence comes in structs.
 * Formulas, sources and what is not modelled, line by line: docs/models.md. */
#ifndef NW_BUDGET_H
#define NW_BUDGET_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"
#include "optics/optics.h"
#include "rig/rig.h"

/* Lines; ids are fixed (CONTRACT, allocations of the rig file). */
#define NW_STAR_LINE_LIST(X)                                                                       \
    X(AIR_ABOVE, "air_above", "air above")                                                         \
    X(LOCAL_AIR, "local_air", "local air")                                                         \
    X(DIFFRACTION, "diffraction", "diffraction")                                                   \
    X(LENS_COLOUR, "lens_colour", "lens colour")                                                   \
    X(DECENTRE, "decentre", "decentre coma")                                                       \
    X(FOCUS, "focus", "focus between runs")                                                        \
    X(TILT_CURVATURE, "tilt_curvature", "tilt and curvature")                                      \
    X(MOTION, "motion", "mount, inside a sub")                                                     \
    X(FLEXURE, "flexure", "flexure in a sub")                                                      \
    X(FIELD_ROTATION, "field_rotation", "field rotation")                                          \
    X(DISPERSION, "dispersion", "dispersion by the air")                                           \
    X(PIXEL, "pixel", "pixel")                                                                     \
    X(COLOUR_FILTER, "colour_filter", "colour-filter sampling")                                    \
    X(RESAMPLING, "resampling", "resampling")
enum nw_star_line_id {
#define X(name, id, label) NW_STAR_##name,
    NW_STAR_LINE_LIST(X)
#undef X
        NW_STAR_N_LINES
};
const char *nw_star_line_name(enum nw_star_line_id id); /* "air_above" */

/* Delivered widths (image) and composed ones are both of the half-maximum contour; what is left
 * between them, as a fraction: frames drawn with the composed profile are measured within it
 * (tests/reference/test_check.py). Part of measured_sigma_rad. */
#define NW_STAR_WIDTH_READING 0.005

/* One sub as measured; NaN = not known. Widths are delivered FWHM on the sky, of the half-maximum
 * contour. */
struct nw_star_frame {
    double t_start_utc_s, exposure_s, airmass, dec_rad;
    double fwhm_rad, fwhm_sigma_rad;
    double e1, e2, e_sigma;                     /* mean vector of the frame's stars */
    double fwhm_centre_rad, fwhm_corner_rad[4]; /* middle zone, corner zones of a 5 x 5 grid */
    /* motion within this sub from the guide log, noise taken off; bounds: of each axis */
    double motion_ra_rad, motion_dec_rad;
    double motion_ra_low_rad, motion_ra_high_rad, motion_dec_low_rad, motion_dec_high_rad;
    double since_focus_s;   /* time since the last focus run */
    double parallactic_rad; /* position angle of the zenith at the field's middle */
};

/* Nothing known: NaN everywhere. */
void nw_star_frame_unknown(struct nw_star_frame *frame);

/* Fills since_focus_s of n frames in order of time from the focuser's positions: time since its
 * last change, known only after the first, and only where changes are rare (a focuser that follows
 * the temperature moves at every other frame, and says nothing of focus runs). */
void nw_star_since_focus(struct nw_star_frame *stars, const double *steps, size_t n);

/* How one colour of a colour camera was measured. */
enum nw_star_colour {
    NW_STAR_COLOUR_OWN_PIXELS,  /* on its own pixels: nothing is interpolated */
    NW_STAR_COLOUR_INTERPOLATED /* on a finished colour image */
};

/* What the guide log says of the loop: settings replayed on the same night, play of the gears. */
struct nw_star_loop {
    bool is_replayed, is_flat;           /* flat: nothing to win by other settings */
    double now_rad, best_rad, sigma_rad; /* motion within a sub, both axes */
    double gain_ra, gain_ra_low, gain_ra_high, gain_dec; /* best, equal range; Dec NaN: not told */
    bool is_backlash_told;  /* identified, or bounded below the noise of one sample */
    char why_backlash[200]; /* why not */
};

/* A line's width alone, as other evidence leaves it: many nights, a trial. */
struct nw_star_known {
    enum nw_star_line_id line;
    double width_rad, sigma_rad;
};

struct nw_star_evidence {
    const struct nw_star_frame *frames;
    size_t n_frames;
    enum nw_star_colour colour;
    bool has_guiding;
    /* over the whole log, where subs have none of their own */
    double motion_ra_rad, motion_dec_rad;
    double motion_ra_low_rad, motion_ra_high_rad, motion_dec_low_rad, motion_dec_high_rad;
    /* as logged, for the remark beside the motion; drift decides what can be said of backlash */
    double rms_logged_ra_rad, rms_logged_dec_rad;
    double drift_dec_rad_s, drift_dec_sigma_rad_s;
    bool is_join_certain;
    struct nw_star_loop loop;
    /* from frames beside the log; has_...: it was told */
    bool has_flexure, has_polar_error;
    double flexure_rad_s, flexure_sigma_rad_s, flexure_angle_rad; /* position angle it goes in */
    double polar_error_rad, polar_error_sigma_rad;                /* from the true pole */
    /* take the place of what the rig's inputs make of these lines, at the airmass, length and so on
     * of the frames; basis: where they are from ("many nights") */
    const struct nw_star_known *known;
    size_t n_known;
    const char *known_basis;
};

/* A change of the rig and the rig as it would then be (nw_rig_read with the overrides). */
struct nw_star_alternative {
    const struct nw_change *change;
    const struct nw_rig *rig;
    const struct nw_setup *setup;
};

/* All widths are FWHM in radians on the sky; NaN is "not known", why_null says why. */
struct nw_star_line {
    enum nw_star_line_id id;
    const char *name, *label;
    bool is_present;                           /* false: this rig has no such line */
    double allowed_rad;                        /* the owner's allocation */
    double predicted_rad, predicted_sigma_rad; /* from the rig */
    double measured_rad, measured_low_rad, measured_high_rad;
    double alone_rad, alone_sigma_rad; /* what the total is made of: measured, else predicted */
    double total_without_rad, share;
    double attainable_rad; /* by the best change of the rig for this line */
    double time_percent_point, time_percent_extended; /* saved by it; NaN: nothing attainable */
    const char *basis;                                /* model and source */
    char detail[160];                                 /* the numbers that went in */
    enum nw_from provenance;                          /* the weakest of its inputs */
    char why_null[160]; /* why nothing was measured, and what would measure it */
};

struct nw_star_blind {
    size_t n_fitted, n_judged, n_inside; /* inside: of the 90 % band, among the judged */
    double seeing_rad, seeing_sigma_rad; /* latent level at the end of the first half */
    double scatter, wander_per_sqrt_h; /* relative, from frame to frame; of the level in an hour */
    double foretold_rad, foretold_sigma_rad, came_rad; /* means over the second half */
    double worst_rad;                                  /* came minus foretold, the largest */
    struct nw_star_foretold {                          /* one each of the second half */
        double t_start_utc_s, low_rad, mid_rad, high_rad, came_rad;
    } * subs;
    char why_null[160]; /* "" when it was done */
};

struct nw_star_unknown { /* what cannot be told */
    char what[200];
    const char *trial, *settles_to;
    int minutes;
};
struct nw_star_advice {
    const struct nw_change *change;
    double total_now_rad, total_then_rad, difference_sigma_rad;
    double time_percent_point, time_percent_extended, sigma_percent;
    enum nw_star_line_id line; /* the one that it changes most */
    char prediction[240], why[200];
};

struct nw_star_budget {
    struct nw_star_line lines[NW_STAR_N_LINES];
    struct nw_psf whole;
    double allowed_rad, over_probability; /* P(predicted > allowed) */
    double predicted_rad, predicted_sigma_rad;
    double measured_rad, measured_sigma_rad; /* mean over frames */
    size_t n_frames;
    double airmass_min, airmass_max, airmass;
    bool is_airmass_known;
    /* measured^2 - predicted^2, signed; and what could still hide (95 %, as a width) */
    double unexplained_rad2, unexplained_sigma_rad2, could_hide_rad;
    enum nw_star_line_id limiting;                   /* largest share */
    double centre_rad, corner_rad;                   /* predicted, middle and worst corner zone */
    double centre_measured_rad, corner_measured_rad; /* NaN without frames */
    double elongation, elongation_motion; /* predicted; by the axes' difference of motion alone */
    double elongation_measured;           /* from the mean (e1, e2) of the frames */
    bool is_angle_known;                  /* the frame's position angle was given */
    struct nw_star_blind blind;
    struct nw_star_unknown unknown[12];
    size_t n_unknown;
    struct nw_star_advice *advice; /* best first */
    size_t n_advice;
    struct nw_star_advice *leave; /* worth under 1 % or under its own sigma */
    size_t n_leave;
    struct nw_star_loop loop; /* of the evidence */
    char cautions[4][160];
    size_t n_cautions;
};

/* The budget of one setup.
 *   given     rig, setup       resolved by nw_rig_read; setup one of rig->setups
 *             evidence         NULL: prediction only
 *             alternatives     one per change of the setup, or n = 0
 *   returned  *ret, yours to free; pointers into rig and alternatives stay borrowed
 *   errors    DOMAIN for values that compose no profile; DATA for frames without any width */
enum nw_status nw_star_budget_new(const struct nw_rig *rig, const struct nw_setup *setup,
                                  const struct nw_star_evidence *evidence,
                                  const struct nw_star_alternative *alternatives,
                                  size_t n_alternatives, struct nw_star_budget **ret,
                                  struct nw_err *err) NW_CHECKED;
void nw_star_budget_free(struct nw_star_budget *budget);

#endif
