/* findings.h - second public header of guiding: what the loop model finds beyond the motion: the
 * self-check, habits of the loop, worm, backlash, replay; parts of struct nw_guide_analysis.
 * guiding.h includes it. Units: rad and s. */
#ifndef NW_GUIDING_FINDINGS_H
#define NW_GUIDING_FINDINGS_H

#include <stdbool.h>
#include <stddef.h>

/* ---- Self-check ------------------------------------------------------------------------------
 * The loop model on samples it was not fitted to (selfcheck.c): blocks by turns, the spectra of
 * motion and noise from one half, every sample of the other half foretold from those before it.
 * What is left over must scatter as foretold, have no memory and know nothing of earlier pulses.
 * Too much scatter: the air or the mount changed through the night. Memory: the noise outlasts a
 * sample (the bounds of the motion allow for 0.2), or the model of the motion is wrong. Pulses: the
 * response, its delay or the backlash is not what the model says; replay is not to be trusted. A
 * gap is looked for by itself, since a soft loop's pulses are too small to be seen one by one. */
struct nw_guide_check {
    size_t n;                      /* samples foretold; 0: not done */
    double foretold_rms_rad;       /* of what is left over */
    double scatter, scatter_sigma; /* rms over the foretold one; 1 = as foretold */
    double memory, memory_sigma;   /* correlation with the next one */
    double pulses, pulses_sigma;   /* partial correlation with earlier pulses, the largest; NaN */
    double pulses_chance;          /* of so large a one under a true model */
    int pulse_steps;               /* samples before: 1 to 3; 0: a pulse that turned round */
    /* 2 ln likelihood of the samples foretold, with a gap between pulses and axis that the others
     * taught less without any, and the chance of so much where there is none: at most that. NaN:
     * the gap is in the path already, or nothing to try (gap_seen.c) */
    double gap_better, gap_chance;
    bool is_scatter_off, is_memory_off, are_pulses_off; /* by 3 sigmas and enough to matter */
    bool is_gap_seen;                                   /* chance below 1e-3 */
    bool is_gap_worm; /* and better with the gap in place of the worm that was found: a loop that
                         hunts through a gap does so nearly in time */
    char why_null[160];
};

/* ---- Habits of the loop ----------------------------------------------------------------------
 * An error of the best loop does not know of the one before (minimum variance; habits.c). */
struct nw_guide_habits {
    double memory, memory_sigma; /* correlation of an error as logged with the next one */
    double forget_s;             /* time in which that falls by e; NaN: none to be seen */
    bool is_sluggish, is_eager;  /* memory > 0.15, < -0.15, beyond 3 sigmas; pulses logged */
    /* mean error while the last pulse was + (north, east) or -; NaN: no such pulse */
    double plus_rad, plus_sigma_rad, minus_rad, minus_sigma_rad;
    double plus_share;  /* of the time of all pulses */
    size_t n_pulses[2]; /* -, + */
    bool is_one_sided;  /* over nine tenths of it go one way: the drift holds one flank */
    bool is_biased;     /* the mean error is over 3 sigmas and 0.3 of the scatter */
};

/* ---- Worm ------------------------------------------------------------------------------------
 * Periodic motion of right ascension, found in the open-loop motion (errors less what the pulses
 * did) by likelihood: the filter of the loop model whitens it, so that a random walk is not taken
 * for a period. False alarm: normalised periodogram of the innovations with floating mean (Lomb
 * 1976, ApSS 39, 447; Zechmeister & Kuerster 2009, A&A 496, 577), chance of a maximum so high
 * anywhere in the searched band after Baluev 2008, MNRAS 385, 1279. Period, amplitudes and phases
 * by maximum likelihood together, sigmas from its curvature. Amplitudes are no better than the
 * response to a pulse: where that is off by 15 %, so are they. */
enum { NW_GUIDE_HARMONICS = 8, NW_GUIDE_PERIODS = NW_GUIDE_HARMONICS + 3 };

struct nw_guide_period {
    double period_s, period_sigma_s;
    double amplitude_rad, amplitude_sigma_rad; /* see is_at_axis */
    double phase_sigma_rad;
    double phase_rad;      /* of amplitude * sin(2 pi (t - epoch) / period + phase), + east */
    double axis_phase_rad; /* the same at axis angle 0; NaN: unknown; only of the worm */
    double left_rad, left_phase_rad; /* left in the errors as logged, on the sky; likewise */
    double false_alarm;              /* chance that noise alone shows so much */
    int harmonic;                    /* of the worm's turn: 1, 2 ...; 0: another cause */
};

