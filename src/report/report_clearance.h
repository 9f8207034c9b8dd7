/* report_clearance.h - what touches what, as text, JSON and a drawing. */
#ifndef NW_REPORT_CLEARANCE_H
#define NW_REPORT_CLEARANCE_H

#include "mount/ways.h"
#include "report/report.h"

enum { NW_CLEARANCE_DECS = 181, NW_CLEARANCE_AZIMUTHS = 16, NW_CLEARANCE_CABLES = 16 };

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
    bool has_closed_roof;
    struct nw_safe safe;
    const struct nw_place_check *places;
    size_t n_places;
    struct nw_cable_need cables[NW_CLEARANCE_CABLES]; /* of the rig's, in their order */
    size_t n_cables;
    struct nw_aperture apertures[8]; /* whose light is looked after */
    size_t n_apertures;
    struct nw_sight sight[8][NW_CLEARANCE_AZIMUTHS]; /* from north through east */
    bool has_slew;
    struct nw_pose from, to;
    bool has_sun; /* the time of the slew is known */
    double t_utc_s, sun_altitude_rad, sun_nearest_rad;
    struct nw_slew slew;
    struct nw_way way; /* round, where the slew itself is not free */
    double hidden[8];  /* share of each aperture that walls and roof hide at its end */
};

/* "camera - pier" of the report's bodies. */
const char *nw_report_clearance_pair(const struct nw_clearance_report *report,
                                     const struct nw_contact *contact, char *text, size_t size);
/* Slew, Sun, named places, cables, time to safe (report_clearance_ways.c). */
void nw_report_clearance_ways(const struct nw_clearance_report *report, struct nw_buf *buf);

void nw_report_clearance_text(const struct nw_clearance_report *report, struct nw_buf *buf);
enum nw_status nw_report_clearance_json(const struct nw_clearance_report *report, json_t **ret,
                                        struct nw_err *err) NW_CHECKED;
/* A sheet for one tube side: the sky seen from the pole with contours of the distance in mm, beside
 * it plan and elevations of the nearest approach. */
enum nw_status nw_report_clearance_svg(const struct nw_clearance_report *report, enum nw_side side,
                                       struct nw_buf *ret, struct nw_err *err) NW_CHECKED;

#endif
