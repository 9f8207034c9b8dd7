/* mount_internal.h - what the files of this folder share. */
#ifndef NW_MOUNT_INTERNAL_H
#define NW_MOUNT_INTERNAL_H

#include "mount/convex.h"
#include "mount/mount.h"

#include <math.h>

/* Where the owner states no error (common practice, no source): a luggage scale, a tape measure. */
#define MASS_SHARE 0.01
#define PLACE_M 0.002

double mass_sigma_kg(const struct nw_body *body);
double place_sigma_m(const struct nw_body *body, int axis);
/* Variance of the place of one of its points along the unit vector n, both on its frame: that of
 * the body, and of an opened one also those of its hinge and of the opening angle. */
#define HINGE_RAD (1.0 * NW_RAD_PER_DEG)
double place_variance_m2(const struct nw_body *body, bool is_open, const double point_m[static 3],
                         const double n[static 3]);

/* A weight on the counterweight shaft: slides along z and rides on the axis frame. */
bool is_weight(const struct nw_body *body);
double length_along_z_m(const struct nw_body *body);
double weights_kg_m(const struct nw_body *bodies, size_t n); /* their first moment along z */

/* The two turns of the axes: the saddle's angle about the polar axis, 0 when the tube stands east
 * on the meridian, growing westwards as the sky does (so that 0 to pi has the weights low); and the
 * tube's about the declination axis, from the pole above the horizon, + on the east side. */
struct axis_angles {
    double polar_rad, dec_rad;
};
struct axis_angles axis_angles_of(double latitude_rad, const struct nw_pose *pose);
struct nw_pose pose_of_axis_angles(double latitude_rad, struct axis_angles a);

struct nw_clearance;
struct nw_contact;
/* Pairs by the turns that change their distance. */
enum axis_turn {
    ALL_PAIRS = 0,
    DEC_TURN = 1u << 0,
    POLAR_TURN = 1u << 1,
    ROOF_PAIRS = 1u << 2 /* instead: those with what stands only while the roof is closed */
};
/* The nearest pair of one kind; or the one with the least margin. */
struct nw_contact clearance_of(const struct nw_clearance *model, const struct nw_pose *pose,
                               unsigned turns, bool is_by_margin);
/* The box of a slew without its ends. fine_m infinite: stops at knowing whether it is free. */
struct nw_slew;
void clearance_search(const struct nw_clearance *model, const struct nw_pose *from,
                      const struct nw_pose *to, double fine_m, struct nw_slew *ret);
double clearance_reach_m(const struct nw_clearance *model); /* of all that moves, from the axes */
size_t clearance_n(const struct nw_clearance *model);
bool clearance_stands(const struct nw_clearance *model, size_t i); /* an outline on the ground */
struct convex clearance_placed(const struct nw_clearance *model, size_t i,
                               const struct nw_pose *pose);
double clearance_latitude_rad(const struct nw_clearance *model);

/* Weights on the shaft, from the mount outwards, touching. */
enum { MAX_WEIGHTS = 10 };
struct weight_stack {
    size_t body[MAX_WEIGHTS];
    double place_m[MAX_WEIGHTS];
    size_t n;
    bool is_possible,
        is_at_limit;  /* within the travels at all; the wanted moment is out of reach */
    double left_kg_m; /* what they have more than wanted */
};
/* Puts the stack where its first moment is wanted_kg_m, or as near as the travels allow. */
void stack_place(const struct nw_body *bodies, struct weight_stack *stack, double wanted_kg_m);

#endif
