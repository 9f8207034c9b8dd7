/* focus.h - focus as a job: what focus runs of some nights say about telescope and focuser.
 *
 * Idea: every focus run is one measurement of the best position,
 *     P = P(night) + k T'(t) + offset(filter) + backlash (by direction) + flip (by tube side) + e,
 * with T' the temperature behind by a lag, e the run's own error. A tube that begins the night
 * warmer than its air adds w exp(-t/lag), w of each night its own. The positions that a capture
 * program chose are the data: a jump of the focuser is a new run. Positions are in focuser steps,
 * larger = away from the telescope. What the nights do not tell apart is null with the reason.
 * Pure compute; NaN = not known. Model and limits: docs/models.md. */
#ifndef NW_FOCUS_H
#define NW_FOCUS_H

#include <stdbool.h>
#include <stddef.h>

#include "base/base.h"

enum { NW_FOCUS_FILTERS = 16 };
enum nw_focus_side { NW_FOCUS_SIDE_UNKNOWN, NW_FOCUS_EAST, NW_FOCUS_WEST };
enum nw_focus_way { NW_FOCUS_WAY_UNKNOWN, NW_FOCUS_WAY_IN, NW_FOCUS_WAY_OUT };

/* A frame, as far as focus is concerned. */
struct nw_focus_frame {
    double t_start_s, exposure_s, position_steps, temperature_K;
    double altitude_rad, ra_rad, dec_rad, airmass;
    double width, width_sigma; /* any unit, the same for all */
    enum nw_focus_side side;
    char filter[32];
};

struct nw_focus_run {
    double t_s, position_steps, temperature_K, altitude_rad;
    double duration_s; /* time it took from imaging */
    enum nw_focus_side side;
    enum nw_focus_way way; /* of the last move to the position */
    char filter[32];
    bool is_first;   /* of a night: the run itself was not seen, the position is taken for one */
    bool is_refused; /* by the fit: too far off */
    double residual_steps;
};
struct nw_focus_runs {
    struct nw_focus_run *items; /* by time */
    size_t n, cap;
    size_t n_offset_moves; /* with a change of filter and no time for a run */
    size_t n_follow_moves; /* small moves between runs: the focuser follows the temperature */
    bool is_following;
};
void nw_focus_runs_done(struct nw_focus_runs *runs);

/* Adds the runs that positions of frames show. A jump is a run when time for one passed; where the
 * focuser follows the temperature (every third frame moves) only then. A jump together with a
 * change of filter and no time for a run is a stored offset: nothing was measured. A run that
 * returned to its old position cannot be seen. frames: any order; sorted here. */
enum nw_status nw_focus_runs_of_frames(struct nw_focus_frame *frames, size_t n,
                                       struct nw_focus_runs *runs, struct nw_err *err) NW_CHECKED;
/* Adds the rows of a CSV file (docs/formats.md): time, position_steps; optional temperature_c,
 * filter, tube_side, last_move (in, out), altitude_deg, duration_s. Errors with file and line. */
enum nw_status nw_focus_runs_read(const char *path, struct nw_focus_runs *runs,
                                  struct nw_err *err) NW_CHECKED;

struct nw_focus_term {
    double value, sigma, low, high; /* low, high: 95 %; value NaN: not known, see why */
    char why_null[160];
};
struct nw_focus_offset {
    char filter[32];
    size_t n;                   /* runs used */
    struct nw_focus_term steps; /* against the reference */
};

struct nw_focus_job {
    size_t n_runs, n_used, n_refused, n_nights, n_parameters;
    double temperature_low_K, temperature_high_K;
    double rate_K_s;                    /* mean |trend| of the temperature over a night */
    double run_time_s;                  /* median of what a run takes */
    struct nw_focus_term per_K;         /* steps per K */
    struct nw_focus_term lag_s;         /* of the focus behind the sensor */
    struct nw_focus_term warm;          /* steps at the first run of a night, mean of the nights */
    struct nw_focus_term repeatability; /* rms of one run, steps */
    struct nw_focus_term backlash;      /* steps: in minus out, of runs that end both ways */
    struct nw_focus_term flip;          /* steps: west minus east */
    struct nw_focus_term per_hour;      /* steps, beside the temperature */
    struct nw_focus_term sag;           /* steps from the horizon to the zenith (sin altitude) */
    struct nw_focus_term per_night;     /* scatter of the nights' own levels, steps */
    double correlation_time;            /* of per_K with per_hour */
    bool is_time_separable;
    char reference[32];
    struct nw_focus_offset offsets[NW_FOCUS_FILTERS];
    size_t n_offsets;
};

/* Fits the model to the runs. temperatures: readings between the runs (frames), for the lag; n may
 * be 0. reference: filter that the others are given against; NULL: the one with most runs.
 *   returned  *ret; runs get residual_steps and is_refused
 *   errors    DATA: fewer than 3 runs, or none with a temperature and no second filter;
 *             LIMIT: over 2000 runs, over 16 filters
 *   accuracy  pull widths 0.9 to 1.1 on simulated nights (test_focus_job.c)
 *   source    least squares by modified Gram-Schmidt (Bjorck 1967, BIT 7, 1); Huber 1981
 *             weights before anything is refused; lag by profile, F quantile */
enum nw_status nw_focus_fit(struct nw_focus_runs *runs, const struct nw_focus_frame *temperatures,
                            size_t n, const char *reference, struct nw_focus_job *ret,
                            struct nw_err *err) NW_CHECKED;

/* Temperature behind by a lag: dT'/dt = (T - T')/lag, exact for T straight between the readings;
 * T' = T at the first one. t must rise. ret_K: at each reading. */
void nw_focus_lagged(const double *t_s, const double *temperature_K, size_t n, double lag_s,
                     double *ret_K);

/* Widths before and after flips and long slews (over 15 degrees) that no run followed: mean change
 * of ln width, airmass taken off (X^0.6), up to 3 frames each side. */
struct nw_focus_after {
    size_t n;
    double change, sigma; /* relative; NaN without any */
};
void nw_focus_after_moves(const struct nw_focus_frame *frames, size_t n,
                          struct nw_focus_after *ret_flips, struct nw_focus_after *ret_slews);

#endif
