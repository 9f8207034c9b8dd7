/* test_fit.c - first-order lags: exact without noise, honest errors with it; logs of a room. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

#include "air/fit.h"
#include "check.h"
#include "synth/climate.h"

enum { ROWS = 145 }; /* twelve hours, every five minutes */

struct series {
    double t_s[ROWS], x[ROWS], u[ROWS], y[ROWS];
};

/* A wandering x, a heater that is switched twice, a lag stepped 50 times between rows. */
static void make(struct series *s, double k_per_s, double gain, double noise, gsl_rng *rng) {
    double y = 12.0;
    double wander = 0.0;
    for (int i = 0; i < ROWS; i++) {
        s->t_s[i] = 300.0 * i;
        if (rng && i > 0) {
            wander = 0.95 * wander + gsl_ran_gaussian(rng, 0.15);
        }
        s->x[i] = 8.0 - 0.02 * i + wander;
        s->u[i] = (i >= 40 && i < 75) || i >= 110 ? 200.0 : 0.0;
        if (i > 0) {
            for (int step = 0; step < 50; step++) {
                const double share = (step + 0.5) / 50.0;
                const double x = s->x[i - 1] + share * (s->x[i] - s->x[i - 1]);
                y += 6.0 * k_per_s * (x - y + gain * s->u[i - 1]);
            }
        }
        s->y[i] = y;
    }
    for (int i = 0; i < ROWS; i++) {
        s->y[i] += rng ? gsl_ran_gaussian(rng, noise) : 0.0;
    }
}

static void test_without_noise_the_lag_is_found(void **state) {
    (void)state;
    static struct series s;
    struct nw_err err;
    make(&s, 1.0 / 5400.0, 0.025, 0.0, NULL);
    const struct nw_air_lag_data data = {.t_s = s.t_s,
                                         .y = s.y,
                                         .x = s.x,
                                         .inputs = {s.u, NULL},
                                         .is_switch = {true, false},
                                         .ln_rate_near = NAN,
                                         .use = NULL,
                                         .n = ROWS};
    struct nw_air_lag lag;
    assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_OK);
    check_near(lag.rate_per_s * 5400.0, 1.0, 2e-3, "simulated with 6 s steps");
    check_near(lag.gain[0], 0.025, 2e-5, "simulated");
    assert_int_equal(lag.n_used, ROWS);
    assert_int_equal(lag.n_stretches, 4); /* the heater jumps three times */
    assert_false(lag.is_at_end);
}

static void test_gaps_and_rows_left_out_make_stretches(void **state) {
    (void)state;
    static struct series s;
    static bool use[ROWS];
    struct nw_err err;
    make(&s, 1.0 / 5400.0, 0.025, 0.0, NULL);
    for (int i = 0; i < ROWS; i++) {
        use[i] = i < 60 || i > 64;
    }
    s.y[100] = NAN;
    for (int i = 130; i < ROWS; i++) {
        s.t_s[i] += 7200.0;
        s.y[i] = s.y[i - 1] + 50.0; /* would be absurd; too few to be a stretch of their own? */
        use[i] = false;
    }
    const struct nw_air_lag_data data = {.t_s = s.t_s,
                                         .y = s.y,
                                         .x = s.x,
                                         .inputs = {s.u, NULL},
                                         .is_switch = {false, false},
                                         .ln_rate_near = NAN,
                                         .use = use,
                                         .n = ROWS};
    struct nw_air_lag lag;
    assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_OK);
    assert_int_equal(lag.n_stretches, 3);
    assert_int_equal(lag.n_used, 60 + 35 + 29);
    check_near(lag.rate_per_s * 5400.0, 1.0, 2e-3, "simulated");
}

static void test_intervals_cover_and_pulls_are_one(void **state) {
    (void)state;
    enum { LOGS = 60 };
    static struct series s;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 11);
    int inside_rate = 0;
    int inside_gain = 0;
    double pull2 = 0.0;
    for (int i = 0; i < LOGS; i++) {
        const double tau_s = 1800.0 * pow(10.0, gsl_rng_uniform(rng));
        const double gain = 0.01 + 0.04 * gsl_rng_uniform(rng);
        make(&s, 1.0 / tau_s, gain, 0.1, rng);
        const struct nw_air_lag_data data = {.t_s = s.t_s,
                                             .y = s.y,
                                             .x = s.x,
                                             .inputs = {s.u, NULL},
                                             .is_switch = {true, false},
                                             .ln_rate_near = NAN,
                                             .use = NULL,
                                             .n = ROWS};
        struct nw_air_lag lag;
        struct nw_err err;
        assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_OK);
        const double pull = log(lag.rate_per_s * tau_s) / lag.ln_rate_sigma;
        pull2 += pull * pull / LOGS;
        inside_rate += fabs(pull) < 1.645;
        inside_gain += fabs(lag.gain[0] - gain) < 1.645 * lag.gain_sigma[0];
    }
    gsl_rng_free(rng);
    print_message("90 %% intervals: rate %d, gain %d of %d; pull %.2f\n", inside_rate, inside_gain,
                  LOGS, sqrt(pull2));
    /* binomial, 60 trials of 0.9: 54 +- 2.3 */
    assert_in_range(inside_rate, 48, 60);
    assert_in_range(inside_gain, 48, 60);
    check_near(sqrt(pull2), 1.0, 0.25, "pull of 60 logs: 1 +- 0.09");
}

