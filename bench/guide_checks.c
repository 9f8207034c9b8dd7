/* guide_checks.c - how often the self-check of the loop model speaks, where it should and where it
 * should not: the table of docs/models.md. Arguments: nights a case, else 20; number of
 * the one case to run, else all. Loops of 2 h at 2 s by
 * tests/support/guide_sim.h; counted are right ascension and declination. */
#include <stdio.h>

#include "guide_cases.h"

enum { SAMPLES = 3600 };

static const struct sim_case CASES[] = {
    {"as the model", 0.6, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"soft, gain 0.1", 0.1, 0.0, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"hard, gain 1.2", 1.2, 0.0, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"memory 0.2", 0.6, 0.2, 0.3, 0.2, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"memory 0.5", 0.6, 0.2, 0.3, 0.5, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"acts at 85 %", 0.6, 0.2, 0.3, 0.0, 0.85, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"acts at 60 %", 0.6, 0.2, 0.3, 0.0, 0.6, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"worm 5\" of 240 s", 0.6, 0.2, 0.3, 0.0, 1.0, 5.0, 240.0, 0.0, 0.0, 0.0},
    {"gear noise 0.3\" of 8 s", 0.6, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.3, 8.0, 0.0},
    {"a gap of 300 ms", 0.6, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 2.25},
    {"that gap, gain 0.3", 0.3, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 2.25},
    {"that gap, gain 0.15", 0.15, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 2.25},
    {"150 ms, gain 0.3", 0.3, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.125},
    {"900 ms, gain 0.3", 0.3, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 6.75},
};

struct tally {
    double scatter, memory, pulses, errors_memory, gap;
    int n, off_scatter, off_memory, off_pulses, tried, seen, sluggish, eager, biased;
};

static void add(const struct nw_guide_axis *a, struct tally *t) {
    t->n++;
    t->scatter += a->check.scatter;
    t->memory += a->check.memory;
    t->pulses += a->check.pulses;
    t->errors_memory += a->habits.memory;
    t->off_scatter += a->check.is_scatter_off;
    t->off_memory += a->check.is_memory_off;
    t->off_pulses += a->check.are_pulses_off;
    t->tried += isfinite(a->check.gap_better);
    t->seen += a->check.is_gap_seen;
    t->gap += isfinite(a->check.gap_better) ? a->check.gap_better : 0.0;
    t->sluggish += a->habits.is_sluggish;
    t->eager += a->habits.is_eager;
    t->biased += a->habits.is_biased;
}

int main(int argc, char **argv) {
    const size_t nights = argc > 1 ? (size_t)strtoul(argv[1], NULL, 10) : 20;
    const size_t n = sizeof CASES / sizeof CASES[0];
    const size_t only = argc > 2 ? (size_t)strtoul(argv[2], NULL, 10) : n;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int failed = 0;
    for (size_t i = only < n ? only : 0; i < (only < n ? only + 1 : n); i++) {
        struct tally t[2] = {{0}};
        const struct sim_axis loop = sim_case_axis(&CASES[i], 0.0);
        gsl_rng_set(rng, 500 + i);
        for (size_t j = 0; j < nights; j++) {
            struct sim_night night;
            struct nw_guide_analysis *a = NULL;
            struct nw_err err = {0};
            sim_night_init(&night, SAMPLES, 2.0);
            sim_night_run(&night, &loop, &loop, rng);
            if (nw_guide_analyse(&night.log, NULL, &a, &err) == NW_OK) {
                add(&a->ra, &t[0]);
                add(&a->dec, &t[1]);
            } else {
                (void)fprintf(stderr, "%s\n", err.text);
                failed = 1;
            }
            nw_guide_analysis_free(a);
            sim_night_done(&night);
        }
        for (int axis = 0; axis < 2; axis++) {
            const struct tally *const at = &t[axis];
            const double k = (double)at->n;
            printf("%-24s %-3s scatter %.3f off %3d; memory %+.3f off %3d; pulses %+.3f off %3d; "
                   "gap seen %3d of %3d (%+.1f); errors' memory %+.2f, sluggish %3d eager %3d "
                   "biased %3d of %d\n",
                   CASES[i].name, axis ? "Dec" : "RA", at->scatter / k, at->off_scatter,
                   at->memory / k, at->off_memory, at->pulses / k, at->off_pulses, at->seen,
                   at->tried, at->gap / at->tried, at->errors_memory / k, at->sluggish, at->eager,
                   at->biased, at->n);
        }
        (void)fflush(stdout);
    }
    gsl_rng_free(rng);
    return failed;
}
