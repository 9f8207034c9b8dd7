/* backlash_coverage.c - how often the 95 % interval of the backlash holds the truth, and how far
 * the estimate is off: the table of docs/models.md. Arguments: nights a case, else 20; response,
 * else 1; wind-up, else 0; memory of the noise, else 0. Loops of 2 h at 2 s by
 * tests/support/guide_sim.h. */
#include <stdio.h>

#include "guide_sim.h"

#define AS NW_ARCSEC_PER_RAD
enum { NIGHTS_MOST = 1000, SAMPLES = 3600 };

struct tally {
    double error_s[NIGHTS_MOST], crossings, response;
    int identified, inside, angle_inside;
};

static int one_night(const struct sim_axis *dec, gsl_rng *rng, struct tally *t, size_t i) {
    struct sim_axis ra = *dec;
    ra.gap = 0.0;
    struct sim_night night;
    sim_night_init(&night, SAMPLES, 2.0);
    sim_night_run(&night, &ra, dec, rng);
    struct nw_guide_analysis *a = NULL;
    struct nw_err err = {0};
    if (nw_guide_analyse(&night.log, NULL, &a, &err) != NW_OK) {
        (void)fprintf(stderr, "%s\n", err.text);
        sim_night_done(&night);
        return 1;
    }
    const struct nw_guide_backlash *b = &a->backlash;
    const double true_s = dec->gap / (7.5 * dec->response);
    t->crossings += (double)night.crossings[1];
    t->identified += b->is_identified;
    /* not identified: the bounds still have to hold */
    t->inside += b->low_s <= true_s && true_s <= b->high_s;
    t->angle_inside += b->low_rad * AS <= dec->gap && dec->gap <= b->high_rad * AS;
    t->error_s[i] = b->is_identified ? fabs(b->gap_s - true_s) : NAN;
    t->response += b->is_identified ? a->dec.response : 0.0;
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    return 0;
}

static double number(int argc, char **argv, int at, double otherwise) {
    return argc > at ? strtod(argv[at], NULL) : otherwise;
}

int main(int argc, char **argv) {
    static const double gap_ms[] = {0.0, 150.0, 300.0, 900.0, 2000.0};
    static const double drift[] = {0.0, 0.3, 1.0, 3.0};
    const size_t nights = (size_t)fmin(number(argc, argv, 1, 20.0), NIGHTS_MOST);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int failed = 0;
    for (size_t g = 0; g < 5; g++) {
        for (size_t d = 0; d < 4; d++) {
            static struct tally t;
            t = (struct tally){.crossings = 0.0};
            gsl_rng_set(rng, 100 + g * 10 + d);
            const struct sim_axis dec = {.noise = 0.3,
                                         .walk_per_sqrt_s = 0.03,
                                         .drift_per_min = drift[d],
                                         .gain = 0.6,
                                         .deadband = 0.2,
                                         .response = number(argc, argv, 2, 1.0),
                                         .windup = number(argc, argv, 3, 0.0),
                                         .noise_memory = number(argc, argv, 4, 0.0),
                                         .delay = 1,
                                         .gap = gap_ms[g] * 1e-3 * 7.5};
            for (size_t i = 0; i < nights; i++) {
                failed += one_night(&dec, rng, &t, i);
            }
            size_t n = 0;
            for (size_t i = 0; i < nights; i++) {
                if (isfinite(t.error_s[i])) {
                    t.error_s[n++] = t.error_s[i];
                }
            }
            printf("gap %4.0f ms drift %.1f: %5.1f crossings, identified %3d of %zu, inside %3d, "
                   "angle %3d, median error %4.1f ms, response %.3f\n",
                   gap_ms[g], drift[d], t.crossings / (double)nights, t.identified, nights,
                   t.inside, t.angle_inside, n > 0 ? nw_stat_median(t.error_s, n) * 1e3 : NAN,
                   t.response / (double)n);
            (void)fflush(stdout);
        }
    }
    gsl_rng_free(rng);
    return failed > 0;
}
