/* guide_time.c - how long a night's log takes: 36,000 samples at 1 s, worm, 2.5 arcsec of gap, all
 * findings and the replay. Prints wall and processor time and what came out, so that a faster way
 * is seen to say the same. Argument: times, else 3; the least is told. */
#include <stdio.h>
#include <sys/resource.h>
#include <time.h>

#include "guide_sim.h"

#define AS NW_ARCSEC_PER_RAD
enum { SAMPLES = 36000 };

static double wall_s(void) {
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double processor_s(void) {
    struct rusage u;
    (void)getrusage(RUSAGE_SELF, &u);
    return (double)u.ru_utime.tv_sec + 1e-6 * (double)u.ru_utime.tv_usec;
}

static void show(const struct nw_guide_analysis *a) {
    const struct nw_guide_backlash *const b = &a->backlash;
    const struct nw_guide_replay *const r = &a->replay;
    printf("  motion %.4f, %.4f arcsec; noise %.4f, %.4f; drift %.4f, %.4f arcsec/min\n",
           a->ra.motion_in_sub_rad * AS, a->dec.motion_in_sub_rad * AS, a->ra.noise_rad * AS,
           a->dec.noise_rad * AS, a->ra.drift_rad_s * AS * 60.0, a->dec.drift_rad_s * AS * 60.0);
    for (size_t i = 0; i < a->worm.n; i++) {
        const struct nw_guide_period *const p = &a->worm.periods[i];
        printf("  period %.4f +- %.4f s, %.4f arcsec, turn / %d\n", p->period_s, p->period_sigma_s,
               p->amplitude_rad * AS, p->harmonic);
    }
    printf("  gap %.4f arcsec (%.4f to %.4f), %.2f ms (%.2f to %.2f), %.0f crossings %s\n",
           b->gap_rad * AS, b->low_rad * AS, b->high_rad * AS, b->gap_s * 1e3, b->low_s * 1e3,
           b->high_s * 1e3, b->crossings, b->why_null);
    printf("  replay %.4f -> %.4f arcsec; RA %.2f (%.1f to %.1f), band %.3f; Dec %.2f (%.1f to "
           "%.1f), band %.3f; %.0f s; foretold %.4f; held %.4f %s\n",
           r->current_rad * AS, r->motion_rad * AS, r->gain_ra, r->gain_ra_low, r->gain_ra_high,
           r->deadband_ra_rad * AS, r->gain_dec, r->gain_dec_low, r->gain_dec_high,
           r->deadband_dec_rad * AS, r->exposure_s, r->motion_with_predictor_rad * AS,
           r->holdout_error, r->why_null);
    printf("  flat %d %d, gap at %.6f, leak %.4f, up %.5f down %.5f\n", r->is_ra_flat,
           r->is_dec_flat, b->gap_s * 1e3, b->windup, a->dec.response_up, a->dec.response_down);
}

int main(int argc, char **argv) {
    const size_t times = argc > 1 ? (size_t)strtoul(argv[1], NULL, 10) : 3;
    const struct sim_axis ra = {.noise = 0.25,
                                .walk_per_sqrt_s = 0.04,
                                .worm = 5.0,
                                .worm_period_s = 480.0,
                                .drift_per_min = 0.2,
                                .gain = 0.5,
                                .deadband = 0.2,
                                .response = 1.0,
                                .delay = 1};
    struct sim_axis dec = ra;
    dec.worm = 0.0;
    dec.gap = 2.5;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 77);
    struct sim_night night;
    sim_night_init(&night, SAMPLES, 1.0);
    sim_night_run(&night, &ra, &dec, rng);
    double least[2] = {INFINITY, INFINITY};
    int failed = 0;
    for (size_t i = 0; i < times; i++) {
        struct nw_guide_analysis *a = NULL;
        struct nw_err err = {0};
        const double wall = wall_s();
        const double processor = processor_s();
        if (nw_guide_analyse(&night.log, NULL, &a, &err) == NW_OK) {
            least[0] = fmin(least[0], wall_s() - wall);
            least[1] = fmin(least[1], processor_s() - processor);
            if (i == 0) {
                show(a);
            }
        } else {
            (void)fprintf(stderr, "%s\n", err.text);
            failed = 1;
        }
        nw_guide_analysis_free(a);
    }
    printf("%d samples: %.2f s wall, %.2f s of processor time\n", SAMPLES, least[0], least[1]);
    sim_night_done(&night);
    gsl_rng_free(rng);
    return failed;
}
