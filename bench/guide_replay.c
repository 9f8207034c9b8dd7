/* guide_replay.c - is advice given by the replay really better, and is it silent where there is
 * nothing to win? Every night is simulated with its settings, analysed, and, where the replay
 * proposes something, simulated once more with that: the same walk, worm and noise (tests/support/
 * guide_sim.h draws what it draws). Argument: nights a case, else 30. */
#include <stdio.h>

#include "guide_sim.h"

#define AS NW_ARCSEC_PER_RAD
enum { SAMPLES = 3600, PER_SUB = 150 };

struct one_case {
    const char *name;
    struct sim_axis ra, dec;
};

struct tally {
    size_t n, advised, refused, dec_allowed, better, clearly, worse;
    double won, promised_error2;
};

static struct sim_axis axis_of(double gain, double deadband, double worm, double gap) {
    return (struct sim_axis){.noise = 0.25,
                             .walk_per_sqrt_s = 0.04,
                             .worm = worm,
                             .worm_period_s = 480.0,
                             .drift_per_min = 0.2,
                             .gain = gain,
                             .deadband = deadband,
                             .response = 1.0,
                             .gap = gap,
                             .delay = 1};
}

static void run_night(unsigned long seed, const struct sim_axis *ra, const struct sim_axis *dec,
                      struct sim_night *night) {
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    sim_night_init(night, SAMPLES, 2.0);
    sim_night_run(night, ra, dec, rng);
    gsl_rng_free(rng);
}

static double truth_of(const struct sim_night *night) {
    return hypot(sim_true_in_sub(night->y[0], night->n, PER_SUB),
                 sim_true_in_sub(night->y[1], night->n, PER_SUB));
}

/* The proposed settings; an axis that is to be left keeps its own. */
static void follow(const struct nw_guide_replay *r, struct sim_axis *ra, struct sim_axis *dec) {
    if (!r->is_ra_flat) {
        ra->gain = r->gain_ra;
        ra->deadband = r->deadband_ra_rad * AS;
    }
    if (!r->is_dec_flat) {
        dec->gain = r->gain_dec;
        dec->deadband = r->deadband_dec_rad * AS;
    }
}

static int one_night(const struct one_case *c, unsigned long seed, struct tally *t) {
    struct sim_night night;
    run_night(seed, &c->ra, &c->dec, &night);
    struct nw_guide_analysis *a = NULL;
    struct nw_err err = {0};
    if (nw_guide_analyse(&night.log, NULL, &a, &err) != NW_OK) {
        (void)fprintf(stderr, "%s\n", err.text);
        sim_night_done(&night);
        return 1;
    }
    const struct nw_guide_replay *const r = &a->replay;
    const bool is_refused = r->why_null[0] != '\0';
    t->n++;
    t->refused += is_refused;
    t->dec_allowed += !is_refused && r->is_dec_allowed;
    /* exposures other than logged would need another simulator: counted, not followed */
    if (!is_refused && !r->is_flat && fabs(r->exposure_s - night.dt) < 1e-6) {
        struct sim_axis ra = c->ra;
        struct sim_axis dec = c->dec;
        struct sim_night other;
        follow(r, &ra, &dec);
        run_night(seed, &ra, &dec, &other);
        const double was = truth_of(&night);
        const double is = truth_of(&other);
        t->advised++;
        t->better += is < was;
        t->clearly += is < 0.98 * was;
        t->worse += is > 1.02 * was;
        t->won += 1.0 - is / was;
        t->promised_error2 += (r->motion_rad * AS / is - 1.0) * (r->motion_rad * AS / is - 1.0);
        sim_night_done(&other);
    }
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    return 0;
}

int main(int argc, char **argv) {
    const size_t nights = argc > 1 ? (size_t)strtoul(argv[1], NULL, 10) : 30;
    const struct one_case list[] = {
        {"near the best", axis_of(0.25, 0.0, 0.0, 0.0), axis_of(0.25, 0.0, 0.0, 0.0)},
        {"a little hard", axis_of(0.4, 0.0, 0.0, 0.0), axis_of(0.4, 0.0, 0.0, 0.0)},
        {"hard", axis_of(0.8, 0.0, 0.0, 0.0), axis_of(0.8, 0.0, 0.0, 0.0)},
        {"dead band of 3 noises", axis_of(0.6, 0.75, 0.0, 0.0), axis_of(0.6, 0.75, 0.0, 0.0)},
        {"worm, soft", axis_of(0.3, 0.2, 5.0, 0.0), axis_of(0.25, 0.0, 0.0, 0.0)},
        {"gap 300 ms, hard", axis_of(0.5, 0.2, 3.0, 0.0), axis_of(0.9, 0.0, 0.0, 2.25)},
        {"gap 900 ms", axis_of(0.5, 0.2, 3.0, 0.0), axis_of(0.7, 0.2, 0.0, 6.75)},
    };
    int failed = 0;
    for (size_t i = 0; i < sizeof list / sizeof list[0]; i++) {
        struct tally t = {0};
        for (size_t k = 0; k < nights; k++) {
            failed += one_night(&list[i], 3000 + 1000 * i + k, &t);
        }
        const double n = (double)t.advised;
        printf("%-22s advice in %3zu of %zu (refused %zu, Dec replayed %zu); better %3zu, by 2 %% "
               "%3zu, worse by 2 %% %zu; won %4.1f %%, promise off by %.1f %% rms\n",
               list[i].name, t.advised, t.n, t.refused, t.dec_allowed, t.better, t.clearly, t.worse,
               100.0 * t.won / n, 100.0 * sqrt(t.promised_error2 / n));
        (void)fflush(stdout);
    }
    return failed > 0;
}
