/* gains.c - one gain for all filters, or one for each; see gains.h. */
#include "light/gains.h"

#include <math.h>

/* Of the time: common practice, no source. */
static const double NEAR = 0.01, PAYS = 0.02;

/* What a gain yields in a filter; half when no length keeps the wishes (as nw_light_gains has it).
 */
static double yield_of(const struct nw_light_gain *g) {
    return g->subs.curve[g->subs.best].yield * (g->subs.is_empty ? 0.5 : 1.0);
}

static bool settings_of(const struct nw_rig *rig, const struct nw_setup *setup,
                        const struct nw_filter *filter,
                        struct nw_light_gain ret[static NW_RIG_MAX_SETTINGS], size_t *ret_own) {
    const struct nw_light_case what = nw_light_case_usual(rig, setup, filter);
    const struct nw_light_band band = nw_light_main_band(setup, filter);
    const struct nw_light_wants wants = nw_light_wants_usual(setup);
    if (!(band.width_m > 0.0)) {
        return false;
    }
    *ret_own = nw_light_gains(&what, &band, &wants.field, &wants.wishes, ret);
    return *ret_own != SIZE_MAX;
}

void nw_light_gain_plan_of(const struct nw_rig *rig, const struct nw_setup *setup,
                           const struct nw_filter *const *filters, const double *shares, size_t n,
                           struct nw_light_gain_plan *ret) {
    struct nw_light_gain gains[NW_RIG_MAX_SETTINGS];
    double lost[NW_RIG_MAX_SETTINGS] = {0.0};
    double whole = 0.0;
    const size_t n_settings = setup->camera.n_settings;
    memset(ret, 0, sizeof *ret);
    ret->one = SIZE_MAX;
    /* what every setting loses over all filters against each one's own */
    for (size_t i = 0; i < n && n_settings > 0 && ret->n < NW_RIG_MAX_FILTERS; i++) {
        size_t own = 0;
        const double share = shares ? shares[i] : 1.0;
        if (share > 0.0 && settings_of(rig, setup, filters[i], gains, &own)) {
            for (size_t k = 0; k < n_settings; k++) {
                lost[k] += share * fmax(0.0, 1.0 - yield_of(&gains[k]) / yield_of(&gains[own]));
            }
            whole += share;
            ret->filters[ret->n++] = (struct nw_light_gain_of_filter){.filter = filters[i]};
        }
    }
    double least = INFINITY;
    for (size_t k = 0; k < n_settings && ret->n > 0; k++) {
        least = fmin(least, lost[k]);
    }
    for (size_t k = 0; k < n_settings && ret->n > 0;
         k++) { /* as for one filter: the larger wells */
        const bool is_wider =
            ret->one == SIZE_MAX || setup->camera.settings[k].full_scale_e.v >
                                        setup->camera.settings[ret->one].full_scale_e.v;
        ret->one = lost[k] <= least + NEAR * whole && is_wider ? k : ret->one;
    }
    if (ret->one == SIZE_MAX) {
        ret->n = 0;
        ret->lost_by_one = NAN;
        return;
    }
    for (size_t i = 0; i < ret->n; i++) {
        struct nw_light_gain_of_filter *const f = &ret->filters[i];
        if (!settings_of(rig, setup, f->filter, gains, &f->own)) {
            continue; /* it was told before */
        }
        const struct nw_light_subs *const own = &gains[f->own].subs;
        const struct nw_light_subs *const one = &gains[ret->one].subs;
        f->one = ret->one;
        f->own_sub_s = own->curve[own->best].sub_s;
        f->one_sub_s = one->curve[one->best].sub_s;
        f->full_own = own->curve[own->best].saturated;
        f->full_one = one->curve[one->best].saturated;
        f->lost_by_one = fmax(0.0, 1.0 - yield_of(&gains[ret->one]) / yield_of(&gains[f->own]));
    }
    ret->lost_by_one = lost[ret->one] / whole;
    ret->is_one_enough = ret->lost_by_one <= PAYS;
}
