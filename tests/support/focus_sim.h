/* focus_sim.h - nights of focus runs with known truth, independent of the analyser: the tube's
 * temperature is integrated by small steps, the motor has play, each run its own error. */
#ifndef NW_TEST_FOCUS_SIM_H
#define NW_TEST_FOCUS_SIM_H

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#include "field/focus.h"

struct focus_truth {
    double per_K, lag_s, repeat_steps, backlash_steps, flip_steps;
    double offsets[4]; /* of filters "f0" to "f3" */
    size_t n_filters, n_nights, runs_per_night;
    double interval_s, fall_K, turn_K;    /* fall over the night; a bump that makes it turn */
    double sensor_noise_K, outlier_steps; /* one run in 15 off by that; 0: none */
    bool has_sides, has_ways;
    double warm_K; /* of the tube at the start of the first night; others 0.6 to 1.2 of it */
};

struct focus_sim {
    struct nw_focus_frame frames[4000]; /* readings of the temperature, every 5 minutes */
    size_t n_frames;
    struct nw_focus_runs runs;
};

static inline double sim_air_K(const struct focus_truth *t, double t_s, double night) {
    const double h = t_s / 3600.0;
    return 283.0 + 2.0 * night - t->fall_K * (1.0 - exp(-h / 4.0)) +
           t->turn_K * sin(2.0 * 3.14159265358979 * h / 5.0 + night);
}

static inline void sim_focus(const struct focus_truth *truth, gsl_rng *rng, struct focus_sim *sim) {
    const double step_s = 20.0;
    sim->n_frames = 0;
    sim->runs = (struct nw_focus_runs){0};
    sim->runs.items = nw_calloc(truth->n_nights * truth->runs_per_night, sizeof *sim->runs.items);
    sim->runs.cap = truth->n_nights * truth->runs_per_night;
    for (size_t night = 0; night < truth->n_nights; night++) {
        const double begin_s = 86400.0 * (double)night + 1.6e9;
        const double level = 20000.0 + gsl_ran_gaussian(rng, 50.0);
        double tube_K = sim_air_K(truth, 0.0, (double)night) +
                        truth->warm_K * (1.2 - 0.2 * (double)(night % 4));
        size_t k = 0;
        double next_frame_s = 0.0;
        for (double t_s = 0.0; k < truth->runs_per_night; t_s += step_s) {
            const double air_K = sim_air_K(truth, t_s, (double)night);
            /* exact for air that stands still over one small step */
            tube_K =
                truth->lag_s > 0.0 ? air_K + (tube_K - air_K) * exp(-step_s / truth->lag_s) : air_K;
            const double read_K = air_K + gsl_ran_gaussian(rng, truth->sensor_noise_K);
            if (t_s >= next_frame_s) {
                sim->frames[sim->n_frames++] = (struct nw_focus_frame){
                    .t_start_s = begin_s + t_s, .temperature_K = read_K, .position_steps = NAN};
                next_frame_s += 300.0;
            }
            if (t_s < truth->interval_s * (double)k) {
                continue;
            }
            const size_t filter = k % truth->n_filters;
            struct nw_focus_run *run = &sim->runs.items[sim->runs.n++];
            *run = (struct nw_focus_run){.t_s = begin_s + t_s,
                                         .temperature_K = read_K,
                                         .altitude_rad = NAN,
                                         .duration_s = 150.0};
            (void)snprintf(run->filter, sizeof run->filter, "f%zu", filter);
            run->side = !truth->has_sides               ? NW_FOCUS_SIDE_UNKNOWN
                        : 2 * k < truth->runs_per_night ? NW_FOCUS_EAST
                                                        : NW_FOCUS_WEST;
            run->way = !truth->has_ways             ? NW_FOCUS_WAY_UNKNOWN
                       : gsl_rng_uniform(rng) < 0.5 ? NW_FOCUS_WAY_IN
                                                    : NW_FOCUS_WAY_OUT;
            double best = level + truth->per_K * (tube_K - 283.0) + truth->offsets[filter] +
                          gsl_ran_gaussian(rng, truth->repeat_steps);
            best += run->side == NW_FOCUS_WEST ? truth->flip_steps : 0.0;
            best += run->way == NW_FOCUS_WAY_IN ? truth->backlash_steps : 0.0;
            if (truth->outlier_steps > 0.0 && gsl_rng_uniform(rng) < 1.0 / 15.0) {
                best += truth->outlier_steps;
            }
            run->position_steps = best;
            k++;
        }
    }
}

#endif
