/* test_focus_job.c - focus runs: the model's terms with their errors on simulated nights, what is
 * not told apart, runs from frames, the CSV. */
#include "check.h"
#include "focus_sim.h"

static const struct focus_truth NIGHTS = {.per_K = -8.5,
                                          .lag_s = 1500.0,
                                          .repeat_steps = 4.0,
                                          .backlash_steps = 35.0,
                                          .flip_steps = 9.0,
                                          .offsets = {0.0, 22.0, -14.0},
                                          .n_filters = 3,
                                          .n_nights = 4,
                                          .runs_per_night = 14,
                                          .interval_s = 2700.0,
                                          .fall_K = 7.0,
                                          .turn_K = 1.2,
                                          .has_sides = true,
                                          .has_ways = true};

static struct nw_focus_job fitted(struct focus_sim *sim) {
    struct nw_focus_job job;
    struct nw_err err = {0};
    if (nw_focus_fit(&sim->runs, sim->frames, sim->n_frames, "f0", &job, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return job;
}

/* Sum of squares of (value - truth)/sigma, and how often the 95 % interval holds the truth. */
struct pull {
    double sum2, sum;
    size_t n, n_inside;
};
static void add_pull(struct pull *p, const struct nw_focus_term *term, double truth) {
    if (!isfinite(term->value) || !isfinite(term->sigma)) {
        return;
    }
    const double x = (term->value - truth) / term->sigma;
    p->sum2 += x * x;
    p->sum += x;
    p->n++;
    p->n_inside += term->low <= truth && truth <= term->high;
}
/* `loose`: 1, or more where fewer sets know all of it worse. */
static void check_pull(const char *what, const struct pull *p, size_t n_least, double loose) {
    const double n = (double)p->n;
    const double mean = p->sum / n;
    const double width = sqrt(p->sum2 / n - mean * mean);
    print_message("%-14s n %zu  mean %+.3f  width %.3f  inside %.3f\n", what, p->n, mean, width,
                  (double)p->n_inside / n);
    assert_true(p->n >= n_least);
    check_near(mean, 0.0, 0.15 * loose, "Monte Carlo: no bias beyond 0.15 sigma");
    check_near(width, 1.0, 0.1 * loose, "Monte Carlo: pull width 0.9 to 1.1");
    check_near((double)p->n_inside / n, 0.95, 0.03 * loose, "Monte Carlo: 95 % intervals");
}

static void test_pulls_on_simulated_nights(void **state) {
    (void)state;
    enum { TRIALS = 240 }; /* more in bench/focus_pulls.c */
    static struct focus_sim sim;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct pull per_K = {0}, lag = {0}, backlash = {0}, flip = {0}, offset = {0};
    double repeat = 0.0;
    gsl_rng_set(rng, 17);
    for (int i = 0; i < TRIALS; i++) {
        sim_focus(&NIGHTS, rng, &sim);
        const struct nw_focus_job job = fitted(&sim);
        add_pull(&per_K, &job.per_K, NIGHTS.per_K);
        add_pull(&lag, &job.lag_s, NIGHTS.lag_s);
        add_pull(&backlash, &job.backlash, NIGHTS.backlash_steps);
        add_pull(&flip, &job.flip, NIGHTS.flip_steps);
        add_pull(&offset, &job.offsets[0].steps, NIGHTS.offsets[1]);
        repeat += job.repeatability.value * job.repeatability.value / TRIALS;
        nw_focus_runs_done(&sim.runs);
    }
    check_pull("per_K", &per_K, TRIALS, 1.0);
    check_pull("backlash", &backlash, TRIALS, 1.0);
    check_pull("flip", &flip, TRIALS, 1.0);
    check_pull("offset", &offset, TRIALS, 1.0);
    check_pull("lag", &lag, TRIALS * 9 / 10, 1.0);
    check_near(sqrt(repeat), NIGHTS.repeat_steps, 0.1, "Monte Carlo: residual variance, unbiased");
    gsl_rng_free(rng);
}

/* Mean of what the tubes of the nights are off by at their first runs. */
static double warm_of(const struct focus_truth *t) {
    double sum = 0.0;
    for (size_t night = 0; night < t->n_nights; night++) {
        sum += t->per_K * t->warm_K * (1.2 - 0.2 * (double)(night % 4)) / (double)t->n_nights;
    }
    return sum;
}

/* Tubes from a warm room: without their columns the coefficient would be wrong by many sigmas. */
static void test_pulls_when_tubes_begin_warm(void **state) {
    (void)state;
    enum { TRIALS = 100 };
    static struct focus_sim sim;
    struct focus_truth truth = NIGHTS;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct pull per_K = {0}, lag = {0}, warm = {0};
    size_t n_refused = 0;
    truth.warm_K = 8.0;
    gsl_rng_set(rng, 23);
    for (int i = 0; i < TRIALS; i++) {
        sim_focus(&truth, rng, &sim);
        const struct nw_focus_job job = fitted(&sim);
        add_pull(&per_K, &job.per_K, truth.per_K);
        add_pull(&lag, &job.lag_s, truth.lag_s);
        add_pull(&warm, &job.warm, warm_of(&truth));
        n_refused += job.n_refused;
        nw_focus_runs_done(&sim.runs);
    }
    check_pull("per_K", &per_K, TRIALS, 1.5);
    check_pull("lag", &lag, TRIALS * 9 / 10, 1.5);
    check_pull("warm start", &warm, TRIALS * 9 / 10, 1.5);
    check_near((double)n_refused / TRIALS, 0.0, 0.1, "first runs are explained, not refused");
    gsl_rng_free(rng);
}

/* Tubes in the air all day: the columns are asked for in about one set of a hundred. */
static void test_warm_starts_are_seldom_seen_without_one(void **state) {
    (void)state;
    enum { TRIALS = 100 };
    static struct focus_sim sim;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    size_t n_seen = 0;
    gsl_rng_set(rng, 29);
    for (int i = 0; i < TRIALS; i++) {
        sim_focus(&NIGHTS, rng, &sim);
        const struct nw_focus_job job = fitted(&sim);
        n_seen += isfinite(job.warm.value) ? 1 : 0;
        assert_true(isfinite(job.warm.value) || job.warm.why_null[0]);
        nw_focus_runs_done(&sim.runs);
    }
    print_message("warm starts seen in %zu of %d sets without one\n", n_seen, TRIALS);
    assert_true(n_seen <= TRIALS * 4 / 100);
    gsl_rng_free(rng);
}

static void test_without_noise_the_truth_comes_back(void **state) {
    (void)state;
    static struct focus_sim sim;
    struct focus_truth truth = NIGHTS;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 3);
    truth.repeat_steps = 0.0;
    sim_focus(&truth, rng, &sim);
    const struct nw_focus_job job = fitted(&sim);
    /* readings every 5 minutes, straight between them: the lagged tube to a few mK */
    check_near(job.per_K.value, truth.per_K, 0.02, "truth");
    check_near(job.lag_s.value, truth.lag_s, 20.0, "truth");
    check_near(job.backlash.value, 35.0, 0.05, "truth; in minus out, positive");
    check_near(job.flip.value, 9.0, 0.05, "truth; west minus east, positive");
    check_near(job.offsets[0].steps.value, 22.0, 0.05, "truth");
    check_near(job.offsets[1].steps.value, -14.0, 0.05, "truth");
    assert_int_equal(job.n_refused, 0);
    assert_true(job.is_time_separable);
    check_near(job.run_time_s, 150.0, 1e-9, "as given");
    nw_focus_runs_done(&sim.runs);
    gsl_rng_free(rng);
}

static void test_failed_runs_are_refused(void **state) {
    (void)state;
    static struct focus_sim sim;
    struct focus_truth truth = NIGHTS;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 5);
    truth.outlier_steps = 120.0;
    sim_focus(&truth, rng, &sim);
    const struct nw_focus_job job = fitted(&sim);
    assert_in_range(job.n_refused, 1, 10);
    for (size_t i = 0; i < sim.runs.n; i++) {
        assert_true(sim.runs.items[i].is_refused == (sim.runs.items[i].residual_steps > 60.0));
    }
    check_near(job.per_K.value, truth.per_K, 3.5 * job.per_K.sigma, "truth");
    check_near(job.repeatability.value, 4.0, 1.5, "truth, 95 % of 46 degrees of freedom");
    nw_focus_runs_done(&sim.runs);
    gsl_rng_free(rng);
}

