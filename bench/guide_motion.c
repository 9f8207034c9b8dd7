/* guide_motion.c - motion within a sub, its bounds and the drift against the truth of simulated
 * loops: the table of docs/models.md. Argument: nights a case, else 50. Loops of 2 h at 2 s, subs
 * of 300 s, by tests/support/guide_sim.h. */
#include <stdio.h>

#include "guide_sim.h"

#define AS NW_ARCSEC_PER_RAD
enum { SAMPLES = 3600, PER_SUB = 150, CASES_MOST = 12 };

struct one_case {
    const char *name;
    struct sim_axis axis;
};

struct tally {
    double ratio, ratio2, drift_pull2, drift_sigma, low, high, n;
    size_t inside, subs, subs_inside;
};

static size_t cases(struct one_case *list) {
    const struct sim_axis plain = {.noise = 0.3,
                                   .walk_per_sqrt_s = 0.05,
                                   .gain = 0.6,
                                   .deadband = 0.2,
                                   .response = 1.0,
                                   .drift_per_min = 0.3,
                                   .delay = 1};
    size_t n = 0;
    list[n++] = (struct one_case){"plain", plain};
    list[n] = (struct one_case){"soft, gain 0.2", plain};
    list[n].axis.deadband = 0.0;
    list[n++].axis.gain = 0.2;
    list[n] = (struct one_case){"hard, gain 1.0", plain};
    list[n].axis.deadband = 0.0;
    list[n++].axis.gain = 1.0;
    list[n] = (struct one_case){"little noise, 0.1\"", plain};
    list[n].axis.deadband = 0.1;
    list[n++].axis.noise = 0.1;
    list[n] = (struct one_case){"memory 0.2", plain};
    list[n++].axis.noise_memory = 0.2;
    list[n] = (struct one_case){"memory 0.4", plain};
    list[n++].axis.noise_memory = 0.4;
    list[n] = (struct one_case){"worm 5\" of 240 s", plain};
    list[n].axis.worm_period_s = 240.0;
    list[n++].axis.worm = 5.0;
    list[n] = (struct one_case){"worm 6\" of 480 s", plain};
    list[n].axis.worm_period_s = 480.0;
    list[n++].axis.worm = 6.0;
    list[n] = (struct one_case){"gear noise 0.3\" of 8 s", plain};
    list[n].axis.gear_s = 8.0;
    list[n++].axis.gear = 0.3;
    list[n] = (struct one_case){"gear noise 0.2\" of 2 s", plain};
    list[n].axis.gear_s = 2.0;
    list[n++].axis.gear = 0.2;
    list[n] = (struct one_case){"acts at 85 %", plain};
    list[n++].axis.response = 0.85;
    return n;
}

/* One axis of one night. */
static void add(const struct nw_guide_analysis *a, const struct nw_guide_axis *axis,
                const double *y, bool is_dec, double drift_per_min, struct tally *t) {
    const double truth = sim_true_in_sub(y, SAMPLES, PER_SUB);
    const double ratio = axis->motion_in_sub_rad * AS / truth;
    t->n += 1.0;
    t->ratio += ratio;
    t->ratio2 += ratio * ratio;
    t->low += axis->motion_low_rad * AS / truth;
    t->high += axis->motion_high_rad * AS / truth;
    t->inside += axis->motion_low_rad * AS <= truth && truth <= axis->motion_high_rad * AS;
    const double pull =
        (axis->drift_rad_s * 60.0 * AS - drift_per_min) / (axis->drift_sigma_rad_s * 60.0 * AS);
    t->drift_pull2 += pull * pull;
    t->drift_sigma += axis->drift_sigma_rad_s * 60.0 * AS;
    for (size_t i = 0; i < a->n_subs; i++) {
        const struct nw_guide_sub *const s = &a->subs[i];
        const size_t first = (size_t)lround(s->start_s / 2.0);
        const double own = sim_true_in_sub(y + first, PER_SUB, PER_SUB) / AS;
        t->subs++;
        t->subs_inside += is_dec ? s->dec_low_rad <= own && own <= s->dec_high_rad
                                 : s->ra_low_rad <= own && own <= s->ra_high_rad;
    }
}

int main(int argc, char **argv) {
    const size_t nights = argc > 1 ? (size_t)strtoul(argv[1], NULL, 10) : 50;
    static struct one_case list[CASES_MOST];
    const size_t n = cases(list);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    const struct nw_guide_opts opts = {
        .sub_length_s = 300.0, .noise_floor_rad = NAN, .is_loop_only = true};
    int failed = 0;
    for (size_t i = 0; i < n; i++) {
        struct tally t = {0};
        gsl_rng_set(rng, 900 + i);
        for (size_t j = 0; j < nights; j++) {
            struct sim_night night;
            struct nw_guide_analysis *a = NULL;
            struct nw_err err = {0};
            sim_night_init(&night, SAMPLES, 2.0);
            sim_night_run(&night, &list[i].axis, &list[i].axis, rng);
            if (nw_guide_analyse(&night.log, &opts, &a, &err) == NW_OK) {
                add(a, &a->ra, night.y[0], false, list[i].axis.drift_per_min, &t);
            } else {
                (void)fprintf(stderr, "%s\n", err.text);
                failed = 1;
            }
            nw_guide_analysis_free(a);
            sim_night_done(&night);
        }
        const double mean = t.ratio / t.n;
        printf("%-24s motion / truth %.3f +- %.3f; bounds %.2f to %.2f, hold %3zu of %.0f nights, "
               "%5.1f %% of subs; drift: pull %.2f, sigma %.4f arcsec/min\n",
               list[i].name, mean, sqrt(fmax(0.0, t.ratio2 / t.n - mean * mean)), t.low / t.n,
               t.high / t.n, t.inside, t.n, 100.0 * (double)t.subs_inside / (double)t.subs,
               sqrt(t.drift_pull2 / t.n), t.drift_sigma / t.n);
        (void)fflush(stdout);
    }
    gsl_rng_free(rng);
    return failed;
}
