/* apart.c - does the season tell the truth? Simulated seasons (tests/support/season_sim.h) whose
 * lines are drawn from what the rig file says, with one seeing in frames and guide log: how often
 * the 90 % interval of each term holds, how much each is narrowed, and what is found of causes that
 * no line has. The tables of docs/nights.md.
 * Arguments: seasons (100), nights (8), subs a night (40), cause (none pinch slip air step change
 * filters), seed, sweeps of a chain (4000). The cause "change" narrows the stars of the second half
 * of the nights. */
#include <stdio.h>
#include <time.h>

#include "budget/star_internal.h"
#include "season_sim.h"

struct tally {
    size_t n, inside;
    double narrowing, pull, pull2;
};

static const struct {
    const char *name;
    double pinch_arcsec, slip_um_per_h, airmass_power, step;
} CAUSES[] = {{"none", 0, 0, 0.6, 1},    {"pinch", 2.0, 0, 0.6, 1},
              {"slip", 0, 40.0, 0.6, 1}, {"air", 0, 0, 1.2, 1},
              {"step", 0, 0, 0.6, 2.5},  {"change", 1.2, 0, 0.6, 1}, /* a pinch that goes halfway */
              {"filters", 0, 0, 0.6, 1}}; /* every other sub a narrow band */
static const char CHANGE[] = "change";
static const char FILTERS[] = "filters";

static double relative(const struct star_point *point, enum nw_star_line_id id) {
    struct star_line line;
    star_line_build(id, point, &line);
    return star_line_sigma(id, point) / line.width_rad;
}

static struct season_truth draw(const struct star_point *point, gsl_rng *rng) {
    struct season_truth t = {
        .colour = sim_positive(rng, 1.0, relative(point, NW_STAR_LENS_COLOUR)),
        .decentre = sim_positive(rng, 1.0, relative(point, NW_STAR_DECENTRE)),
        .focus = sim_positive(rng, 1.0, relative(point, NW_STAR_FOCUS)),
        .tilt = sim_positive(rng, 1.0, relative(point, NW_STAR_TILT_CURVATURE)),
        .motion = sim_positive(rng, 1.0, 0.1),
        .flexure = sim_positive(rng, 1.0, relative(point, NW_STAR_FLEXURE)),
        .tilt_rad = star_field_blur(point).median_rad,
        .has_field = true,
        .aside_rad = gsl_ran_gaussian(rng, 0.2),
        .stretch = gsl_ran_gaussian(rng, 0.02),
        .local_rad = sim_positive(rng, 0.0, 1.0) * SIM_AS,
        .settle_s = 3600.0 * exp(gsl_ran_gaussian(rng, 0.7)),
        .ln_seeing = gsl_ran_gaussian(rng, 0.3),
        .night = 0.2 * exp(gsl_ran_gaussian(rng, 0.5)),
        .wander = 0.08 * exp(gsl_ran_gaussian(rng, 0.7)),
        .scatter = 0.03 * exp(gsl_ran_gaussian(rng, 0.7)),
    };
    return t;
}

static void truths(const struct season_truth *t, const struct nw_apart *s, double *truth) {
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        truth[k] = NAN;
    }
    truth[NW_APART_LOCAL_AIR] = t->local_rad;
    truth[NW_APART_SETTLING] = t->settle_s;
    truth[NW_APART_LENS_COLOUR] = t->colour * s->terms[NW_APART_LENS_COLOUR].rig;
    truth[NW_APART_DECENTRE] = t->decentre * s->terms[NW_APART_DECENTRE].rig;
    truth[NW_APART_FOCUS] = t->focus * s->terms[NW_APART_FOCUS].rig;
    truth[NW_APART_TILT_CURVATURE] = t->tilt * s->terms[NW_APART_TILT_CURVATURE].rig;
    truth[NW_APART_MOTION] = t->motion * s->terms[NW_APART_MOTION].rig;
    truth[NW_APART_FLEXURE] = t->flexure * s->terms[NW_APART_FLEXURE].rig;
    truth[NW_APART_AIR] = 2.0 * SIM_AS * exp(t->ln_seeing);
    truth[NW_APART_NIGHTS] = t->night;
    truth[NW_APART_WANDER] = t->wander;
    truth[NW_APART_SCATTER] = t->scatter;
    truth[NW_APART_EXTRA] = t->pinch_rad * t->pinch_rad;
    truth[NW_APART_CHANGE] = -t->pinch_rad * t->pinch_rad;
}

static void count(const struct nw_apart *s, const double *truth, struct tally *tally) {
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const struct nw_apart_term *term = &s->terms[k];
        const double pull = (truth[k] - term->value) / term->sigma;
        if (!term->is_present || !isfinite(truth[k])) {
            continue;
        }
        tally[k].n++;
        tally[k].inside += truth[k] >= term->low && truth[k] <= term->high;
        tally[k].narrowing += term->sigma / term->prior_sigma;
        tally[k].pull += pull;
        tally[k].pull2 += pull * pull;
    }
}

/* Every other sub through a band that has no colour of the lens, in the same air. */
static void narrow_half(const struct season_truth *truth, gsl_rng *rng, struct season_sim *sim) {
    static struct season_sim narrow;
    static size_t filters[SIM_SUBS];
    struct season_truth t = *truth;
    gsl_rng *same = gsl_rng_clone(rng);
    sim_season(&t, rng, sim);
    t.colour = 1e-3;
    sim_season(&t, same, &narrow);
    gsl_rng_free(same);
    for (size_t i = 0; i < SIM_SUBS; i++) {
        filters[i] = i % 2;
    }
    for (size_t k = 0; k < t.n_nights; k++) {
        for (size_t i = 1; i < t.n_subs; i += 2) {
            sim->frames[k][i] = narrow.frames[k][i];
        }
        sim->nights[k].filters = filters;
    }
}

