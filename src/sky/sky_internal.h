/* sky_internal.h - what the files of this folder share. */
#ifndef NW_SKY_INTERNAL_H
#define NW_SKY_INTERNAL_H

#include "sky/almanac.h"

#define SKY_DAY_s 86400.0

/* What changes slowly: interpolated between hours. */
struct sky_node {
    double c2i[3][3];              /* ICRS to the intermediate system of date */
    double sun_m[3], sun_v_m_s[3]; /* from the Earth's centre, geometric */
    double moon_m[3], moon_v_m_s[3];
    double earth_v_c[3]; /* of the Earth's centre, barycentric, share of c */
};
enum nw_status nw_sky_node_at(const struct nw_observer *observer, double t_utc_s,
                              struct sky_node *ret, struct nw_err *err) NW_CHECKED;
enum nw_status nw_sky_check_observer(const struct nw_observer *observer,
                                     struct nw_err *err) NW_CHECKED;

#endif
