/* check_seen.c - what the light frames of a night say to the budgets of light and time, for
 * `check`. */
#include <math.h>

#include "budget/ledger_seen.h"
#include "cli/check_internal.h"

void check_seen_sub(const struct nw_frame_facts *facts, const struct nw_measure *measure,
                    struct nw_seen_sub *ret) {
    *ret = (struct nw_seen_sub){.t_start_utc_s = facts->t_start_utc_s,
                                .exposure_s = facts->exposure_s,
                                .focuser_steps = facts->focuser_steps,
                                .ra_rad = facts->ra_rad,
                                .dec_rad = facts->dec_rad,
                                .airmass = facts->airmass,
                                .gain_e_per_adu = facts->gain_e_per_adu,
                                .background_adu = NAN,
                                .noise_adu = NAN,
                                .limit_adu_s = NAN};
    nw_text_copy(ret->filter, sizeof ret->filter, facts->filter);
    nw_text_copy(ret->tube_side, sizeof ret->tube_side, facts->tube_side);
    if (measure) {
        const unsigned faults = (unsigned)NW_FRAME_DOUBLED | (unsigned)NW_FRAME_TRAILED |
                                (unsigned)NW_FRAME_OUT_OF_FOCUS;
        ret->background_adu = measure->background_adu;
        ret->noise_adu = measure->noise_adu;
        ret->limit_adu_s = measure->aspects.limit.flux_adu / facts->exposure_s;
        ret->channel = measure->channel;
        ret->is_spoiled = measure->n_used == 0 || (measure->flags & faults) != 0;
    }
}

void check_seen(const struct check_night *night, const struct nw_rig *rig,
                const struct nw_setup *setup, const struct check_ledgers *ledgers) {
    struct nw_ledger *const light = check_ledger_of(ledgers, "light");
    struct nw_ledger *const hours = check_ledger_of(ledgers, "time");
    if (light && night->n_seen > 0) {
        nw_ledger_light_measured(light, rig, setup, night->seen, night->n_seen);
    }
    if (hours && night->n_seen > 0) {
        nw_ledger_time_measured(hours, rig, night->seen, night->n_seen);
    }
}
