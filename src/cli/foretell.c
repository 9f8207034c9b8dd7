/* foretell.c - see foretell.h */
#include "cli/foretell.h"

#include "budget/budget.h"

/* The rig's width at airmasses from 1 to 3: the evidence is one frame whose own width does not
 * matter, it only says how high the target stands. */
enum nw_status cli_foretell(const struct nw_rig *rig, const struct nw_setup *setup,
                            struct nw_live_foretold *ret, struct nw_err *err) {
    static const double AIRMASSES[] = {1.0, 1.2, 1.5, 2.0, 3.0};
    enum nw_status status = NW_OK;
    *ret = (struct nw_live_foretold){.n = 0};
    nw_text_copy(ret->filter, sizeof ret->filter, setup->filter.name);
    ret->also = setup->filter.also;
    for (size_t i = 0; i < sizeof AIRMASSES / sizeof AIRMASSES[0] && status == NW_OK; i++) {
        struct nw_setup there = *setup;
        struct nw_star_budget *budget = NULL;
        there.airmass.v = AIRMASSES[i];
        status = nw_star_budget_new(rig, &there, NULL, NULL, 0, &budget, err);
        if (status == NW_OK) {
            ret->airmass[ret->n] = AIRMASSES[i];
            ret->fwhm_rad[ret->n] = budget->predicted_rad;
            ret->sigma_rad[ret->n++] = budget->predicted_sigma_rad;
        }
        nw_star_budget_free(budget);
    }
    return status;
}
