/* convex.h - distance of two convex bodies: boxes, cylinders, points.
 * Idea: Gilbert, Johnson & Keerthi (1988, IEEE J. Robot. Autom. 4, 193): the distance of two convex
 * sets is that of their difference from the origin, found on simplices of its support points. */
#ifndef NW_MOUNT_CONVEX_H
#define NW_MOUNT_CONVEX_H

#include <stdbool.h>

struct convex {
    double at[3];      /* middle [m] */
    double axes[3][3]; /* columns: directions of the sides; of a cylinder: column 0 its axis */
    double half[3];    /* half sides; of a cylinder: half length, radius, radius */
    bool is_round;     /* a cylinder */
};

struct convex_gap {
    double distance_m; /* negative: how far they must be moved apart, at most */
    double normal[3];  /* unit vector from a to b at the nearest points */
};

/* Accuracy: 1e-7 m when apart. When they overlap the depth is that of the best of a set of
 * directions (all face and edge directions, exact for boxes), refined: an upper bound. */
struct convex_gap convex_distance(const struct convex *a, const struct convex *b);

/* Distance of a point from the body, 0 inside: closed form. */
double convex_from_point(const struct convex *body, const double point[static 3]);

double convex_reach(const struct convex *body); /* radius of the sphere about its middle */
/* Extent of the body along `direction` from its middle (support function). */
double convex_extent(const struct convex *body, const double direction[static 3]);
/* The point of the body that is farthest along `direction`. */
void convex_support(const struct convex *body, const double direction[static 3],
                    double ret[static 3]);

/* Does the ray from `from` along `direction` (any length) meet the body? Closed form. */
bool convex_is_hit(const struct convex *body, const double from[static 3],
                   const double direction[static 3]);

#endif
