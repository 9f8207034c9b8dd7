/* report_sun.h - the card to start by before a telescope is turned to the Sun. */
#ifndef NW_REPORT_SUN_H
#define NW_REPORT_SUN_H

#include "mount/ways.h"
#include "report/report.h"

enum { NW_SUN_ROWS = 13, NW_SUN_APERTURES = 8 };

/* All borrowed. The card is made only where every described aperture is capped or filtered. */
struct nw_sun_report {
    const struct nw_rig *rig;
    const struct nw_setup *setup;
    const struct nw_body *bodies;
    size_t n_bodies;
    struct nw_aperture apertures[NW_SUN_APERTURES];
    size_t n_apertures;
    struct nw_sun_row {
        double t_utc_s, altitude_rad, azimuth_rad;
        struct nw_pose pose;       /* of the side with the weights low */
        struct nw_contact nearest; /* there, by margin */
    } rows[NW_SUN_ROWS];
    size_t n_rows; /* 0: no time was given */
};

void nw_report_sun_text(const struct nw_sun_report *report, struct nw_buf *buf);
enum nw_status nw_report_sun_json(const struct nw_sun_report *report, json_t **ret,
                                  struct nw_err *err) NW_CHECKED;

#endif