static void test_nothing_to_fit_is_said(void **state) {
    (void)state;
    static struct series s;
    struct nw_err err = {0};
    struct nw_air_lag lag;
    for (int i = 0; i < ROWS; i++) {
        s.t_s[i] = 300.0 * i;
        s.y[i] = NAN;
    }
    const struct nw_air_lag_data data = {.t_s = s.t_s,
                                         .y = s.y,
                                         .x = s.x,
                                         .inputs = {NULL, NULL},
                                         .is_switch = {false, false},
                                         .ln_rate_near = NAN,
                                         .use = NULL,
                                         .n = ROWS};
    assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_DATA);
    assert_non_null(strstr(err.text, "0 rows in stretches"));
    for (int i = 0; i < ROWS; i++) {
        s.y[i] = s.x[i] = 5.0;
    }
    assert_int_equal(nw_air_lag_fit(&data, &lag, &err), NW_DATA);
    assert_non_null(strstr(err.text, "nothing changes"));
}

/* ---- Logs of a shed, from the simulator ---- */

static const char SHED[] =
    "nightwright: 1\n"
    "site: {latitude: -32 deg, longitude: 147 deg, temperature: 8 degC, temperature_rate: -1 K/h}\n"
    "telescopes: {tube: {aperture: 80 mm, focal_length: 450 mm}}\n"
    "cameras: {camera: {pixel: 3.76 um, width: 6248, height: 4176}}\n"
    "surfaces: {skin: {kind: tube, area: 0.3 m2}}\n"
    "cover: {area: 2.4 m2, insulation: {value: 0.1 m2 K/W, sigma: 0.05 m2 K/W}, heater: 40 W}\n"
    "room: {volume: 12 m3, area: 20 m2, heater: 500 W}\n"
    "dryer: {power: 240 W}\n"
    "setups: {one: {telescope: tube, camera: camera}}\n";

struct count {
    int inside, n;
};
static void add(struct count *c, const struct nw_air_estimate *e, double truth) {
    if (isfinite(e->v)) {
        c->n++;
        c->inside += truth >= e->low && truth <= e->high;
    }
}

/* 44 logs of 14 h, a row every 200 s, sensors of 0.05 K and 0.5 %: OBSERVABILITY's coverage. */
static void test_intervals_of_shed_logs_cover(void **state) {
    (void)state;
    enum { LOGS = 44, QUANTITIES = 6 };
    struct count c[QUANTITIES] = {{0, 0}};
    static const char *const NAMES[QUANTITIES] = {"room loss",   "room capacity",
                                                  "air changes", "water buffer",
                                                  "cover loss",  "cover capacity"};
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_rig_parse("shed", SHED, strlen(SHED), NULL, 0, &rig, &err), NW_OK);
    for (int i = 0; i < LOGS; i++) {
        const struct nw_synth_climate_opts opts = {.seed = 100u + (unsigned)i,
                                                   .end_s = 14.0 * 3600.0,
                                                   .cover_s = 0.0,
                                                   .switch_s = 7200.0,
                                                   .step_s = 200.0,
                                                   .room_heater_W = NAN,
                                                   .temperature_noise_K = 0.05,
                                                   .humidity_noise = 0.005};
        struct nw_synth_climate_truth truth;
        struct nw_buf csv;
        struct nw_table *table = NULL;
        struct nw_air_log log;
        struct nw_air_fit fit;
        nw_buf_init(&csv, (size_t)1 << 22);
        assert_int_equal(nw_synth_climate(rig, &opts, &csv, &truth, &err), NW_OK);
        assert_int_equal(nw_table_parse("log", csv.data, csv.len, &table, &err), NW_OK);
        assert_int_equal(nw_air_log_read(table, rig, &log, &err), NW_OK);
        assert_int_equal(nw_air_fit_log(rig, &log, NULL, &fit, &err), NW_OK);
        add(&c[0], &fit.room_loss_W_K, truth.room_loss_W_K);
        add(&c[1], &fit.room_capacity_J_K, truth.room_capacity_J_K);
        add(&c[2], &fit.air_changes_per_s, truth.air_changes_per_s);
        add(&c[3], &fit.water_buffer_kg, truth.water_buffer_kg);
        add(&c[4], &fit.cover_loss_W_K, truth.cover_loss_W_K);
        add(&c[5], &fit.cover_capacity_J_K, truth.cover_capacity_J_K);
        nw_air_log_done(&log);
        nw_table_free(table);
        nw_buf_done(&csv);
    }
    nw_rig_free(rig);
    struct count all = {0, 0};
    for (int k = 0; k < QUANTITIES; k++) {
        print_message("%-15s %d of %d inside 90 %%\n", NAMES[k], c[k].inside, c[k].n);
        assert_true(c[k].n >= 30);                 /* the rest are null, with a reason */
        assert_true(c[k].inside >= 0.77 * c[k].n); /* 3 sigma of 44 trials of 0.9 */
        all.inside += c[k].inside;
        all.n += c[k].n;
    }
    check_near((double)all.inside / all.n, 0.90, 0.06, "3 sigma of some 250 trials of 0.9");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_without_noise_the_lag_is_found),
        cmocka_unit_test(test_gaps_and_rows_left_out_make_stretches),
        cmocka_unit_test(test_intervals_cover_and_pulls_are_one),
        cmocka_unit_test(test_nothing_to_fit_is_said),
        cmocka_unit_test(test_intervals_of_shed_logs_cover),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
