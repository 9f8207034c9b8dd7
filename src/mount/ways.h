/* ways.h - ways round, time to safe, cables, the Sun: the third public header of the module. */
#ifndef NW_MOUNT_WAYS_H
#define NW_MOUNT_WAYS_H

#include "mount/clearance.h"

/* ---- Ways round ------------------------------------------------------------------------------ */

/* A way in at most three slews, each proven free whatever the order of its axes: straight on; one
 * axis first; by one or two places between, from a raster of 15 deg of the axes (30 deg when two
 * are needed). The quickest that is found is taken, the way it takes is not the quickest there is.
 * is_thorough: false: tries only straight on and one axis first. */
struct nw_way {
    bool is_found;
    size_t n_via;
    struct nw_pose via[2];
    double turn_rad; /* sum over the slews of the larger turn: time at one rate */
};
void nw_clearance_way(const struct nw_clearance *model, const struct nw_pose *from,
                      const struct nw_pose *to, bool is_thorough, struct nw_way *ret);

/* An attitude with a name; of altitude and azimuth by nw_mount_pose_of, side as written. */
struct nw_pose nw_mount_pose_at(double latitude_rad, const struct nw_position *position);

/* How near things are at the named attitudes of a setup: parked, parked under the closed roof where
 * one is described, and all positions of the rig file, each with its own panel and roof. *ret is
 * yours to free. */
struct nw_place_check {
    char name[NW_NAME_SIZE + 24];
    struct nw_pose pose;
    bool is_open, is_roof_closed;
    double distance_m, sigma_m, margin_m; /* of the pair with the least margin */
    char pair[2][NW_NAME_SIZE];
};
enum nw_status nw_clearance_places(const struct nw_rig *rig, const struct nw_setup *setup,
                                   struct nw_place_check **ret, size_t *ret_n,
                                   struct nw_err *err) NW_CHECKED;
struct nw_pose nw_mount_park(const struct nw_mount *mount);
/* The model of a setup with panel and roof as wanted. NOTFOUND: no bodies. */
enum nw_status nw_clearance_of_setup(const struct nw_rig *rig, const struct nw_setup *setup,
                                     bool is_open, bool is_roof_closed, struct nw_clearance **ret,
                                     struct nw_err *err) NW_CHECKED;
/* Whether something stands only while the roof is closed. */
bool nw_rig_has_closed_roof(const struct nw_rig *rig, const struct nw_setup *setup);

/* ---- Time to safe ---------------------------------------------------------------------------- */

/* From "rain" to closed: reaction, the way to park, the roof. sigma NaN counts as 0; what is
 * unknown (NaN) makes what follows from it NaN. */
struct nw_safe_times {
    struct nw_val rate_rad_s; /* of either axis */
    struct nw_val reaction_s, roof_s, warning_s, hand_s;
};
struct nw_safe_from {
    struct nw_pose pose;
    double slew_s, total_s, total_sigma_s; /* roof unknown: until parked */
    double in_time;                        /* probability that the warning is longer */
};
struct nw_safe {
    size_t n_tried, n_ordered, n_blocked; /* ordered: free only with one axis before the other */
    struct nw_safe_from slowest;
    double median_s;
    double in_time_mean;         /* over all attitudes tried, taken as equally likely */
    size_t n_in_time;            /* from which it is in time at 95 % */
    struct nw_pose blocked;      /* the first from which no order of the axes is proven free */
    size_t n_roof_free;          /* the roof can close over them as they stand, at 95 % */
    struct nw_pose roof_touched; /* the first where it cannot */
    double by_hand_in_time;      /* reaction and hand time against the warning; NaN: unknown */
};
/* Over a raster of 10 deg of all attitudes within reach, half a degree off the ends at contacts.
 * roofed: the model with the roof closed; NULL: no closed roof is described. */
enum nw_status nw_clearance_safe(const struct nw_clearance *model,
                                 const struct nw_clearance *roofed, const struct nw_pose *park,
                                 const struct nw_safe_times *times, double min_altitude_rad,
                                 struct nw_safe *ret, struct nw_err *err) NW_CHECKED;

/* ---- Cables ---------------------------------------------------------------------------------- */

/* The straight distance between the ends of a cable: what it must at least be long; bends, loops
 * round the pier and connectors come on top. */
struct nw_cable_need {
    double longest_m, sigma_m; /* over the attitudes; sigma of length less distance */
    struct nw_pose where;
    double spare_m;         /* length less longest */
    double spare_sure_m;    /* at 95 % */
    size_t n_tried, n_taut; /* attitudes where it is too short, at 95 % */
};
double nw_cable_distance_m(const struct nw_cable *cable, double latitude_rad,
                           const struct nw_pose *pose);
/* Within `limits`, of both sides one after the other, n_dec declinations from -pi/2 to pi/2 each;
 * hour angles every 2 deg. */
void nw_cable_need_of(const struct nw_cable *cable, double latitude_rad,
                      const struct nw_reach *limits, size_t n_dec, struct nw_cable_need *ret);

/* ---- The Sun --------------------------------------------------------------------------------- */

enum nw_front { NW_FRONT_OPEN, NW_FRONT_CAPPED, NW_FRONT_FILTERED };
struct nw_aperture {
    size_t body;
    enum nw_front front;
    /* Direct sunlight reaches the front lens when the Sun is nearer to the axis than this, at 95 %:
     * atan(outer diameter / depth of the lens behind the edge), pi/2 where the depth is unknown. */
    double stay_away_rad;
    bool is_depth_known;
};
/* Every tube that looks along x, finders included; at most n_max. */
size_t nw_mount_apertures(const struct nw_setup *setup, const struct nw_body *bodies, size_t n,
                          size_t n_max, struct nw_aperture *ret);

#endif
