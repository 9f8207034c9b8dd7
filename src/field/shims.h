/* shims.h - second public header of field: what to put under, or how to turn, the owner's screws.
 *
 * Idea: a thickness at each screw makes a plane; its slope shall be that of the best sensor plane.
 * Chip axes against the camera's body are often turned or mirrored, so half of it comes first, and
 * one known turn tells the angle between the two (OBSERVABILITY 9). */
#ifndef NW_FIELD_SHIMS_H
#define NW_FIELD_SHIMS_H

#include "field/field.h"

enum { NW_SHIM_SCREWS_MAX = 4, NW_SHIM_TURNS_MAX = 6 };

struct nw_shim_screw {
    double x_m, y_m;  /* from the optical axis, in the axes of the frame as far as known */
    double per_screw; /* shift at the sensor per thickness: 1 behind the corrector, m^2 before */
};
/* Chip axes against the screws' stated angles: the true place is the stated one mirrored (x to -x)
 * or not, then turned by turn_rad. */
struct nw_shim_axes {
    bool is_mirrored;
    double turn_rad;
};
struct nw_shim {
    double full_m, half_m; /* thickness, >= 0; the thinnest is 0 */
    double sigma_m;        /* of full_m, from the surface's covariance */
};
struct nw_shims {
    struct nw_shim screws[NW_SHIM_SCREWS_MAX];
    double half_spacing_m; /* what half of it adds to the distance on the axis */
    double full_spacing_m;
};
struct nw_shim_plate {
    struct nw_shim_screw screws[NW_SHIM_SCREWS_MAX];
    size_t n;
    double pixel_m; /* with binning: half diagonals to metres */
};
/* surface: metric; axes NULL: as stated. DOMAIN: not three or four screws, on one line, heights not
 * in metres, or the sign not known. */
enum nw_status nw_field_shims(const struct nw_surface *surface, const struct nw_shim_plate *plate,
                              const struct nw_shim_axes *axes, struct nw_shims *ret,
                              struct nw_err *err) NW_CHECKED;

/* What one known turn says: screw `which` was raised by raised_m between two surfaces. */
struct nw_shim_turn {
    size_t which;
    double raised_m;
};
struct nw_shim_response {
    struct nw_shim_axes plain, mirrored; /* the two readings one turn allows */
    double turn_sigma_rad;               /* of both */
    double gain, gain_sigma;             /* slope that came of what was expected; 1 is right */
    size_t n_turns;
    /* Several turns of different screws settle it: chi^2 of the readings differ by over 9. */
    double chi2_plain, chi2_mirrored;
    bool is_settled, is_mirrored;
};
/* n known turns, one after the other: surfaces[0] before all, surfaces[i + 1] after turn i. Least
 * squares; the two errors that neighbouring changes share are taken as independent.
 * DATA: a change of slope is below 2.5 times its error. */
enum nw_status nw_field_shim_responses(const struct nw_surface *const *surfaces, size_t n,
                                       const struct nw_shim_plate *plate,
                                       const struct nw_shim_turn *turns,
                                       struct nw_shim_response *ret, struct nw_err *err) NW_CHECKED;
/* The same of one turn. */
enum nw_status nw_field_shim_response(const struct nw_surface *before,
                                      const struct nw_surface *after,
                                      const struct nw_shim_plate *plate,
                                      const struct nw_shim_turn *turn, struct nw_shim_response *ret,
                                      struct nw_err *err) NW_CHECKED;

#endif
