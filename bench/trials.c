/* trials.c - what the trials that are differences of widths reach: simulated evenings
 * (tests/support/season_sim.h: OTFs, an air that wanders and scatters) on which each is done as its
 * card says; the error of what it says, its pulls, how often its 95 % range holds, and the error as
 * a share of the squared width, which is what the cards promise. The table of docs/nights.md.
 * Arguments: evenings of each trial (400), seed (1).
 */
#include <stdio.h>

#include "budget/trials.h"
#include "season_sim.h"
#include "sky/sky.h"

enum { SUBS = 24 };
static const double SCATTER = 0.03, SCATTER_SHORT = 0.05; /* of the seeing from sub to sub */
static const double NOISE = 0.005;                        /* of a measured width */

struct evening {
    struct nw_star_frame frames[SUBS];
    double steps[SUBS];
    const char *filters[SUBS];
    size_t n;
    double t_s, level;             /* ln of the seeing against the usual */
    double truth_rad2, whole_rad2; /* sums over the A subs */
    size_t n_a;
    struct season_truth lines;
    double wind_m_s;
    gsl_rng *rng;
};

/* The next sub: A with the lines in question, B without. */
static void add(struct evening *e, double length_s, bool is_a, const struct sim_sub *with,
                const struct season_truth *as_a, const struct season_truth *as_b) {
    const double pause_s = 8.0;
    const double step_h = (length_s + pause_s) / 3600.0;
    e->level += gsl_ran_gaussian(e->rng, 0.08 * sqrt(step_h));
    struct sim_sub sub = *with;
    double a_rad = NAN;
    double b_rad = NAN;
    const double scatter = length_s < 30.0 ? SCATTER_SHORT : SCATTER;
    sub.seeing_rad = 2.0 * SIM_AS * exp(e->level + gsl_ran_gaussian(e->rng, scatter));
    sub.airmass = 1.1;
    if (sim_width(as_a, &sub, &a_rad) != NW_OK) {
        abort();
    }
    struct sim_sub other = sub;
    if (as_b == as_a) { /* what differs is the defocus */
        other.defocus_m = 0.0;
    }
    if (sim_width(as_b, &other, &b_rad) != NW_OK) {
        abort();
    }
    double width2 = is_a ? a_rad * a_rad : b_rad * b_rad;
    if (length_s < 30.0) { /* the slowest tilt of the air is not in it */
        const double r0_m = nw_sky_r0_of_seeing_m(sub.seeing_rad, 500e-9, 25.0);
        const double tilt = nw_sky_tilt_rms_rad(0.115, r0_m * pow(sub.airmass, -0.6), 500e-9, 25.0,
                                                e->wind_m_s, length_s);
        width2 -= pow(NW_FWHM_PER_SIGMA * tilt, 2.0);
    }
    if (is_a) {
        e->truth_rad2 += a_rad * a_rad - b_rad * b_rad;
        e->whole_rad2 += a_rad * a_rad;
        e->n_a++;
    }
    const double width = sqrt(width2) * (1.0 + gsl_ran_gaussian(e->rng, NOISE));
    e->frames[e->n] = test_star_frame(1.7e9 + e->t_s, sub.airmass, width);
    e->frames[e->n].exposure_s = length_s;
    e->steps[e->n] = with->t_open_s; /* a place of the focuser, for those that move it */
    e->filters[e->n++] = is_a ? "wide" : "narrow";
    e->t_s += length_s + pause_s;
}

static struct evening begin(gsl_rng *rng) {
    struct evening e = {.rng = rng, .level = gsl_ran_gaussian(rng, 0.2)};
    e.lines = (struct season_truth){.colour = sim_positive(rng, 1.0, 0.36),
                                    .decentre = 1.0,
                                    .focus = sim_positive(rng, 1.0, 0.3),
                                    .tilt = 1.0,
                                    .motion = sim_positive(rng, 1.0, 0.3),
                                    .flexure = sim_positive(rng, 1.0, 0.5),
                                    .tilt_rad = 3e-6,
                                    .settle_s = 3600.0,
                                    .airmass_power = 0.6};
    e.wind_m_s = fmax(2.0, 10.0 + gsl_ran_gaussian(rng, 4.0));
    return e;
}

static void short_and_long(struct evening *e) {
    struct season_truth still = e->lines;
    still.motion = still.flexure = 0.0;
    for (int i = 0; i < 13; i++) {
        const struct sim_sub sub = {.t_open_s = 1e6, .motion_rad = {0.45 * SIM_AS, 0.4 * SIM_AS}};
        add(e, i % 2 ? 5.0 : 300.0, i % 2 == 0, &sub, &e->lines, &still);
    }
}

