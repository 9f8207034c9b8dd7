/* guide_cases.h - loops that differ from a plain one in one thing, as rows of a table: for the
 * benches of src/guiding. */
#ifndef NW_TEST_GUIDE_CASES_H
#define NW_TEST_GUIDE_CASES_H

#include "guide_sim.h"

struct sim_case {
    const char *name;
    double gain, deadband, noise, noise_memory, response; /* as in struct sim_axis */
    double worm, worm_period_s, gear, gear_s, gap;
};

static inline struct sim_axis sim_case_axis(const struct sim_case *c, double drift_per_min) {
    return (struct sim_axis){.noise = c->noise,
                             .walk_per_sqrt_s = 0.05,
                             .drift_per_min = drift_per_min,
                             .worm = c->worm,
                             .worm_period_s = c->worm_period_s,
                             .gear = c->gear,
                             .gear_s = c->gear_s,
                             .gain = c->gain,
                             .deadband = c->deadband,
                             .response = c->response,
                             .noise_memory = c->noise_memory,
                             .gap = c->gap,
                             .delay = 1};
}

#endif
