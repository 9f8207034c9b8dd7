/* there_and_back.h - a public header of guiding: guide logs that were made as a trial, and the one
 * whose evaluation is its own.
 *
 * Idea: without corrections a train of equal pulses in declination, back and forth again, moves the
 * star by response times pulse, but for the play of the gears, which the motor must cross first
 * after each turn. Position = constant + drift t + response x axis(gap), the axis by the play
 * operator (Krasnosel'skii & Pokrovskii 1989, Systems with Hysteresis, 2): least squares in the
 * first three, searched over gap and first place in it. Pure. */
#ifndef NW_GUIDE_THERE_AND_BACK_H
#define NW_GUIDE_THERE_AND_BACK_H

#include "guiding/guiding.h"

#define NW_GUIDE_TRIAL_LIST(X)                                                                     \
    X(NONE, "")                                                                                    \
    X(DRIVE_ONLY, "drive-only")         /* pulses logged, none sent, two worm turns and more */    \
    X(THERE_AND_BACK, "there-and-back") /* declination alone: five and more one way, back, again   \
                                         */
enum nw_guide_trial {
#define X(name, word) NW_GUIDE_TRIAL_##name,
    NW_GUIDE_TRIAL_LIST(X)
#undef X
};
/* worm_period_s: of the rig, where the log does not say; NaN: 480 s (common practice, no source).
 */
enum nw_guide_trial nw_guide_trial_of(const struct nw_guide_log *log, double worm_period_s);

struct nw_guide_there_and_back {
    size_t n, n_pulses, n_turns;
    double gap_s, gap_sigma_s;                   /* of pulse; play of the gears in declination */
    double gap_low_s, gap_high_s;                /* 95 %, by the profile of the sum of squares */
    double gap_rad;                              /* on the sky: gap x response */
    double response_rad_s, response_sigma_rad_s; /* star on the sky per second of pulse */
    double drift_rad_s;
    double noise_rad; /* rms about the fit */
};
/* DATA: not that kind of log, fewer than 12 samples with a star, or a star that does not follow the
 * pulses (response under three sigmas). */
enum nw_status nw_guide_there_and_back(const struct nw_guide_log *log,
                                       struct nw_guide_there_and_back *ret,
                                       struct nw_err *err) NW_CHECKED;

#endif