/* One night that cools steadily: temperature and time are one; a lag is a constant. */
static void test_a_steady_fall_tells_neither_lag_nor_drift(void **state) {
    (void)state;
    static struct focus_sim sim;
    struct focus_truth truth = NIGHTS;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 8);
    truth.n_nights = 1;
    truth.turn_K = 0.0;
    truth.fall_K = 3.0;
    truth.n_filters = 1;
    truth.has_ways = truth.has_sides = false;
    sim_focus(&truth, rng, &sim);
    const struct nw_focus_job job = fitted(&sim);
    assert_false(job.is_time_separable);
    assert_true(isnan(job.per_hour.value));
    assert_non_null(strstr(job.per_hour.why_null, "not separable"));
    assert_true(isnan(job.lag_s.value));
    assert_true(isnan(job.backlash.value) && isnan(job.flip.value) && isnan(job.sag.value));
    assert_non_null(strstr(job.backlash.why_null, "last_move"));
    assert_int_equal(job.n_offsets, 0);
    check_near(job.per_K.value, truth.per_K, 4.0, "truth, within what a lag of 25 min bends");
    nw_focus_runs_done(&sim.runs);
    gsl_rng_free(rng);
}

static void test_too_little_says_so(void **state) {
    (void)state;
    struct nw_focus_run items[3] = {{.t_s = 0, .position_steps = 10, .temperature_K = 280},
                                    {.t_s = 3600, .position_steps = 12, .temperature_K = 279},
                                    {.t_s = 7200, .position_steps = 14, .temperature_K = NAN}};
    struct nw_focus_runs runs = {.items = items, .n = 3};
    struct nw_focus_job job;
    struct nw_err err = {0};
    assert_int_equal(nw_focus_fit(&runs, NULL, 0, NULL, &job, &err), NW_DATA);
    assert_string_equal(err.text, "2 focus runs with a temperature, expected 3 or more");
    nw_text_copy(items[1].filter, 32, "red");
    items[2].temperature_K = 278;
    assert_int_equal(nw_focus_fit(&runs, NULL, 0, NULL, &job, &err), NW_DATA);
    assert_string_equal(err.text, "3 focus runs do not tell 3 unknowns (nights, temperature, "
                                  "filters): more runs");
}

