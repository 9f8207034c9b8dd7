/* focus_pulls.c - pull widths of the terms of focus runs over many simulated sets of nights
 * (tests/support/focus_sim.h), with tubes that begin a night warmer than the air or not; the
 * numbers of docs/focus.md. Arguments: sets, else 700; kelvins too warm, else 0; seed, else 17. */
#include <stdio.h>

#include "focus_sim.h"

struct tally {
    double sum, sum2;
    size_t n, inside;
};

static void add(struct tally *t, const struct nw_focus_term *term, double truth) {
    if (isfinite(term->value) && isfinite(term->sigma)) {
        const double pull = (term->value - truth) / term->sigma;
        t->sum += pull;
        t->sum2 += pull * pull;
        t->inside += term->low <= truth && truth <= term->high;
        t->n++;
    }
}

static void print(const char *name, const struct tally *t) {
    const double n = (double)t->n;
    const double mean = t->sum / n;
    printf("%-12s n %4zu  mean %+.3f  width %.3f  inside 95 %% %.3f\n", name, t->n, mean,
           sqrt(t->sum2 / n - mean * mean), (double)t->inside / n);
}

int main(int argc, char **argv) {
    static struct focus_sim sim;
    struct focus_truth truth = {.per_K = -8.5,
                                .lag_s = 1500.0,
                                .repeat_steps = 4.0,
                                .backlash_steps = 35.0,
                                .flip_steps = 9.0,
                                .offsets = {0.0, 22.0, -14.0},
                                .n_filters = 3,
                                .n_nights = 4,
                                .runs_per_night = 14,
                                .interval_s = 2700.0,
                                .fall_K = 7.0,
                                .turn_K = 1.2,
                                .has_sides = true,
                                .has_ways = true};
    long sets = 700;
    long seed = 17;
    if ((argc > 1 && !nw_text_to_long(argv[1], &sets)) ||
        (argc > 2 && !nw_text_to_double(argv[2], &truth.warm_K)) ||
        (argc > 3 && !nw_text_to_long(argv[3], &seed))) {
        return 2;
    }
    struct tally per_K = {0}, lag = {0}, backlash = {0}, flip = {0}, offset = {0}, warm = {0};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, (unsigned long)seed);
    for (long i = 0; i < sets; i++) {
        struct nw_focus_job job;
        struct nw_err err;
        sim_focus(&truth, rng, &sim);
        if (nw_focus_fit(&sim.runs, sim.frames, sim.n_frames, "f0", &job, &err) == NW_OK) {
            add(&per_K, &job.per_K, truth.per_K);
            add(&lag, &job.lag_s, truth.lag_s);
            add(&backlash, &job.backlash, truth.backlash_steps);
            add(&flip, &job.flip, truth.flip_steps);
            add(&offset, &job.offsets[0].steps, truth.offsets[1]);
            /* nights differ: 1.2, 1.0, 0.8, 0.6 of it */
            add(&warm, &job.warm, 0.9 * truth.warm_K * truth.per_K);
        }
        nw_focus_runs_done(&sim.runs);
    }
    print("coefficient", &per_K);
    print("lag", &lag);
    print("backlash", &backlash);
    print("flip", &flip);
    print("offset", &offset);
    print("warm start", &warm);
    gsl_rng_free(rng);
    return 0;
}
