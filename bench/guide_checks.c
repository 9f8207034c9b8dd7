/* guide_checks.c - how often the self-check of the loop model speaks, where it should and where it
 * should not: the table of docs/models.md. Argument: nights a case, else 20. Loops of 2 h at 2 s by
 * tests/support/guide_sim.h; counted are right ascension and declination. */
#include <stdio.h>

#include "guide_sim.h"

enum { SAMPLES = 3600 };

static const struct sim_axis PLAIN = {.noise = 0.3,
                                      .walk_per_sqrt_s = 0.05,
                                      .gain = 0.6,
                                      .deadband = 0.2,
                                      .response = 1.0,
                                      .delay = 1};

struct one_case {
    const char *name;
    struct sim_axis axis;
};

struct tally {
    double scatter, memory, pulses, errors_memory;
    int n, off_scatter, off_memory, off_pulses, sluggish, eager, biased;
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
    t->sluggish += a->habits.is_sluggish;
    t->eager += a->habits.is_eager;
    t->biased += a->habits.is_biased;
}

static struct one_case *cases(size_t *ret_n) {
    static struct one_case list[12];
    size_t n = 0;
    const struct sim_axis plain = PLAIN;
    list[n++] = (struct one_case){"as the model", plain};
    list[n] = (struct one_case){"soft, gain 0.1", plain};
    list[n].axis.deadband = 0.0;
    list[n++].axis.gain = 0.1;
    list[n] = (struct one_case){"hard, gain 1.2", plain};
    list[n].axis.deadband = 0.0;
    list[n++].axis.gain = 1.2;
    list[n] = (struct one_case){"memory 0.2", plain};
    list[n++].axis.noise_memory = 0.2;
    list[n] = (struct one_case){"memory 0.5", plain};
    list[n++].axis.noise_memory = 0.5;
    list[n] = (struct one_case){"acts at 85 %", plain};
    list[n++].axis.response = 0.85;
    list[n] = (struct one_case){"acts at 60 %", plain};
    list[n++].axis.response = 0.6;
    list[n] = (struct one_case){"worm 5\" of 240 s", plain};
    list[n].axis.worm_period_s = 240.0;
    list[n++].axis.worm = 5.0;
    list[n] = (struct one_case){"gear noise 0.3\" of 8 s", plain};
    list[n].axis.gear_s = 8.0;
    list[n++].axis.gear = 0.3;
    list[n] = (struct one_case){"a gap of 300 ms", plain};
    list[n++].axis.gap = 2.25;
    list[n] = (struct one_case){"that gap, soft", plain};
    list[n].axis.gain = 0.3;
    list[n++].axis.gap = 2.25;
    *ret_n = n;
    return list;
}

int main(int argc, char **argv) {
    const size_t nights = argc > 1 ? (size_t)strtoul(argv[1], NULL, 10) : 20;
    size_t n = 0;
    const struct one_case *list = cases(&n);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int failed = 0;
    for (size_t i = 0; i < n; i++) {
        struct tally t[2] = {{0}};
        gsl_rng_set(rng, 500 + i);
        for (size_t j = 0; j < nights; j++) {
            struct sim_night night;
            struct nw_guide_analysis *a = NULL;
            struct nw_err err = {0};
            sim_night_init(&night, SAMPLES, 2.0);
            sim_night_run(&night, &list[i].axis, &list[i].axis, rng);
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
                   "errors' memory %+.2f, sluggish %3d eager %3d biased %3d of %d\n",
                   list[i].name, axis ? "Dec" : "RA", at->scatter / k, at->off_scatter,
                   at->memory / k, at->off_memory, at->pulses / k, at->off_pulses,
                   at->errors_memory / k, at->sluggish, at->eager, at->biased, at->n);
        }
        (void)fflush(stdout);
    }
    gsl_rng_free(rng);
    return failed;
}
