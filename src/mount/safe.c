/* safe.c - how long until everything is closed, and whether every way to the park position is free.
 * Idea: from a raster over the attitudes in use: the slower axis decides the time, the box of both
 * axes decides the way. */
#include "mount/clearance.h"
#include "mount/mount_internal.h"

void nw_clearance_safe(const struct nw_clearance *model, const struct nw_pose *park,
                       double slew_rate_rad_s, double min_altitude_rad, struct nw_safe *ret) {
    enum { STEP_DEG = 10 };
    *ret = (struct nw_safe){.slew_s = 0.0};
    const double latitude_rad = clearance_latitude_rad(model);
    for (int d = -80; d <= 80; d += STEP_DEG) {
        for (int side = 0; side < 2; side++) {
            struct nw_reach limit;
            const double dec = d * NW_RAD_PER_DEG;
            nw_clearance_reach(model, dec, (enum nw_side)side, min_altitude_rad, &limit);
            if (!limit.is_reachable) {
                continue;
            }
            const double step = STEP_DEG * NW_RAD_PER_DEG;
            const double low = fmax(limit.ha_min_rad, -NW_PI / 2.0);
            const double high = fmin(limit.ha_max_rad, NW_PI / 2.0);
            const int n = high >= low ? (int)((high - low) / step) + 1 : 0;
            for (int i = 0; i < n; i++) {
                const double ha = low + i * step;
                const struct nw_pose from = {ha, dec, (enum nw_side)side};
                const struct nw_turns turns = nw_mount_turns(latitude_rad, &from, park);
                const double time_s = fmax(turns.polar_rad, turns.dec_rad) / slew_rate_rad_s;
                if (time_s > ret->slew_s) {
                    ret->slew_s = time_s;
                    ret->slowest = from;
                }
                struct nw_slew slew;
                clearance_search(model, &from, park, INFINITY, &slew);
                ret->n_tried++;
                if (!slew.is_contact_free || !slew.is_proven) {
                    ret->blocked = ret->n_blocked == 0 ? from : ret->blocked;
                    ret->n_blocked++;
                }
            }
        }
    }
}
