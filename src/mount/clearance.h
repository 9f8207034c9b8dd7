/* clearance.h - what touches what, at every attitude of the mount: the second public header of the
 * module, beside mount.h, whose conventions it shares.
 *
 * All bodies are convex outlines with their stated errors; cables, screws and what is not described
 * are not in it. "Contact-free in the model" is all it can say: nobody's fingers, cables or habits
 * are.
 * Ways round, the time until everything is closed, cables and the Sun: ways.h. */
#ifndef NW_CLEARANCE_H
#define NW_CLEARANCE_H

#include "mount/mount.h"

struct nw_clearance; /* the outlines of one setup */

/* is_open: hinged bodies are open. Points have no outline. Pairs on the same frame are never
 * judged; pairs that are never farther apart than 10 mm, whatever the attitude, are taken as joined
 * (a saddle and its housing). Bodies are copied. DATA: fewer than two outlines that can move
 * against each other. */
enum nw_status nw_clearance_new(const struct nw_body *bodies, size_t n, double latitude_rad,
                                bool is_open, struct nw_clearance **ret,
                                struct nw_err *err) NW_CHECKED;
void nw_clearance_free(struct nw_clearance *model);
/* The bodies that its indices mean; borrowed. */
const struct nw_body *nw_clearance_bodies(const struct nw_clearance *model, size_t *ret_n);

/* The i-th pair that is taken as joined, by the indices of its bodies; false past the end. */
bool nw_clearance_joined(const struct nw_clearance *model, size_t i, size_t *ret_a, size_t *ret_b);

struct nw_contact {
    double distance_m; /* of the nearest pair; negative: overlap */
    double sigma_m;    /* from the errors of places and sizes along the line between them */
    double margin_m;   /* that can be relied on at 95 %: distance - 1.645 sigma */
    size_t a, b;       /* bodies */
};
struct nw_contact nw_clearance_at(const struct nw_clearance *model, const struct nw_pose *pose);
/* The pair with the least margin instead: not always the nearest one. */
struct nw_contact nw_clearance_margin_at(const struct nw_clearance *model,
                                         const struct nw_pose *pose);

/* Points of the outline of a body in east, north, up, for drawings: the corners of a box, or two
 * circles. Returns how many, 0 for a point. */
#define NW_OUTLINE_POINTS 48
size_t nw_clearance_outline(const struct nw_clearance *model, size_t body,
                            const struct nw_pose *pose, double ret[NW_OUTLINE_POINTS][3]);

/* The hour angles that can be reached at one declination with the tube on one side, going both
 * ways from the middle of the usual half (east side: H > 0) until something touches or the tube
 * looks below min_altitude. Steps are as long as the distance allows whatever the direction, so
 * that no contact is jumped over; contacts are placed to 0.01 deg. */
enum nw_end { NW_END_HORIZON, NW_END_CONTACT, NW_END_TURN }; /* a full turn: nothing ends it */
struct nw_reach {
    bool is_reachable; /* false: below the horizon, or in contact, in the middle already */
    double ha_min_rad, ha_max_rad;
    double sure_min_rad, sure_max_rad; /* as far as 95 % are sure; NaN: not even in the middle */
    enum nw_end min_end, max_end;
    struct nw_contact at_min, at_max; /* of contacts: the pair; else the clearance there */
    struct nw_contact least;          /* nearest approach of the whole range */
};
void nw_clearance_reach(const struct nw_clearance *model, double dec_rad, enum nw_side side,
                        double min_altitude_rad, struct nw_reach *ret);

/* Distances over hour angle x declination on one side: ret[i * n_dec + k] at hour angle
 * -pi + 2 pi i / n_ha and declination -pi/2 + pi k / (n_dec - 1); NaN below min_altitude. */
void nw_clearance_map(const struct nw_clearance *model, enum nw_side side, double min_altitude_rad,
                      size_t n_ha, size_t n_dec, int n_threads, double *ret);

/* Nearest approach of one range within the usual half (tube east: H 0 to 12 h; west: -12 h to 0),
 * on a raster of 1 deg, and the least margin; infinite where the range has no part of it. */
struct nw_contact nw_clearance_usual(const struct nw_clearance *model, double dec_rad,
                                     enum nw_side side, const struct nw_reach *reach,
                                     struct nw_contact *ret_least_margin);

/* A slew: every attitude that any order and speed of the two axes could pass on the way (the box
 * between the two, never through "weights up past vertical"), by branch and bound. */
struct nw_slew {
    bool is_contact_free;
    bool is_proven;          /* false: some corner of the box is nearer than the search resolves */
    struct nw_contact least; /* nearest approach that was found */
    struct nw_pose where;
};
void nw_clearance_slew(const struct nw_clearance *model, const struct nw_pose *from,
                       const struct nw_pose *to, struct nw_slew *ret);

/* How near the tubes come to a direction (the Sun) within the box of a slew, ends included: to
 * 0.4 deg, and never too far by that. */
double nw_mount_nearest_rad(double latitude_rad, const struct nw_pose *from,
                            const struct nw_pose *to, double ha_rad, double dec_rad);

/* What walls and roof hide of the sky from an aperture (sight.c): the share of the light column of
 * a round tube, from its front end on, that what stands on the ground cuts off, 0 to 1, on 96
 * points of equal area (to 0.01). tube: index of the body. */
double nw_clearance_hidden(const struct nw_clearance *model, size_t tube,
                           const struct nw_pose *pose);
/* The horizon as an aperture sees it at one azimuth (east of north), to 0.05 deg: the lowest
 * altitudes down to which nothing is hidden, at most half, and not yet all. -pi/2: nothing is in
 * the way down to the horizon. */
struct nw_sight {
    double whole_rad, half_rad, none_rad;
};
struct nw_sight nw_clearance_sight(const struct nw_clearance *model, size_t tube,
                                   double azimuth_rad);

/* Turns of the two axes between poses: about the polar axis, about the declination axis [rad]. */
struct nw_turns {
    double polar_rad, dec_rad;
};
struct nw_turns nw_mount_turns(double latitude_rad, const struct nw_pose *from,
                               const struct nw_pose *to);

#endif