static void report(const struct tally *tally) {
    printf("%-18s %5s %9s %10s %7s %7s\n", "term", "n", "in 90 %", "sigma/prior", "pull", "width");
    for (int k = 0; k < NW_APART_N_TERMS; k++) {
        const double n = (double)tally[k].n;
        if (tally[k].n) {
            printf("%-18s %5zu %9.3f %10.2f %+7.2f %7.2f\n",
                   nw_apart_term_name((enum nw_apart_term_id)k), tally[k].n,
                   (double)tally[k].inside / n, tally[k].narrowing / n, tally[k].pull / n,
                   sqrt(tally[k].pull2 / n - pow(tally[k].pull / n, 2.0)));
        }
    }
}

int main(int argc, char **argv) {
    static struct season_sim sim;
    static struct nw_rig rig;
    static struct nw_setup setup;
    static struct nw_setup setups[2];
    struct tally tally[NW_APART_N_TERMS] = {{0}};
    struct star_point point;
    long n[3] = {100, 8, 40};
    long seed = 1;
    long n_sweeps = 4000; /* of each chain: two thirds of what the command takes */
    size_t cause = 0;
    for (int i = 0; i < 3 && i + 1 < argc; i++) {
        if (!nw_text_to_long(argv[i + 1], &n[i])) {
            return 2;
        }
    }
    for (size_t i = 0; argc > 4 && i < sizeof CAUSES / sizeof *CAUSES; i++) {
        cause = strcmp(argv[4], CAUSES[i].name) == 0 ? i : cause;
    }
    if (argc > 5 && !nw_text_to_long(argv[5], &seed)) {
        return 2;
    }
    if (argc > 6 && !nw_text_to_long(argv[6], &n_sweeps)) {
        return 2;
    }
    sim_rig(&rig, &setup);
    star_point_of(&rig, &setup, &point);
    setups[0] = setups[1] = setup;
    setups[1].filter.width_m.v = 6e-9;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, (unsigned long)seed);
    size_t n_found = 0, n_judged = 0, n_inside = 0, n_slow = 0, n_failed = 0;
    double cpu_s = 0.0;
    for (long i = 0; i < n[0]; i++) {
        struct season_truth t = draw(&point, rng);
        t.n_nights = (size_t)n[1] < SIM_NIGHTS ? (size_t)n[1] : SIM_NIGHTS;
        t.n_subs = (size_t)n[2] < SIM_SUBS ? (size_t)n[2] : SIM_SUBS;
        t.pinch_rad = CAUSES[cause].pinch_arcsec * SIM_AS;
        t.slip_m_per_h = CAUSES[cause].slip_um_per_h * 1e-6;
        t.airmass_power = CAUSES[cause].airmass_power;
        t.focus *= CAUSES[cause].step;
        const bool is_change = strcmp(CAUSES[cause].name, CHANGE) == 0;
        t.pinched_nights = is_change ? t.n_nights / 2 : t.n_nights;
        const bool has_filters = strcmp(CAUSES[cause].name, FILTERS) == 0;
        if (has_filters) {
            narrow_half(&t, rng, &sim);
        } else {
            sim_season(&t, rng, &sim);
        }
        const struct nw_apart_evidence evidence = {.nights = sim.nights,
                                                   .n_nights = t.n_nights,
                                                   .filters = setups,
                                                   .n_filters = has_filters ? 2 : 0,
                                                   .changed_at = is_change ? t.n_nights / 2 : 0};
        const struct nw_apart_opts opts = {
            .seed = (unsigned long)(i + 1), .n_sweeps = (size_t)n_sweeps, .n_threads = 1};
        struct nw_apart *season = NULL;
        struct nw_err err = {0};
        double truth[NW_APART_N_TERMS];
        const clock_t before = clock();
        if (nw_apart_new(&rig, &setup, &evidence, &opts, &season, &err) != NW_OK) {
            printf("season %ld: %s\n", i, err.text);
            n_failed++;
            continue;
        }
        cpu_s += (double)(clock() - before) / CLOCKS_PER_SEC;
        truths(&t, season, truth);
        count(season, truth, tally);
        n_judged += season->n_judged;
        n_inside += season->n_inside;
        n_slow += season->convergence > 1.1;
        n_found += season->n_notices > 0;
        for (size_t k = 0; k < season->n_notices && n[0] <= 40; k++) {
            printf("season %ld: %.1f sigma: %s\n", i, season->notices[k].significance,
                   season->notices[k].what);
        }
        for (size_t k = 0; k < season->n_patterns && n[0] <= 40; k++) {
            const struct nw_apart_pattern *const p = &season->patterns[k];
            if (isfinite(p->power)) {
                printf("season %ld: power %.2f +- %.2f, %.1f sigma\n", i, p->power, p->power_sigma,
                       p->significance);
            }
        }
        (void)fflush(stdout);
        nw_apart_free(season);
        if (i % 10 == 9) {
            printf("after %ld\n", i + 1);
            report(tally);
        }
    }
    printf("%ld seasons of %ld nights of %ld subs, cause %s, seed %ld\n", n[0], n[1], n[2],
           CAUSES[cause].name, seed);
    report(tally);
    printf("judged subs inside their 90 %% band %.3f; something noticed in %zu; chains over 1.1 in "
           "%zu; failed %zu; %.1f s CPU each\n",
           (double)n_inside / (double)n_judged, n_found, n_slow, n_failed, cpu_s / (double)n[0]);
    gsl_rng_free(rng);
    return 0;
}
