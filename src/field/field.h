/* field.h - the focal surface of the setup from frames: tilt, curvature, best focus.
 *
 * Conventions: height of best focus z(u,v) = z0 + a u + b v + c (u^2 + v^2) at the sensor, positive
 * away from the telescope, above the sensor's place at the reference position of the focuser; u, v
 * in half diagonals of the frame. A frame's defocus there is its sensor's place minus z. Focuser
 * positions in steps, larger = away from the telescope. Heights are in metres, or in focuser steps
 * where metres are not known (`is_metric`). Pure compute; NaN = not known. */
#ifndef NW_FIELD_H
#define NW_FIELD_H

#include <stdbool.h>
#include <stddef.h>

#include "image/image.h"

/* ---- Frames as lists of stars --------------------------------------------------------------- */

struct nw_field_star {
    double u, v;
    double r_px;            /* half-light radius as delivered */
    double e1, e2, fwhm_px; /* NaN: no profile was fitted */
};
struct nw_field_frame {
    const char *path; /* borrowed; for messages and results */
    size_t width_px, height_px;
    struct nw_field_star *stars; /* the usable ones */
    size_t n_stars;
    double fwhm_px;        /* of the frame */
    double position_steps; /* of the focuser */
    double t_s, temperature_K;
    double transmission;              /* against the best frame; NaN: not known */
    double rotator_rad, altitude_rad; /* NaN: not known */
    char tube_side[8];
};
/* From measured stars: clean, not at the edge, brighter than 20 sigma. The facts (NULL: nothing is
 * known) fill position, time, temperature, rotator. transmission starts as NaN. */
enum nw_status nw_field_frame_init(const struct nw_measure *measure,
                                   const struct nw_frame_facts *facts, const char *path,
                                   struct nw_field_frame *ret, struct nw_err *err) NW_CHECKED;
void nw_field_frame_done(struct nw_field_frame *frame);

/* ---- The focal surface ---------------------------------------------------------------------- */

struct nw_field_optics {
    double f_ratio, pixel_m; /* NaN: not known; pixel with binning */
    double wavelength_m;     /* NaN: 550 nm */
    double obstruction;      /* diameter ratio */
};
/* What an earlier pair or sweep found of this setup's optics; NaN where it did not. With it one
 * frame tells the sign (by its astigmatism and curvature) and needs no guess at the curvature. */
struct nw_field_baseline {
    double c_m, c_sigma_m, growth, growth_sigma;
    double astigmatism_m, astigmatism_sigma_m;
    double a_m, b_m, slope_sigma_m; /* to compare with */
};

struct nw_field_opts {
    struct nw_field_optics optics;
    const struct nw_field_baseline *baseline; /* NULL: none */
    double step_m;          /* shift at the sensor of one focuser step; NaN: not known */
    double step_sigma;      /* relative standard error of step_m */
    double thermal_m_K;     /* shift of best focus at the sensor per kelvin; 0, NaN: not known */
    double position_ref;    /* steps; NaN: the mean of the frames used */
    bool is_backlash_fixed; /* do not look for play between the two directions */
};

enum nw_surface_method { NW_SURFACE_SINGLE, NW_SURFACE_PAIR, NW_SURFACE_SWEEP };
const char *nw_surface_method_name(enum nw_surface_method method);

enum { NW_SURFACE_Z0, NW_SURFACE_A, NW_SURFACE_B, NW_SURFACE_C, NW_SURFACE_N };
enum nw_compensation { NW_COMPENSATION_UNKNOWN, NW_COMPENSATION_NOT_SEEN, NW_COMPENSATION_ACTING };