static void test_lag_of_a_ramp_and_of_a_step(void **state) {
    (void)state;
    double t[200];
    double ramp[200];
    double out[200];
    for (int i = 0; i < 200; i++) {
        t[i] = 300.0 * i;
        ramp[i] = 280.0 - 2e-4 * t[i];
    }
    nw_focus_lagged(t, ramp, 200, 1800.0, out);
    check_near(out[0], 280.0, 1e-12, "it begins with the air");
    check_near(out[199] - ramp[199], 2e-4 * 1800.0, 1e-9, "closed form: behind by rate x lag");
    check_near(out[6] - ramp[6], 0.36 * (1.0 - exp(-1.0)), 1e-9, "closed form: after one lag");
    nw_focus_lagged(t, ramp, 200, 0.0, out);
    check_near(out[57], ramp[57], 0.0, "no lag");
}

static struct nw_focus_frame frame_at(double t_s, double steps, const char *filter) {
    struct nw_focus_frame f = {.t_start_s = t_s,
                               .exposure_s = 300.0,
                               .position_steps = steps,
                               .temperature_K = 280.0,
                               .altitude_rad = NAN,
                               .ra_rad = 1.0,
                               .dec_rad = 0.5,
                               .airmass = 1.0,
                               .width = 3.0};
    nw_text_copy(f.filter, sizeof f.filter, filter);
    return f;
}

static void test_runs_from_frames(void **state) {
    (void)state;
    struct nw_focus_frame f[14];
    double t = 0.0;
    for (int i = 0; i < 14; i++) {
        t += i == 5 ? 460.0 : i == 10 ? 40000.0 : 310.0;
        /* 5: a run; 7: an offset with the filter; 10: a new night */
        f[i] = frame_at(t, i < 5 ? 100 : i < 7 ? 120 : i < 10 ? 95 : 200, i < 7 ? "L" : "R");
    }
    const struct nw_focus_frame swap = f[0];
    f[0] = f[9];
    f[9] = swap;
    f[13].position_steps = NAN;
    struct nw_focus_runs runs = {0};
    struct nw_err err = {0};
    assert_int_equal(nw_focus_runs_of_frames(f, 14, &runs, &err), NW_OK);
    assert_int_equal(runs.n, 3);
    assert_true(runs.items[0].is_first && !runs.items[1].is_first && runs.items[2].is_first);
    check_near(runs.items[1].position_steps, 120.0, 0.0, "the new place");
    check_near(runs.items[1].duration_s, 150.0, 1e-9, "460 s between starts, 310 s usual");
    assert_int_equal(runs.n_offset_moves, 1);
    assert_false(runs.is_following);
    nw_focus_runs_done(&runs);
    for (int i = 0; i < 14; i++) { /* it follows the temperature; one move with time for a run */
        f[i] = frame_at(310.0 * i + (i >= 8 ? 150.0 : 0.0), 100 + i + (i >= 8 ? 20 : 0), "L");
    }
    assert_int_equal(nw_focus_runs_of_frames(f, 14, &runs, &err), NW_OK);
    assert_true(runs.is_following);
    assert_int_equal(runs.n, 2);
    assert_int_equal(runs.n_follow_moves, 12);
    nw_focus_runs_done(&runs);
    for (int i = 0; i < 14; i++) {
        f[i].position_steps = NAN;
    }
    assert_int_equal(nw_focus_runs_of_frames(f, 14, &runs, &err), NW_DATA);
    assert_string_equal(err.text, "no focuser position with a time in any of 14 frames (FOCUSPOS, "
                                  "DATE-OBS)");
}

