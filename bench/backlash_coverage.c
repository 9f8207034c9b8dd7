/* backlash_coverage.c - how often the 95 % interval of the backlash holds the truth, and how far
 * the estimate is off: the table of docs/models.md. Arguments: nights a case, else 20; number of
 * the one case to run, else all; seed, else 100. Loops of 2 h at 2 s by tests/support/guide_sim.h;
 * the conditions of OBSERVABILITY 10 and what breaks simpler estimates: wind-up, a wrong guide
 * rate, noise with memory. */
#include <stdio.h>

#include "guide_sim.h"

#define AS NW_ARCSEC_PER_RAD
enum { NIGHTS_MOST = 1000, SAMPLES = 3600 };

struct one_case {
    double gap_ms, drift, response, windup, memory;
};
static const struct one_case CASES[] = {
    {0.0, 0.0, 1.0, 0.0, 0.0},     {150.0, 0.0, 1.0, 0.0, 0.0},  {150.0, 0.3, 1.0, 0.0, 0.0},
    {150.0, 1.0, 1.0, 0.0, 0.0},   {300.0, 0.0, 1.0, 0.0, 0.0},  {300.0, 0.3, 1.0, 0.0, 0.0},
    {300.0, 1.0, 1.0, 0.0, 0.0},   {300.0, 3.0, 1.0, 0.0, 0.0},  {900.0, 0.0, 1.0, 0.0, 0.0},
    {900.0, 0.3, 1.0, 0.0, 0.0},   {900.0, 1.0, 1.0, 0.0, 0.0},  {900.0, 3.0, 1.0, 0.0, 0.0},
    {2000.0, 0.0, 1.0, 0.0, 0.0},  {2000.0, 0.3, 1.0, 0.0, 0.0}, {2000.0, 1.0, 1.0, 0.0, 0.0},
    {300.0, 0.3, 1.0, 0.15, 0.0},  {900.0, 0.0, 1.0, 0.15, 0.0}, {900.0, 0.3, 1.0, 0.15, 0.0},
    {300.0, 0.3, 0.85, 0.0, 0.0},  {900.0, 0.3, 0.85, 0.0, 0.0}, {300.0, 0.3, 1.0, 0.0, 0.2},
    {900.0, 0.3, 0.85, 0.15, 0.2},
};

struct tally {
    double error_s[NIGHTS_MOST], crossings, response;
    size_t n, enough, identified, inside, angle_inside; /* of those crossed often enough */
    size_t wrongly, rest, bounded; /* identified though not crossed; not identified: bounds hold */
};

static void count(const struct nw_guide_analysis *a, double true_s, double true_as,
                  size_t crossings, struct tally *t) {
    const struct nw_guide_backlash *b = &a->backlash;
    const bool is_inside = b->low_s <= true_s && true_s <= b->high_s;
    t->crossings += (double)crossings;
    t->enough += crossings >= NW_GUIDE_CROSSINGS;
    t->wrongly += b->is_identified && crossings < NW_GUIDE_CROSSINGS - 2;
    if (!b->is_identified) {
        t->rest++;
        t->bounded += is_inside;
        return;
    }
    t->identified++;
    t->inside += is_inside;
    t->angle_inside += b->low_rad * AS <= true_as && true_as <= b->high_rad * AS;
    t->response += a->dec.response;
    t->error_s[t->n++] = fabs(b->gap_s - true_s);
}

static int one_night(const struct sim_axis *dec, gsl_rng *rng, struct tally *t) {
    struct sim_axis ra = *dec;
    ra.gap = 0.0;
    struct sim_night night;
    sim_night_init(&night, SAMPLES, 2.0);
    sim_night_run(&night, &ra, dec, rng);
    for (size_t k = 0; k < night.n; k++) { /* no worm, no replay: time is for the gears */
        night.log.rows[k].ra_pulse_s = NAN;
    }
    struct nw_guide_analysis *a = NULL;
    struct nw_err err = {0};
    const enum nw_status status = nw_guide_analyse(&night.log, NULL, &a, &err);
    if (status == NW_OK) {
        count(a, dec->gap / (7.5 * dec->response), dec->gap, night.crossings[1], t);
    } else {
        (void)fprintf(stderr, "%s\n", err.text);
    }
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    return status != NW_OK;
}

static int run_case(size_t i, size_t nights, unsigned long seed, gsl_rng *rng) {
    static struct tally t;
    const struct one_case *const c = &CASES[i];
    t = (struct tally){.crossings = 0.0};
    gsl_rng_set(rng, seed + i);
    const struct sim_axis dec = {.noise = 0.3,
                                 .walk_per_sqrt_s = 0.03,
                                 .drift_per_min = c->drift,
                                 .gain = 0.6,
                                 .deadband = 0.2,
                                 .response = c->response,
                                 .windup = c->windup,
                                 .noise_memory = c->memory,
                                 .delay = 1,
                                 .gap = c->gap_ms * 1e-3 * 7.5 * c->response};
    int failed = 0;
    for (size_t k = 0; k < nights; k++) {
        failed += one_night(&dec, rng, &t);
    }
    printf("%2zu gap %4.0f ms drift %.1f response %.2f wind-up %.2f memory %.1f: %5.1f crossings, "
           ">= 5 in %3zu of %zu, ",
           i, c->gap_ms, c->drift, c->response, c->windup, c->memory, t.crossings / (double)nights,
           t.enough, nights);
    if (t.n > 0) {
        printf("identified %3zu (wrongly %2zu), inside %5.1f %%, angle %5.1f %%, median error "
               "%4.1f ms, response %.3f",
               t.identified, t.wrongly, 100.0 * (double)t.inside / (double)t.n,
               100.0 * (double)t.angle_inside / (double)t.n, nw_stat_median(t.error_s, t.n) * 1e3,
               t.response / (double)t.n);
    } else {
        printf("none identified");
    }
    if (t.rest > 0) {
        printf(", else bounded %3zu of %3zu", t.bounded, t.rest);
    }
    printf("\n");
    (void)fflush(stdout);
    return failed;
}

int main(int argc, char **argv) {
    const double given = argc > 1 ? strtod(argv[1], NULL) : 20.0;
    const size_t nights = (size_t)fmin(given, NIGHTS_MOST);
    const size_t n = sizeof CASES / sizeof CASES[0];
    const size_t only = argc > 2 ? (size_t)strtoul(argv[2], NULL, 10) : n;
    const unsigned long seed = argc > 3 ? strtoul(argv[3], NULL, 10) : 100;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    int failed = 0;
    for (size_t i = 0; i < n; i++) {
        failed += only == n || only == i ? run_case(i, nights, seed, rng) : 0;
    }
    gsl_rng_free(rng);
    return failed > 0;
}
