/* synth.h - the forward simulator: frames and the guide log of one night, with the truth beside
 * them.
 *
 * Independent of the analysers: it shares with them only base, the rig description, sky's
 * coordinates and the FITS writer. Profiles come from wave optics (pupil, FFT) and the true motion
 * path, not from the OTF models that the budget uses. Everything follows from the seed. */
#ifndef NW_SYNTH_H
#define NW_SYNTH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/base.h"
#include "rig/rig.h"

enum { NW_SYNTH_SUBS = 36 }; /* subs of a night when nobody says */

/* Frames with the focuser on purpose beside best focus, for its owner to practise on. */
enum nw_synth_focus {
    NW_SYNTH_FOCUS_NIGHT,          /* an ordinary night */
    NW_SYNTH_FOCUS_PAIR,           /* inside, outside */
    NW_SYNTH_FOCUS_SWEEP,          /* from inside to outside in equal moves */
    NW_SYNTH_FOCUS_THERE_AND_BACK, /* a sweep, and the same places on the way back */
    NW_SYNTH_FOCUS_N
};

struct nw_synth_opts {
    uint64_t seed;
    size_t n_subs;              /* 0 = NW_SYNTH_SUBS */
    double t_start_utc_s;       /* NaN: a fixed date, in darkness */
    double ra_rad, dec_rad;     /* NaN: a field that has just passed the meridian */
    double hour_angle_rad;      /* at the start, instead of ra_rad; NaN: not said */
    double sub_length_s;        /* NaN: the rig's */
    size_t width_px, height_px; /* 0: the rig's camera; smaller: the central part is read out */
    double seeing_rad;  /* zenith, 500 nm, mean of the night; NaN: drawn from the rig's value +-
                           sigma */
    bool without_noise; /* for tests */
    int n_threads;
    const char *const *filters; /* of the setup, three subs each in turn; a run at each change */
    size_t n_filters;           /* 0: the judged one */
    /* what no line of the budget models, each off by default */
    double pinched_lens_waves; /* three-lobed wavefront, rms */
    double focuser_slip_m;     /* once, at mid-night */
    /* frames about focus; n_subs 0: 2, 9 or 18 of them */
    enum nw_synth_focus focus;
    double focus_reach_m;  /* travel to either side; 0: as gives 2.5 depths of focus */
    double focuser_play_m; /* travel lost when the focuser turns round */
    double step_error;     /* true step = the rig's x (1 + step_error) */
    /* "NAME=VALUE": numbers of mount, guide loop and sky, nw_synth_injectable_at */
    const char *const *inject;
    size_t n_inject;
};

/* What can be injected, one by one. false past the end. */
struct nw_synth_injectable {
    const char *name, *low, *high, *meaning;
};
bool nw_synth_injectable_at(size_t i, struct nw_synth_injectable *ret);

/* Writes into `folder` (made if missing; must be empty): light frames FITS, guide.csv,
 * truth.json. Nothing is left behind on failure. */
enum nw_status nw_synth_night(const struct nw_rig *rig, const char *setup,
                              const struct nw_synth_opts *opts, const char *folder,
                              const struct nw_progress *progress, struct nw_err *err) NW_CHECKED;

#endif