static void across_a_run(struct evening *e) {
    const double defocus_m = e->lines.focus * 0.64 * hypot(35e-6, 18e-6);
    for (int i = 0; i < 6; i++) {
        const bool is_a = i < 3;
        const struct sim_sub sub = {.t_open_s = is_a ? 1e6 : 2e6,
                                    .defocus_m = is_a ? defocus_m : 0.0};
        if (i == 3) {
            e->t_s += 150.0;
            e->level += gsl_ran_gaussian(e->rng, 0.08 * sqrt(150.0 / 3600.0));
        }
        add(e, 30.0, is_a, &sub, &e->lines, &e->lines);
    }
}

static void narrow_and_wide(struct evening *e) {
    struct season_truth pure = e->lines;
    pure.colour = 0.0;
    for (int i = 0; i < 8; i++) {
        const struct sim_sub sub = {.t_open_s = 1e6};
        add(e, i % 2 ? 120.0 : 60.0, i % 2 == 0, &sub, &e->lines, &pure);
    }
}

static void first_and_third(struct evening *e) {
    struct season_truth warm = e->lines;
    struct season_truth cold = e->lines;
    warm.local_rad = sim_positive(e->rng, 0.0, 1.0) * SIM_AS;
    cold.local_rad = 0.0;
    warm.settle_s = INFINITY;
    for (int i = 0; i < 10; i++) {
        const struct sim_sub sub = {.t_open_s = 600.0};
        if (i == 5) {
            const double away_s = 7300.0 - e->t_s;
            e->t_s += away_s;
            e->level += gsl_ran_gaussian(e->rng, 0.08 * sqrt(away_s / 3600.0));
        }
        add(e, 60.0, i < 5, &sub, &warm, &cold);
    }
}

static const struct {
    enum nw_trial_id id;
    void (*make)(struct evening *e);
} TRIALS[] = {{NW_TRIAL_SHORT_AND_LONG, short_and_long},
              {NW_TRIAL_ACROSS_A_FOCUS_RUN, across_a_run},
              {NW_TRIAL_NARROW_AND_WIDE, narrow_and_wide},
              {NW_TRIAL_FIRST_AND_THIRD_HOUR, first_and_third}};

static void run(size_t which, size_t n, gsl_rng *rng) {
    struct nw_rig rig;
    struct nw_setup setup;
    double error = 0.0;
    double bias = 0.0;
    double stated = 0.0;
    double pull2 = 0.0;
    size_t n_in = 0;
    size_t n_told = 0;
    sim_rig(&rig, &setup);
    setup.filters[0] = setup.filter;
    nw_text_copy(setup.filters[0].name, sizeof setup.filters[0].name, "wide");
    setup.filters[1] = setup.filters[0];
    nw_text_copy(setup.filters[1].name, sizeof setup.filters[1].name, "narrow");
    setup.filters[1].width_m.v = 10e-9;
    setup.n_filters = 2;
    for (size_t k = 0; k < n; k++) {
        struct evening e = begin(rng);
        struct nw_trial_result r;
        struct nw_err err = {0};
        TRIALS[which].make(&e);
        const struct nw_trial_frames frames = {
            .frames = e.frames, .focuser_steps = e.steps, .filters = e.filters, .n = e.n};
        if (nw_trial_evaluate(nw_trial_get(TRIALS[which].id), &rig, &setup, &frames, &r, &err) !=
                NW_OK ||
            !r.is_told) {
            continue;
        }
        const double whole = e.whole_rad2 / (double)e.n_a;
        const double off = r.rad2 - e.truth_rad2 / (double)e.n_a;
        n_told++;
        error += pow(off / whole, 2.0);
        bias += off / whole;
        stated += pow(r.sigma_rad2 / whole, 2.0);
        pull2 += pow(off / r.sigma_rad2, 2.0);
        n_in += fabs(off) <= 1.96 * r.sigma_rad2;
    }
    const double m = (double)n_told;
    printf("%-22s told %4zu  bias %+5.1f %%  error %4.1f %%  stated %4.1f %%  pull %4.2f  "
           "inside 95 %%: %4.1f %%\n",
           nw_trial_name(TRIALS[which].id), n_told, 100.0 * bias / m, 100.0 * sqrt(error / m),
           100.0 * sqrt(stated / m), sqrt(pull2 / m), 100.0 * (double)n_in / m);
}

int main(int argc, char **argv) {
    const long n = argc > 1 ? strtol(argv[1], NULL, 10) : 400;
    const long seed = argc > 2 ? strtol(argv[2], NULL, 10) : 1;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    if (!rng) {
        return 1;
    }
    gsl_rng_set(rng, (unsigned long)seed);
    for (size_t k = 0; k < sizeof TRIALS / sizeof *TRIALS; k++) {
        run(k, (size_t)n, rng);
    }
    gsl_rng_free(rng);
    return 0;
}