static void test_widths_after_a_flip(void **state) {
    (void)state;
    struct nw_focus_frame f[12];
    struct nw_focus_after flips;
    struct nw_focus_after slews;
    for (int i = 0; i < 12; i++) {
        f[i] = frame_at(310.0 * i, 100.0, "L");
        f[i].side = (i / 4) % 2 ? NW_FOCUS_WEST : NW_FOCUS_EAST;
        f[i].width = i < 4 ? 3.0 : i < 8 ? 3.3 : 3.63;
    }
    nw_focus_after_moves(f, 12, &flips, &slews);
    assert_int_equal(flips.n, 2);
    assert_int_equal(slews.n, 0);
    assert_true(isnan(slews.change));
    check_near(flips.change, log(1.1), 1e-12, "10 % wider after each");
    check_near(flips.sigma, 0.0, 1e-9, "both the same");
    for (int i = 0; i < 12; i++) {
        f[i].side = NW_FOCUS_EAST;
        f[i].ra_rad += i < 6 ? 0.0 : 0.5;
        f[i].airmass = i < 6 ? 1.0 : 2.0;
        f[i].width = i < 6 ? 3.0 : 3.0 * pow(2.0, 0.6);
    }
    nw_focus_after_moves(f, 12, &flips, &slews);
    assert_int_equal(slews.n, 1);
    check_near(slews.change, 0.0, 1e-12, "airmass taken off");
}

static void write_text(const char *path, const char *text) {
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(text, 1, strlen(text), file), strlen(text));
    assert_int_equal(fclose(file), 0);
}

static void test_log_of_runs(void **state) {
    (void)state;
    const char *path = "focus_job_runs.csv";
    struct nw_focus_runs runs = {0};
    struct nw_err err = {0};
    write_text(path, "# focus runs\n"
                     "time,position_steps,temperature_c,filter,tube_side,last_move,duration_s\n"
                     "2026-05-14T11:00:00Z,2010,8.5,L,east,out,140\n"
                     "2026-05-14T10:00:00Z,2000,9.5,L,East,in,\n"
                     "2026-05-14T12:00:00Z,-,7.5,R,-,-,150\n");
    assert_int_equal(nw_focus_runs_read(path, &runs, &err), NW_OK);
    assert_int_equal(runs.n, 2); /* the third failed: no position */
    check_near(runs.items[0].position_steps, 2000.0, 0.0, "by time");
    check_near(runs.items[0].temperature_K, 282.65, 1e-9, "9.5 degC");
    assert_int_equal(runs.items[0].way, NW_FOCUS_WAY_IN);
    assert_int_equal(runs.items[1].side, NW_FOCUS_EAST);
    assert_true(isnan(runs.items[0].duration_s));
    nw_focus_runs_done(&runs);
    write_text(path, "time,position_steps,last_move\n2026-05-14T11:00:00Z,1,up\n");
    assert_int_equal(nw_focus_runs_read(path, &runs, &err), NW_FORMAT);
    assert_string_equal(err.text,
                        "focus_job_runs.csv:2: column last_move is 'up', expected in, out or -");
    write_text(path, "when,position_steps\n2026-05-14T11:00:00Z,1\n");
    assert_int_equal(nw_focus_runs_read(path, &runs, &err), NW_NOTFOUND);
    assert_string_equal(err.text, "focus_job_runs.csv: no column time (ISO 8601, UTC)");
    nw_focus_runs_done(&runs);
    (void)remove(path);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pulls_on_simulated_nights),
        cmocka_unit_test(test_pulls_when_tubes_begin_warm),
        cmocka_unit_test(test_warm_starts_are_seldom_seen_without_one),
        cmocka_unit_test(test_without_noise_the_truth_comes_back),
        cmocka_unit_test(test_failed_runs_are_refused),
        cmocka_unit_test(test_a_steady_fall_tells_neither_lag_nor_drift),
        cmocka_unit_test(test_too_little_says_so),
        cmocka_unit_test(test_lag_of_a_ramp_and_of_a_step),
        cmocka_unit_test(test_runs_from_frames),
        cmocka_unit_test(test_widths_after_a_flip),
        cmocka_unit_test(test_log_of_runs),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
