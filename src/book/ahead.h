/* ahead.h - fifth public header of book: what lies ahead of the target that is being taken.
 *
 * Contact: when the tube on its side of the pier would touch something, from the rig's outlines
 * (mount/clearance.h). What is not described (cables, screws, people) is not in it. It tells, it
 * stops nothing: the limits set in the mount protect. */
#ifndef NW_BOOK_AHEAD_H
#define NW_BOOK_AHEAD_H

#include "book/live.h"
#include "mount/clearance.h"

/* Where the tube stands and how far it may go on at one declination; changes with target and flip
 * only, so that a watch may keep it. */
struct nw_ahead_range {
    bool is_there; /* false: nothing was asked of the outlines yet */
    double dec_rad;
    enum nw_side side;
    struct nw_reach reach, other; /* on this side; after a flip */
    char meets[140];              /* "main camera and pier": what ends this side's range */
};
/* Works the ranges out anew unless `range` is of this declination (to 0.1 deg) and side. */
void nw_ahead_range_of(const struct nw_clearance *model, double dec_rad, enum nw_side side,
                       struct nw_ahead_range *range);

/* The contact of the last sub's target if the mount goes on tracking as it stands.
 *   given  place  of the rig
 *          model  NULL: nothing is known, why_null says it
 *          range  kept between calls; zeroed at first
 * The side is what the frames say; when they do not, the usual one where the run of subs on this
 * target began (tube east of the pier for H > 0): `is_side_assumed`, no flip since is taken for
 * granted. */
void nw_ahead_contact(const struct nw_live *live, double now_utc_s, const struct nw_place *place,
                      const struct nw_clearance *model, struct nw_ahead_range *range,
                      struct nw_live_contact *ret);

#endif
