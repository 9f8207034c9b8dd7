/* owed.h - calibration frames that are owed for subs taken or planned, what can be made under cloud
 * with the cap on, and how much cooling is left through the year. Fifth public header of the
 * module. Pure. */
#ifndef NW_LOOK_OWED_H
#define NW_LOOK_OWED_H

#include "look/handover.h"
#include "rig/rig.h"

/* A set of handover.h with what it takes to have it. */
struct nw_owed {
    size_t set;     /* index of the set */
    size_t wanted;  /* frames still to be taken; 0: nothing owed */
    double minutes; /* for them; flats: half a minute each */
    bool is_capped; /* darks and bias: with the cap on, under cloud or by day if it is dark */
    double sooner;  /* what comes first: subs that wait for it, missing before stale before few */
};
/* Groups, sets and what is owed for n subs of which headers alone are known (facts, sizes, path).
 * wanted: frames of a set, 0: 20. between_s: from one frame to the next. In the order of need. */
struct nw_owed_list {
    struct nw_hand_group *groups;
    size_t n_groups;
    struct nw_hand_set *sets;
    struct nw_owed *owed; /* one a set */
    size_t n;
    double capped_min; /* all that is owed with the cap on */
};
struct nw_owed_from {
    struct nw_hand_sub *subs;
    size_t n;
    const struct nw_hand_calibration *frames;
    size_t n_frames;
    size_t wanted;
    double between_s;
};
enum nw_status nw_owed_of(const struct nw_owed_from *from, struct nw_owed_list *ret,
                          struct nw_err *err) NW_CHECKED;
void nw_owed_done(struct nw_owed_list *list);

/* ---- Cooling --------------------------------------------------------------------------------- */

struct nw_cooling_month {
    double air_K;       /* of a usual night: a cosine from warmest to coldest month */
    double reach_K;     /* what the cooler gets to */
    double headroom_K;  /* set point less that; negative: not reached */
    double dark_factor; /* dark current against that at the set point, where it is not reached:
                           doubles in 6 K (a rule of thumb, REFERENCES PHO-24) */
};
struct nw_cooling {
    struct nw_cooling_month months[12];
    double warmest_hold_K; /* coldest set point held all year, 3 K in hand */
    double sigma_K;        /* of each headroom */
    bool is_assumed;       /* summer and winter are 8 K about site.temperature */
};
/* NOTFOUND: the rig does not say cameras.*.cooling or cameras.*.set_temperature. */
enum nw_status nw_cooling_of(const struct nw_rig *rig, const struct nw_camera *camera,
                             struct nw_cooling *ret, struct nw_err *err) NW_CHECKED;

#endif
