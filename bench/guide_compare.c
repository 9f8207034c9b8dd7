/* guide_compare.c - settings by turns: how often a difference is told where there is none, and
 * whether the interval holds the true one. Whole nights of simulated loops (tests/support/
 * guide_sim.h): every 20 minutes the setting changes; walk and noise wander through the night (as
 * seeing and wind do: a slope and an Ornstein-Uhlenbeck path of 90 minutes), both settings meet the
 * same air. Argument: nights a case, else 100. */
#include <stdio.h>

#include "guide_sim.h"

#define AS NW_ARCSEC_PER_RAD
enum { SAMPLES = 600, BLOCKS_MOST = 36 };

struct one_case {
    const char *name;
    size_t blocks, nights; /* nights that are judged together */
    double gain[2];
};
static const struct one_case CASES[] = {
    {"no difference, 4 h", 12, 1, {0.6, 0.6}},     {"no difference, 8 h", 24, 1, {0.6, 0.6}},
    {"no difference, 3 x 4 h", 12, 3, {0.6, 0.6}}, {"gain 0.6 and 1.0, 4 h", 12, 1, {0.6, 1.0}},
    {"gain 0.6 and 1.0, 8 h", 24, 1, {0.6, 1.0}},  {"gain 0.6 and 0.7, 8 h", 24, 1, {0.6, 0.7}},
};

static struct sim_axis axis_of(double gain, double size) {
    return (struct sim_axis){.noise = 0.3 * size,
                             .walk_per_sqrt_s = 0.05 * size,
                             .gain = gain,
                             .response = 1.0,
                             .drift_per_min = 0.2,
                             .noise_memory = 0.1,
                             .delay = 1};
}

/* ln of true motion, second setting less first, from long runs. */
static double truth_of(const struct one_case *c, gsl_rng *rng) {
    double ln[2];
    for (int i = 0; i < 2; i++) {
        const struct sim_axis axis = axis_of(c->gain[i], 1.0);
        struct sim_night night;
        sim_night_init(&night, 300000, 2.0);
        sim_night_run(&night, &axis, &axis, rng);
        ln[i] = log(hypot(sim_true_in_sub(night.y[0], night.n, 150),
                          sim_true_in_sub(night.y[1], night.n, 150)));
        sim_night_done(&night);
    }
    return ln[1] - ln[0];
}

struct run {
    struct sim_night night;
    struct nw_guide_analysis *analysis;
};

static int make_night(const struct one_case *c, size_t number, gsl_rng *rng, struct run *runs,
                      struct nw_guide_setting_span *spans) {
    const double slope = gsl_ran_gaussian(rng, 0.3);
    double wander = gsl_ran_gaussian(rng, 0.2);
    const double keep = exp(-20.0 / 90.0);
    int failed = 0;
    for (size_t i = 0; i < c->blocks; i++) {
        const size_t which = (i + number) % 2;
        wander = keep * wander + gsl_ran_gaussian(rng, 0.2) * sqrt(1.0 - keep * keep);
        const double size = exp(wander + slope * ((double)i / (double)c->blocks - 0.5));
        const struct sim_axis axis = axis_of(c->gain[which], size);
        const double start_s = 86400.0 * (double)number + 1200.0 * (double)i;
        struct run *const run = &runs[i];
        sim_night_init(&run->night, SAMPLES, 2.0);
        sim_night_run(&run->night, &axis, &axis, rng);
        run->night.log.has_dates = true;
        for (size_t k = 0; k < SAMPLES; k++) {
            run->night.log.rows[k].t_s += start_s;
        }
        spans[i] =
            (struct nw_guide_setting_span){.start_s = start_s - 1.0, .end_s = start_s + 1199.0};
        (void)snprintf(spans[i].name, sizeof spans[i].name, "%s", which ? "second" : "first");
        struct nw_err err = {0};
        const struct nw_guide_opts opts = {
            .sub_length_s = 285.0, .noise_floor_rad = NAN, .is_loop_only = true};
        if (nw_guide_analyse(&run->night.log, &opts, &run->analysis, &err) != NW_OK) {
            (void)fprintf(stderr, "%s\n", err.text);
            failed = 1;
        }
    }
    return failed;
}

static int one_trial(const struct one_case *c, double truth, gsl_rng *rng, int tally[3],
                     double *half) {
    static struct run runs[BLOCKS_MOST];
    struct nw_guide_setting_span spans[BLOCKS_MOST];
    struct nw_guide_compared list[BLOCKS_MOST];
    memset(runs, 0, sizeof runs);
    const size_t n = c->blocks * c->nights;
    int failed = 0;
    for (size_t i = 0; i < c->nights; i++) {
        failed += make_night(c, i, rng, &runs[i * c->blocks], &spans[i * c->blocks]);
    }
    for (size_t i = 0; i < n; i++) {
        list[i] = (struct nw_guide_compared){&runs[i].night.log, runs[i].analysis};
    }
    struct nw_guide_compare found;
    struct nw_err err = {0};
    if (failed == 0 && nw_guide_compare(list, n, spans, n, &found, &err) == NW_OK) {
        const double change = expm1(strcmp(found.name[0], "first") == 0 ? truth : -truth);
        tally[0] += found.is_told;
        tally[1] += found.change_low <= change && change <= found.change_high;
        tally[2] += 1;
        *half += 0.5 * (found.change_high - found.change_low);
    } else {
        (void)fprintf(stderr, "%s\n", err.text);
        failed = 1;
    }
    for (size_t i = 0; i < n; i++) {
        nw_guide_analysis_free(runs[i].analysis);
        sim_night_done(&runs[i].night);
    }
    return failed;
}

int main(int argc, char **argv) {
    const size_t trials = argc > 1 ? (size_t)strtoul(argv[1], NULL, 10) : 100;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int failed = 0;
    for (size_t i = 0; i < sizeof CASES / sizeof CASES[0]; i++) {
        gsl_rng_set(rng, 40 + i);
        const double truth = i < 3 ? 0.0 : truth_of(&CASES[i], rng);
        int tally[3] = {0};
        double half = 0.0;
        for (size_t k = 0; k < trials; k++) {
            failed += one_trial(&CASES[i], truth, rng, tally, &half);
        }
        printf("%-24s true change %+6.2f %%; told in %3d, truth inside in %3d of %d; half width "
               "%.1f %%\n",
               CASES[i].name, 100.0 * expm1(truth), tally[0], tally[1], tally[2],
               100.0 * half / tally[2]);
        (void)fflush(stdout);
    }
    gsl_rng_free(rng);
    return failed > 0;
}