struct nw_guide_worm {
    struct nw_guide_period periods[NW_GUIDE_PERIODS]; /* worm first, by harmonic */
    size_t n;
    bool is_at_axis; /* amplitudes are at the axis; false: on the sky, declination unknown */
    double epoch_s;  /* in log time: the middle of the samples */
    /* Right-ascension axis: hour angle of the tube with the tube east of the pier, hour angle + 180
     * deg with it west. NaN: hour angle or tube side not known. The phase at axis angle 0 compares
     * nights as long as the clutches stay closed; it needs a whole number of teeth. */
    double axis_angle_rad; /* at the epoch */
    double teeth, teeth_sigma;
    double rms_rad, left_rms_rad; /* of all periods on the sky: without the loop, left by it */
    double motion_without_rad;    /* motion within a sub if a predictor took away what is left */
    char why_null[160], why_axis[160]; /* "" = found; "" = phase is keyed by the axis */
};

/* ---- Backlash --------------------------------------------------------------------------------
 * Play of the declination gears: the axis follows the motor only at either end of a gap. For a gap
 * the path of the axis follows from the logged pulses; the gap is found by profile likelihood over
 * the loop model, response in both directions, wind-up (what the axis follows inside the gap) and
 * memory of the noise fitted jointly. It can be told only when the gap is crossed whole: below
 * NW_GUIDE_CROSSINGS crossings, or where a gap never crossed is not refuted, it is not identified;
 * bounds remain. The pulse that crosses the gap (gap_s) is told best; the angle needs the response
 * to a pulse as well. */
enum { NW_GUIDE_CROSSINGS = 5 };

struct nw_guide_backlash {
    bool is_identified;
    double crossings;                  /* of the best gap */
    double gap_rad, low_rad, high_rad; /* on the sky, 95 %; gap NaN: not identified; bounds may
                                          stand without (0, INFINITY: none) */
    double gap_s, low_s, high_s;       /* the same as time of a pulse */
    double windup;                     /* 0 = a clean gap */
    /* 2 ln likelihood of held-out samples, with a gap less without (selfcheck); NaN: not tried.
     * Identified asks for a chance below 1e-3: a soft loop's fit finds small gaps that are none */
    double held_better;
    /* motion within a sub that the same loop would have without the gap; NaN: not simulated */
    double motion_without_rad;
    char why_null[200];
};

/* ---- Replay ----------------------------------------------------------------------------------
 * What other settings would have given in the same night: a proportional loop with dead band run on
 * the reconstructed open-loop motion, measured with the noise that was there. Judged by the motion
 * within a sub at the main camera (smoothed motion with its posterior variance), never by the rms
 * as logged, which a longer exposure lowers while the star moves more. "Current" are the logged
 * pulses themselves. Exposures only longer than logged (means of samples). Declination only where
 * the backlash is identified or bounded small: ignored, it turns the advice over. None where the
 * self-check says that pulses act otherwise. */
struct nw_guide_replay {
    bool is_dec_allowed;
    double current_rad; /* motion within a sub, both axes: sqrt(ra^2 + dec^2) */
    double gain_ra, gain_dec, deadband_ra_rad, deadband_dec_rad, exposure_s; /* the best */
    double gain_ra_low, gain_ra_high; /* within 2 % of the best: the same for all purposes */
    double gain_dec_low, gain_dec_high;
    bool is_predictor_used;
    double motion_rad, motion_sigma_rad; /* with the best; error of the difference to current */
    double motion_with_predictor_rad;    /* the best with the worm foretold; NaN: no worm */
    double holdout_error; /* relative: best of one half of the subs, its worth in the other half */
    /* Nothing to win: under 2 % or under two sigmas; of one axis also where the held-out half does
     * not bear it out. Then nothing is proposed there: motion_rad is with that axis as it was. */
    bool is_flat, is_ra_flat, is_dec_flat;
    char why_null[200], why_dec[200];
};

/* ---- Two settings by turns -------------------------------------------------------------------
 * Event rows "setting NAME" say which settings rule from there on (20 minutes each serve well).
 * Neighbouring subs of one setting are a block; ln motion of the blocks = level and slow trend of
 * the night + the setting's difference, the same in all nights, least squares, 95 % by Student's t.
 * Dated runs less than 6 h apart are one night, a run without dates is one of its own. Blocks, not
 * subs, are the unit: subs that follow each other share their air. */
struct nw_guide_compare {
    char name[2][24]; /* the first two settings; a third is an error */
    size_t n_blocks[2], n_subs[2];
    size_t n_runs, n_nights, n_left_out; /* subs of no setting, of two, or without a motion */
    double motion_rad[2];                /* root mean square over the subs, both axes */
    double change, change_low,
        change_high; /* of the motion, second against first, relative; 95 % */
    bool is_told;    /* the interval does not hold 0 */
    size_t n_more;   /* blocks of both kinds still needed at this difference; 0: told, or the
                        difference is too small to matter (under 2 %) */
};

#endif