struct nw_surface_cell {
    double u, v;
    double best, sigma; /* best focus there, everything else as fitted; NaN: not determined */
    double r_min_px;    /* half-light radius at its best focus */
    /* mean (e1, e2) of frames inside and outside of best focus there; of one frame: outside */
    double e_inside[2], e_outside[2];
};
struct nw_surface_frame {
    size_t index; /* of the frames given */
    bool is_used;
    char why[120];                /* not used: the reason */
    double place;                 /* of its sensor, above the reference */
    double width_px, width_sigma; /* FWHM of all but defocus, its relative error */
    double misfit;                /* rms of residuals in sigmas */
};

/* Low-order wavefront over the field from star shapes; all NaN where optics or shapes do not allow
 * it. Of one frame the astigmatism has the sign that goes with the heights shown. */
struct nw_wavefront {
    size_t n_cells;
    /* distance of the line foci at the corner; + : outside focus stars are long along the radius */
    double astigmatism_m, astigmatism_sigma_m;
    double skew_m;                  /* the part at 45 degrees to the radius: nil in round optics */
    double centre[2], centre_sigma; /* where astigmatism is nil: u, v */
    double coma_m, coma_sigma_m;    /* length of the figure at the corner, if it is coma and not
                                       lateral colour, which elongates the same way */
    double coma_centre[2], coma_centre_sigma;
    double decentre_a, decentre_b, decentre_sigma; /* slopes that the curvature, centred where the
                                                      astigmatism is, would look like */
};

struct nw_surface {
    enum nw_surface_method method;
    bool is_metric; /* heights in metres; else in steps, or (neither known) in nothing: NaN */
    bool is_baseline_used; /* of one frame */
    bool is_sign_known;    /* false: z0, a, b, c may all have the other sign */
    bool is_scale_known;   /* false: directions and ratios alone are good */
    size_t n_used;
    double z[NW_SURFACE_N], cov[NW_SURFACE_N][NW_SURFACE_N]; /* without the scale's error */
    double scale_sigma;                                      /* relative: all heights share it */
    double growth, growth_sigma; /* of a focused star from centre to corner, relative */
    double step_m;               /* used: shift at the sensor of one step; NaN */
    double step_measured_m, step_measured_sigma_m; /* from the size of the blur alone; NaN */
    double position_ref, best_position, best_position_sigma; /* steps; mean over the frame */
    double backlash, backlash_sigma; /* as heights; NaN: one direction only */
    enum nw_compensation compensation;
    double compensation_steps; /* excursion of the positions from a regular row */
    double temperature_range_K;
    double tilt, tilt_sigma; /* corner to corner: 2 (|a| W + |b| H) / sqrt(W^2+H^2) */
    double tilt_direction_rad, tilt_direction_sigma_rad; /* NaN when the tilt is not seen */
    double depth_of_focus_m;                             /* +- 2 lambda N^2 at the sensor; NaN */
    double width_px, height_px;
    double misfit; /* rms of residuals in sigmas, robust */
    struct nw_wavefront wavefront;
    struct nw_surface_frame *frames; /* one for each given */
    size_t n_frames;
    struct nw_surface_cell *cells;
    size_t n_cells;
};
/* Chooses the method by what the positions allow: one place of the focuser: SINGLE (of several
 * frames the sharpest); two places: PAIR; three and more: SWEEP. Frames that do not fit are refused
 * by name as long as enough remain.
 *   model     half-light radius of (seeing-like profile x aperture with defocus x pixel), one width
 *             a frame, one growth of that width to the corner (blur.h)
 *   accuracy  pair and sweep 3 um or 3 % beside scale_sigma, single tilt 10 um up to sign; no
 *             promise on curvature from one frame (test_surface.c)
 *   errors    DOMAIN: frames of different size; DATA: no frame is usable, or no minimum found */
enum nw_status nw_field_surface(const struct nw_field_frame *frames, size_t n,
                                const struct nw_field_opts *opts, struct nw_surface *ret,
                                struct nw_err *err) NW_CHECKED;
void nw_surface_done(struct nw_surface *surface);
double nw_surface_height(const struct nw_surface *surface, double u, double v);

#endif
