/* gains.h - one gain setting for all filters, or one for each: what that is worth. A public header
 * of the module, beside light.h.
 *
 * Idea: darks and biases are taken for each gain, so that a second one has to earn its keep. Every
 * filter has a best setting under the dark sky of the site; the best single one is, of those within
 * 1 % of the least loss of time over all filters, the one with the largest full scale (as for one
 * filter); one for each pays when it loses more than 2 % of the time. */
#ifndef NW_LIGHT_GAINS_H
#define NW_LIGHT_GAINS_H

#include "light/light.h"

struct nw_light_gain_of_filter {
    const struct nw_filter *filter;
    size_t own, one; /* settings of the camera: best for this filter; best for all */
    double own_sub_s, one_sub_s;
    double lost_by_one;        /* share of this filter's time that the single setting loses */
    double full_own, full_one; /* stars of the field that are full in a sub */
};
struct nw_light_gain_plan {
    struct nw_light_gain_of_filter filters[NW_RIG_MAX_FILTERS];
    size_t n;
    size_t one;         /* the best setting for all; SIZE_MAX: the camera has none documented */
    double lost_by_one; /* mean over the filters, each weighed by its share of the exposure */
    bool is_one_enough;
};
/* shares: of the exposure, one a filter; NULL: equal. Filters that let no light through are left
 * out. */
void nw_light_gain_plan_of(const struct nw_rig *rig, const struct nw_setup *setup,
                           const struct nw_filter *const *filters, const double *shares, size_t n,
                           struct nw_light_gain_plan *ret);

#endif
