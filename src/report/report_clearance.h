/* report_clearance.h - what touches what, as text, JSON and a drawing. */
#ifndef NW_REPORT_CLEARANCE_H
#define NW_REPORT_CLEARANCE_H

#include "mount/clearance.h"
#include "report/report.h"

enum { NW_CLEARANCE_DECS = 181, NW_CLEARANCE_AZIMUTHS = 16 };

/* All borrowed. */
struct nw_clearance_report {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_body *bodies;
    size_t n_bodies;
    const struct nw_clearance *model;
    bool is_open;
    double min_altitude_rad;
    struct nw_reach limits[2][NW_CLEARANCE_DECS]; /* by side; declination -90 to 90 deg */
    /* Nearest approach within the usual halves: what a program that flips on each meridian passes;
     * distance infinite: nothing is reachable. And the least margin on the same way. */
    struct nw_contact usual, usual_sure;
    struct nw_pose park;
    struct nw_contact at_park;
    struct nw_safe safe;
    size_t apertures[8]; /* bodies whose light is looked after */
    size_t n_apertures;
    struct nw_sight sight[8][NW_CLEARANCE_AZIMUTHS]; /* from north through east */
    bool has_slew;
    struct nw_pose from, to;
    bool has_sun; /* the time of the slew is known */
    double t_utc_s, sun_altitude_rad, sun_nearest_rad;
    struct nw_slew slew, home, away; /* the way itself; from to park, park to to */
};

void nw_report_clearance_text(const struct nw_clearance_report *report, struct nw_buf *buf);
enum nw_status nw_report_clearance_json(const struct nw_clearance_report *report, json_t **ret,
                                        struct nw_err *err) NW_CHECKED;
/* The sky seen from the pole with the distance in mm, one disc a tube side, and the elevations of
 * the nearest approach. */
enum nw_status nw_report_clearance_svg(const struct nw_clearance_report *report, struct nw_buf *ret,
                                       struct nw_err *err) NW_CHECKED;

#endif
