/* test_backlash.c - play of the gears: the operator against brute force, the estimate against the
 * truth of simulated loops. The table of more cases: bench/backlash_coverage.c, docs/models.md. */
#include "guide_sim.h"
#include "guiding/gap_fit.h"

#include "guide_analysed.h"

#define AS NW_ARCSEC_PER_RAD

/* OBSERVABILITY 10: 2 h at 2 s, noise 0.3 arcsec, 7.5 arcsec/s, walk 0.03 arcsec/sqrt s */
static const struct sim_axis GEARS = {.noise = 0.3,
                                      .walk_per_sqrt_s = 0.03,
                                      .gain = 0.6,
                                      .deadband = 0.2,
                                      .response = 1.0,
                                      .delay = 1};

/* Right ascension without logged pulses: no worm, no replay; time is for the gears. */
static void leave_ra_out(struct sim_night *night) {
    for (size_t k = 0; k < night->n; k++) {
        night->log.rows[k].ra_pulse_s = NAN;
    }
}

enum { PULSES = 40 };

static void fill_moves(gsl_rng *rng, struct guide_moves *moves, double *pulse_s, size_t *before) {
    for (size_t k = 0; k < PULSES; k++) {
        pulse_s[k] = gsl_ran_gaussian(rng, 1.0);
        before[k] = k;
    }
    *moves = (struct guide_moves){pulse_s, PULSES, before, PULSES};
}

static void test_path_is_that_of_motor_and_axis(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(1);
    double pulse_s[PULSES];
    size_t before[PULSES];
    struct guide_moves moves;
    fill_moves(rng, &moves, pulse_s, before);
    const struct sim_axis axis = {.gap = 1.3, .response = 1.0, .windup = 0.1};
    const struct guide_play play = {
        .gap_rad = 1.3, .start = 0.25, .up = 1.0, .down = 1.0, .leak = 0.1};
    /* the axis at 0, the motor a quarter of the gap above where it would carry it down */
    struct sim_gears gears = {.motor = -0.25 * 1.3};
    double path[PULSES];
    const size_t crossings = nw_guide_play_path(&moves, &play, path, NULL);
    double want = 0.0;
    for (size_t k = 0; k < PULSES; k++) {
        check_near(path[k], want, 1e-12, "play as motor and axis (guide_sim.h)");
        want += k + 1 < PULSES ? sim_turn(&axis, &gears, pulse_s[k]) : 0.0;
    }
    assert_int_equal(crossings, gears.crossings);
    gsl_rng_free(rng);
}

static void test_slopes_are_differences(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(2);
    double pulse_s[PULSES];
    size_t before[PULSES];
    struct guide_moves moves;
    fill_moves(rng, &moves, pulse_s, before);
    const struct guide_play play = {
        .gap_rad = 0.9, .start = 0.4, .up = 1.1, .down = 0.8, .leak = 0.05};
    double column[PLAY_N][PULSES];
    double *slopes[PLAY_N];
    for (int i = 0; i < PLAY_N; i++) {
        slopes[i] = column[i];
    }
    double path[PULSES];
    (void)nw_guide_play_path(&moves, &play, path, slopes);
    for (int i = 0; i < PLAY_N; i++) {
        struct guide_play other = play;
        double *const at[PLAY_N] = {&other.gap_rad, &other.start, &other.up, &other.down,
                                    &other.leak};
        const double step = 1e-7;
        *at[i] += step;
        double moved[PULSES];
        (void)nw_guide_play_path(&moves, &other, moved, NULL);
        for (size_t k = 0; k < PULSES; k++) {
            check_near(column[i][k], (moved[k] - path[k]) / step, 1e-5, "finite difference");
        }
    }
    gsl_rng_free(rng);
}

static void check_columns(const struct guide_whitener *w, const double *e, const double *t_s) {
    double columns[3][PULSES];
    double *const list[3] = {columns[0], columns[1], columns[2]};
    double want[PULSES];
    for (size_t i = 0; i < 3; i++) {
        memcpy(columns[i], i == 1 ? t_s : e, sizeof columns[i]);
    }
    nw_guide_whiten_all(w, list, 3);
    for (size_t i = 0; i < 3; i++) {
        (void)nw_guide_whiten(w, i == 1 ? t_s : e, want);
        for (size_t k = 0; k < PULSES; k++) {
            check_near(columns[i][k], want[k], 1e-12 * (1.0 + fabs(want[k])), "one by one");
        }
    }
}

