/* gains.c - which gain setting for the filters of a plan. */
#include "night/night.h"

void nw_plan_gains(const struct nw_night_input *input, const struct nw_plan *plan,
                   struct nw_light_gain_plan *ret) {
    const struct nw_filter *filters[NW_RIG_MAX_FILTERS];
    double shares[NW_RIG_MAX_FILTERS];
    size_t n = 0;
    for (size_t i = 0; i < plan->n_blocks; i++) {
        const struct nw_night_block *const b = &plan->blocks[i];
        const struct nw_filter *const filter = nw_setup_filter_of(input->setup, b->filter);
        size_t k = 0;
        while (k < n && filters[k] != filter) {
            k++;
        }
        if (!filter || k == NW_RIG_MAX_FILTERS) {
            continue;
        }
        if (k == n) {
            filters[n] = filter;
            shares[n++] = 0.0;
        }
        shares[k] += (double)b->subs * b->exposure_s;
    }
    nw_light_gain_plan_of(input->rig, input->setup, filters, shares, n, ret);
}
