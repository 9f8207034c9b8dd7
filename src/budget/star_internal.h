/* star_internal.h - shared by the files of the star-width budget only.
 * Idea: a point holds all numbers that the lines depend on, by name; a line is built from a point
 * as OTFs with a width. Sensitivities, per-frame predictions and alternatives are all "the same
 * lines at another point", so that every formula stands once, in star_lines.c. */
#ifndef NW_STAR_INTERNAL_H
#define NW_STAR_INTERNAL_H

#include "budget/budget.h"

/* name, where it stands: s = site, m = mount, u = setup */
#define STAR_PARAM_LIST(X)                                                                         \
    X(SEEING, s->seeing_rad)                                                                       \
    X(OUTER_SCALE, s->outer_scale_m)                                                               \
    X(LOCAL_AIR, s->local_air_rad)                                                                 \
    X(AIRMASS, u->airmass)                                                                         \
    X(PRESSURE, s->pressure_Pa)                                                                    \
    X(TEMPERATURE, s->temperature_K)                                                               \
    X(TEMPERATURE_RATE, s->temperature_rate_K_s)                                                   \
    X(HUMIDITY, s->relative_humidity)                                                              \
    X(APERTURE, u->telescope.aperture_m)                                                           \
    X(OBSTRUCTION, u->telescope.obstruction)                                                       \
    X(FOCAL_LENGTH, u->focal_length_m)                                                             \
    X(MAGNIFICATION, u->corrector.magnification)                                                   \
    X(COLOUR_SPREAD, u->telescope.colour_spread_m)                                                 \
    X(CENTRE, u->filter.centre_m)                                                                  \
    X(PASSBAND, u->filter.width_m)                                                                 \
    X(DECENTRE, u->decentre_coma_rad)                                                              \
    X(TUBE_LENGTH, u->telescope.tube_length_m)                                                     \
    X(EXPANSION, u->telescope.expansion_per_K)                                                     \
    X(FOCUS_INTERVAL, u->focus_interval_s)                                                         \
    X(COMPENSATION, u->focuser.compensation)                                                       \
    X(REPEATABILITY, u->focuser.repeatability_m)                                                   \
    X(TILT, u->tilt_m)                                                                             \
    X(TILT_DIRECTION, u->tilt_direction_rad)                                                       \
    X(CURVATURE, u->curvature_m)                                                                   \
    X(ASTIGMATISM, u->astigmatism_m)                                                               \
    X(MOTION_RA, m->motion_ra_rad)                                                                 \
    X(MOTION_DEC, m->motion_dec_rad)                                                               \
    X(CAMERA_ANGLE, u->camera_angle_rad)                                                           \
    X(FLEXURE, m->flexure_rad_s)                                                                   \
    X(SUB_LENGTH, u->sub_length_s)                                                                 \
    X(POLAR_ERROR, m->polar_error_rad)                                                             \
    X(PIXEL, u->camera.pixel_m)                                                                    \
    X(BINNING, u->binning)
enum star_param {
#define X(name, place) STAR_P_##name,
    STAR_PARAM_LIST(X)
#undef X
        STAR_N_PARAMS
};

struct star_point {
    struct nw_val p[STAR_N_PARAMS];
    bool corrector_rides, is_colour, is_interpolated;
    enum nw_otf_kind resampling; /* BOX: none was done */
    double width_px, height_px;  /* of the chip, not binned */
    double focus_phase;          /* time since the focus run over the interval; NaN: any time */
    double dec_rad;              /* of the field; NaN: unknown */
    double vertical_rad;         /* position angle of the zenith; 0 (the meridian) where unknown */
    double flexure_angle_rad;    /* position angle; of gravity, along the vertical, where unknown */
    bool is_flexure_angle_known;
    /* on the width of a line that its inputs make: what is known of the line itself; else 1 */
    double factor[NW_STAR_N_LINES];
};

enum { STAR_MIX = 24, STAR_PARTS = 2 };
/* A line at a point. parts[].mix points into the line itself: build in place, never copy. */
struct star_line {
    struct nw_otf parts[STAR_PARTS];
    size_t n;
    struct nw_disc mix[STAR_MIX];
    double width_rad; /* alone */
};

void star_point_of(const struct nw_rig *rig, const struct nw_setup *setup, struct star_point *ret);
void star_line_build(enum nw_star_line_id id, const struct star_point *point,
                     struct star_line *ret);
/* The same profile `factor` times as wide. */
void star_line_scale(struct star_line *line, double factor);
/* Diameter on the sky of the disc that a metre of defocus at the sensor makes. */
double star_disc_per_defocus(const struct star_point *point);
/* Discs of focus: of the drift since the run at the point's phase (1 where unknown), of one
 * standard error of a run. They add with their signs before they are discs. */
struct star_focus_discs {
    double drift_rad, run_rad;
};
struct star_focus_discs star_focus_discs(const struct star_point *point);
/* Standard error of its width from those of its inputs; the weakest of their origins. */
double star_line_sigma(enum nw_star_line_id id, const struct star_point *point);
enum nw_from star_line_provenance(enum nw_star_line_id id, const struct star_point *point);
const char *star_line_basis(enum nw_star_line_id id);
void star_line_detail(enum nw_star_line_id id, const struct star_point *point, char *text,
                      size_t size);

double star_value(const struct star_point *point, enum star_param param);
double star_scale_rad_px(const struct star_point *point); /* of a binned pixel */
/* Blur disc of tilt, curvature and astigmatism: the median star of the frame, the middle, the worst
 * corner. */
struct star_field_blur {
    double median_rad, centre_rad, corner_rad;
};
struct star_field_blur star_field_blur(const struct star_point *point);

/* All lines at a point, composed. scale: factor on each line's width, or NULL. */
enum nw_status star_compose(const struct star_point *point, const double *scale, struct nw_psf *ret,
                            struct nw_err *err) NW_CHECKED;

/* Effect of one standard error of each line on the total FWHM, signed. */
enum nw_status star_effects(const struct star_point *point, const double *relative_sigma,
                            double effect_rad[NW_STAR_N_LINES], struct nw_err *err) NW_CHECKED;

/* The point of one frame: its airmass, exposure, motion, time since focus; what the frame does not
 * say stays as in `base`. */
void star_point_at_frame(const struct star_point *base, const struct nw_star_frame *frame,
                         struct star_point *ret);

enum nw_status star_blind_run(const struct star_point *base,
                              const struct nw_star_evidence *evidence, const double *relative_sigma,
                              struct nw_star_blind *ret, struct nw_err *err) NW_CHECKED;
enum nw_status star_advise(const struct star_point *rig_point, const struct star_point *point,
                           const struct nw_star_alternative *alternatives, size_t n,
                           const double *relative_sigma, struct nw_star_budget *budget,
                           struct nw_err *err) NW_CHECKED;
void star_find_unknown(const struct star_point *point, const struct nw_star_evidence *evidence,
                       const double effect_rad[NW_STAR_N_LINES], struct nw_star_budget *budget);

#endif