/* Side by side and one by one: the same sums of squares. */
static void test_many_gears_at_once_are_those_one_by_one(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(3);
    double pulse_s[PULSES];
    size_t before[PULSES];
    struct guide_moves moves;
    fill_moves(rng, &moves, pulse_s, before);
    double t_s[PULSES];
    double e[PULSES];
    double none[PULSES] = {0.0};
    bool starts[PULSES] = {[0] = true, [17] = true};
    for (size_t k = 0; k < PULSES; k++) {
        t_s[k] = 2.0 * (double)k + (k > 20 ? 0.7 : 0.0); /* an uneven step */
        e[k] = gsl_ran_gaussian(rng, 1.0);
    }
    const struct guide_series s = {.n = PULSES,
                                   .t_s = t_s,
                                   .e_rad = e,
                                   .x = none,
                                   .known = none,
                                   .starts = starts,
                                   .dt0_s = 2.0};
    const struct guide_noise noise = {.ln_q = -2.0, .ln_qv = -9.0, .rho = 0.2};
    const struct guide_prior prior = {.b = 1.0, .sigma = 0.15, .difference_sigma = 0.1};
    struct guide_whitener w = {0};
    struct nw_err err = {0};
    double white[PULSES];
    assert_int_equal(nw_guide_whitener_init(&s, &noise, &w, &err), NW_OK);
    (void)nw_guide_whiten(&w, e, white);
    const struct guide_gap_bench like = {.moves = &moves, .prior = &prior, .w = &w, .white = white};
    struct guide_gap_bench bench = {0};
    assert_int_equal(nw_guide_gap_bench_init(&like, PULSES, &bench, &err), NW_OK);
    enum { GEARS_N = 7 }; /* not a multiple of what runs side by side */
    struct guide_play plays[GEARS_N];
    double rests[GEARS_N];
    for (int i = 0; i < GEARS_N; i++) {
        plays[i] = (struct guide_play){.gap_rad = 0.4 * i,
                                       .start = gsl_rng_uniform(rng),
                                       .up = 0.8 + 0.4 * gsl_rng_uniform(rng),
                                       .down = 0.8 + 0.4 * gsl_rng_uniform(rng),
                                       .leak = 0.1 * i};
    }
    nw_guide_gap_rests(&bench, plays, GEARS_N, rests);
    for (int i = 0; i < GEARS_N; i++) {
        const double want = nw_guide_gap_rest(&bench, &plays[i], NULL);
        check_near(rests[i], want, 1e-12 * want, "one by one");
    }
    check_columns(&w, e, t_s);
    nw_guide_gap_bench_done(&bench);
    nw_guide_whitener_done(&w);
    gsl_rng_free(rng);
}

static void test_gap_with_its_interval_when_it_is_crossed(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(11);
    static const double drift[2] = {0.0, 0.3};
    enum { NIGHTS = 12 };
    int inside = 0;
    int angle_inside = 0;
    double error_s[NIGHTS];
    double response = 0.0;
    for (int i = 0; i < NIGHTS; i++) {
        struct sim_axis dec = GEARS;
        dec.gap = 2.25; /* 300 ms */
        dec.drift_per_min = drift[i % 2];
        struct sim_night night;
        sim_night_init(&night, 1800, 2.0);
        sim_night_run(&night, &GEARS, &dec, rng);
        leave_ra_out(&night);
        struct nw_guide_analysis *a = analysed(&night.log, NULL);
        const struct nw_guide_backlash *b = &a->backlash;
        assert_true(b->is_identified && b->crossings >= NW_GUIDE_CROSSINGS);
        check_near(b->crossings, (double)night.crossings[1], 4.0, "as simulated");
        inside += b->low_s <= 0.3 && 0.3 <= b->high_s;
        angle_inside += b->low_rad * AS <= 2.25 && 2.25 <= b->high_rad * AS;
        error_s[i] = fabs(b->gap_s - 0.3);
        response += a->dec.response / NIGHTS;
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
    gsl_rng_free(rng);
    const double median = nw_stat_median(error_s, NIGHTS);
    print_message(
        "gap inside its interval %d, angle %d of %d; median error %.1f ms, response %.3f\n", inside,
        angle_inside, NIGHTS, median * 1e3, response);
    assert_true(inside >= 9 && angle_inside >= 9); /* 11.4 +- 0.8: 3 sigma */
    assert_true(median < 0.03 * 0.3 + 0.010);      /* OBSERVABILITY 10: 3 % + 10 ms */
    check_near(response, 1.0, 0.03, "as simulated");
}

static void test_held_on_one_flank_it_is_not_told(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(13);
    int identified = 0;
    for (int i = 0; i < 2; i++) {
        struct sim_axis dec = GEARS;
        dec.gap = 6.75; /* 900 ms */
        dec.drift_per_min = 3.0;
        struct sim_night night;
        sim_night_init(&night, 1800, 2.0);
        sim_night_run(&night, &GEARS, &dec, rng);
        leave_ra_out(&night);
        struct nw_guide_analysis *a = analysed(&night.log, NULL);
        identified += a->backlash.is_identified;
        assert_true(a->backlash.is_identified || isnan(a->backlash.gap_rad));
        assert_non_null(strstr(a->backlash.why_null, "there-and-back"));
        nw_guide_analysis_free(a);
        sim_night_done(&night);
    }
    gsl_rng_free(rng);
    assert_int_equal(identified, 0);
}

static void test_no_gap_is_bounded(void **state) {
    (void)state;
    gsl_rng *rng = sim_rng(17);
    struct sim_night night;
    sim_night_init(&night, 1800, 2.0);
    sim_night_run(&night, &GEARS, &GEARS, rng);
    struct nw_guide_analysis *a = analysed(&night.log, NULL);
    assert_false(a->backlash.is_identified);
    assert_true(isnan(a->backlash.gap_rad) && a->backlash.high_rad * AS < 0.3);
    assert_non_null(strstr(a->backlash.why_null, "no gap shows"));
    nw_guide_analysis_free(a);
    for (size_t k = 0; k < night.n; k++) {
        night.log.rows[k].dec_pulse_s = NAN;
    }
    a = analysed(&night.log, NULL);
    assert_true(isnan(a->backlash.high_rad));
    assert_non_null(strstr(a->backlash.why_null, "not logged"));
    nw_guide_analysis_free(a);
    sim_night_done(&night);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_path_is_that_of_motor_and_axis),
        cmocka_unit_test(test_slopes_are_differences),
        cmocka_unit_test(test_many_gears_at_once_are_those_one_by_one),
        cmocka_unit_test(test_gap_with_its_interval_when_it_is_crossed),
        cmocka_unit_test(test_held_on_one_flank_it_is_not_told),
        cmocka_unit_test(test_no_gap_is_bounded),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
