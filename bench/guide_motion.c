/* guide_motion.c - motion within a sub, its bounds and the drift against the truth of simulated
 * loops: the table of docs/models.md. Arguments: nights a case, else 50; number of the one case to
 * run, else all. Loops of 2 h at 2 s, subs of 300 s, by tests/support/guide_sim.h. The drift once
 * more on as many nights whose pulses act at 1 +- 0.15 of the rate given: so wrong the analysis
 * takes a rate to be, and a sigma that allows for it is too wide where the rate is just right. */
#include <stdio.h>

#include "guide_cases.h"

#define AS NW_ARCSEC_PER_RAD
enum { SAMPLES = 3600, PER_SUB = 150 };
#define DRIFT 0.3 /* arcsec/min */

static const struct sim_case CASES[] = {
    {"plain", 0.6, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"soft, gain 0.2", 0.2, 0.0, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"hard, gain 1.0", 1.0, 0.0, 0.3, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"little noise, 0.1\"", 0.6, 0.1, 0.1, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"memory 0.2", 0.6, 0.2, 0.3, 0.2, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"memory 0.4", 0.6, 0.2, 0.3, 0.4, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0},
    {"worm 5\" of 240 s", 0.6, 0.2, 0.3, 0.0, 1.0, 5.0, 240.0, 0.0, 0.0, 0.0},
    {"worm 6\" of 480 s", 0.6, 0.2, 0.3, 0.0, 1.0, 6.0, 480.0, 0.0, 0.0, 0.0},
    {"gear noise 0.3\" of 8 s", 0.6, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.3, 8.0, 0.0},
    {"gear noise 0.2\" of 2 s", 0.6, 0.2, 0.3, 0.0, 1.0, 0.0, 0.0, 0.2, 2.0, 0.0},
    {"acts at 85 %", 0.6, 0.2, 0.3, 0.0, 0.85, 0.0, 0.0, 0.0, 0.0, 0.0},
};

struct tally {
    double ratio, ratio2, drift_pull2, drift_sigma, low, high, n;
    size_t inside, subs, subs_inside;
};

static void add_drift(const struct nw_guide_axis *axis, struct tally *t) {
    const double pull =
        (axis->drift_rad_s * 60.0 * AS - DRIFT) / (axis->drift_sigma_rad_s * 60.0 * AS);
    t->n += 1.0;
    t->drift_pull2 += pull * pull;
    t->drift_sigma += axis->drift_sigma_rad_s * 60.0 * AS;
}

/* One axis of one night. */
static void add(const struct nw_guide_analysis *a, const struct nw_guide_axis *axis,
                const double *y, bool is_dec, struct tally *t) {
    const double truth = sim_true_in_sub(y, SAMPLES, PER_SUB);
    const double ratio = axis->motion_in_sub_rad * AS / truth;
    t->ratio += ratio;
    t->ratio2 += ratio * ratio;
    t->low += axis->motion_low_rad * AS / truth;
    t->high += axis->motion_high_rad * AS / truth;
    t->inside += axis->motion_low_rad * AS <= truth && truth <= axis->motion_high_rad * AS;
    for (size_t i = 0; i < a->n_subs; i++) {
        const struct nw_guide_sub *const s = &a->subs[i];
        const size_t first = (size_t)lround(s->start_s / 2.0);
        const double own = sim_true_in_sub(y + first, PER_SUB, PER_SUB) / AS;
        t->subs++;
        t->subs_inside += is_dec ? s->dec_low_rad <= own && own <= s->dec_high_rad
                                 : s->ra_low_rad <= own && own <= s->ra_high_rad;
    }
}

/* One night; two axes into the tally. */
static int one_night(const struct sim_axis *ra, const struct sim_axis *dec, gsl_rng *rng,
                     bool is_drift_only, struct tally *t) {
    const struct nw_guide_opts opts = {
        .sub_length_s = 300.0, .noise_floor_rad = NAN, .is_loop_only = true};
    struct sim_night night;
    struct nw_guide_analysis *a = NULL;
    struct nw_err err = {0};
    sim_night_init(&night, SAMPLES, 2.0);
    struct sim_axis straight = *dec;
    straight.worm = 0.0; /* declination's is not looked for */
    sim_night_run(&night, ra, &straight, rng);
    const bool is_ok = nw_guide_analyse(&night.log, &opts, &a, &err) == NW_OK;
    for (int i = 0; i < 2 && is_ok; i++) {
        const struct nw_guide_axis *const axis = i == 0 ? &a->ra : &a->dec;
        add_drift(axis, t);
        if (!is_drift_only) {
            add(a, axis, night.y[i], i == 1, t);
        }
    }
    if (!is_ok) {
        (void)fprintf(stderr, "%s\n", err.text);
    }
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    return is_ok ? 0 : 1;
}

static double drawn_response(gsl_rng *rng) {
    return fmax(0.3, 1.0 + 0.15 * gsl_ran_gaussian(rng, 1.0));
}

int main(int argc, char **argv) {
    const size_t nights = argc > 1 ? (size_t)strtoul(argv[1], NULL, 10) : 50;
    const size_t n = sizeof CASES / sizeof CASES[0];
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const size_t only = argc > 2 ? (size_t)strtoul(argv[2], NULL, 10) : n;
    int failed = 0;
    for (size_t i = only < n ? only : 0; i < (only < n ? only + 1 : n); i++) {
        struct tally t = {0};
        struct tally drawn = {0};
        const struct sim_axis loop = sim_case_axis(&CASES[i], DRIFT);
        gsl_rng_set(rng, 900 + i);
        for (size_t j = 0; j < nights; j++) {
            failed += one_night(&loop, &loop, rng, false, &t);
        }
        for (size_t j = 0; j < nights; j++) {
            struct sim_axis ra = loop;
            struct sim_axis dec = loop;
            ra.response = drawn_response(rng);
            dec.response = drawn_response(rng);
            failed += one_night(&ra, &dec, rng, true, &drawn);
        }
        const double mean = t.ratio / t.n;
        printf("%-24s motion / truth %.3f +- %.3f; bounds %.2f to %.2f, hold %3zu of %.0f axes, "
               "%5.1f %% of subs; drift: pull %.2f, sigma %.4f arcsec/min; pulses at 1 +- 0.15: "
               "pull %.2f, sigma %.4f\n",
               CASES[i].name, mean, sqrt(fmax(0.0, t.ratio2 / t.n - mean * mean)), t.low / t.n,
               t.high / t.n, t.inside, t.n, 100.0 * (double)t.subs_inside / (double)t.subs,
               sqrt(t.drift_pull2 / t.n), t.drift_sigma / t.n, sqrt(drawn.drift_pull2 / drawn.n),
               drawn.drift_sigma / drawn.n);
        (void)fflush(stdout);
    }
    gsl_rng_free(rng);
    return failed > 0;
}
