/* ledger_seen.h - what the light frames of a night say to the budgets of light and time. A public
 * header of the module beside ledger.h.
 *
 * Pure: frames come in as numbers, from files or out of the book. */
#ifndef NW_LEDGER_SEEN_H
#define NW_LEDGER_SEEN_H

#include "budget/ledger.h"
#include "image/image.h"

/* One light frame; NaN or "" where it is not known or was not measured. */
struct nw_seen_sub {
    double t_start_utc_s, exposure_s;
    char filter[32], tube_side[8];
    double focuser_steps, ra_rad, dec_rad, airmass;
    double gain_e_per_adu; /* of its header */
    double background_adu, noise_adu;
    double limit_adu_s;      /* light of a point source at 5 sigma, per second */
    enum nw_channel channel; /* that was measured: MONO, or G of a colour frame */
    bool is_interpolated;    /* colours were filled in: noise of a pixel says little */
    bool is_spoiled;         /* no usable stars, doubled, trailed, out of focus */
    bool is_of_filter;       /* of the filter that the setup is judged in */
};

/* Into the lines of a light budget: shares of the noise that the subs of the judged filter show
 * (what their level explains, and what is left for read noise), the sky in V beside what site, Moon
 * and Sun foretell for the subs' own minutes, the noise of a pixel beside that of its level, signal
 * over noise reached against the foretold, and what an hour reaches. Levels rest on the rig's
 * offset and gain; colours of the sky: sky/spectrum.h. Nothing is changed when no sub tells.
 *   accuracy  on simulated nights: tests/reference/test_check_light.py */
void nw_ledger_light_measured(struct nw_ledger *ledger, const struct nw_rig *rig,
                              const struct nw_setup *setup, const struct nw_seen_sub *subs,
                              size_t n);

/* Into the lines of a time budget, from start and exposure of all light frames of one night, in
 * order of time: minutes of each hour, from the first start to the last end, that went between subs
 * (a gap without anything else: reading out, and what the usual gap has beyond the shortest:
 * dithers), in focus runs (a long gap over which the focuser moved), for flips (over which the tube
 * changed side), in other long gaps, in spoiled subs; hours of exposure beside what that night's
 * darkness foretold. A gap is long when it has three usual ones and 30 s. */
void nw_ledger_time_measured(struct nw_ledger *ledger, const struct nw_rig *rig,
                             const struct nw_seen_sub *subs, size_t n);

#endif
