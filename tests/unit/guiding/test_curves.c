/* test_curves.c - what the charts show, against closed forms; pooling of runs. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <stdlib.h>
#include <string.h>

#include "check.h"
#include "guiding/curves.h"
#include "guiding/runs.h"

#define ARCSEC (1.0 / NW_ARCSEC_PER_RAD)

/* A log of n samples every 2 s: RA a sine of 1 arcsec, Dec noise of 0.3 arcsec, or a drift. */
static struct nw_guide_log *make_log(size_t n, double period_s, double drift_arcsec_s,
                                     double noise_arcsec) {
    struct nw_guide_log *log = calloc(1, sizeof *log);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
    assert_non_null(log);
    gsl_rng_set(rng, 7);
    log->path = strdup("made");
    log->rows = calloc(n, sizeof *log->rows);
    assert_true(log->path && log->rows);
    log->n = n;
    log->is_dec_sign_known = true;
    log->exposure_s = 2.0;
    log->guide_scale_rad_px = log->ra_rate_rad_s = log->dec_rate_rad_s = log->declination_rad = NAN;
    log->hour_angle_rad = log->latitude_rad = log->elevation_m = NAN;
    log->worm_period_s = period_s;
    for (size_t i = 0; i < n; i++) {
        struct nw_guide_row *row = &log->rows[i];
        row->t_s = 2.0 * (double)i;
        row->ra_rad = ARCSEC * sin(2.0 * NW_PI * row->t_s / period_s);
        row->dec_rad =
            ARCSEC * (drift_arcsec_s * row->t_s + gsl_ran_gaussian(rng, 1.0) * noise_arcsec);
        row->ra_pulse_s = row->dec_pulse_s = row->snr = row->lock_x_px = row->lock_y_px = NAN;
    }
    gsl_rng_free(rng);
    return log;
}

static struct nw_guide_curves *curves_of(const struct nw_guide_log *log) {
    const struct nw_guide_analysis none = {.n_samples = log->n};
    struct nw_guide_curves *curves = NULL;
    struct nw_err err = {0};
    if (nw_guide_curves_new(log, &none, &curves, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return curves;
}

static void test_lags_of_a_sine_and_of_noise(void **state) {
    (void)state;
    struct nw_guide_log *log = make_log(3000, 400.0, 0.0, 0.3);
    struct nw_guide_curves *c = curves_of(log);
    assert_true(c->lags.n > 30);
    check_near(c->lags.lag_s[0], 2.0, 1e-9, "one step");
    for (size_t i = 0; i < c->lags.n; i++) {
        const double lag_s = c->lags.lag_s[i];
        /* sin a - sin b = 2 cos sin: rms sqrt 2 |sin(pi lag / P)| over whole turns */
        const double want = sqrt(2.0) * fabs(sin(NW_PI * lag_s / 400.0));
        check_near(c->lags.ra_rad[i] / ARCSEC, want, 0.03,
                   "closed form; the ends are no whole turn");
        check_near(c->lags.dec_rad[i] / ARCSEC, 0.3 * sqrt(2.0), 0.03,
                   "white noise: root 2 sigma; 4 standard errors of 2000 pairs");
    }
    assert_true(c->lags.lag_s[c->lags.n - 1] > 1900.0);
    nw_guide_curves_free(c);
    nw_guide_free(log);
}

static void test_lags_of_a_drift_are_its_rate_times_lag(void **state) {
    (void)state;
    struct nw_guide_log *log = make_log(500, 400.0, 0.01, 0.0);
    struct nw_guide_curves *c = curves_of(log);
    for (size_t i = 0; i < c->lags.n; i++) {
        check_near(c->lags.dec_rad[i] / ARCSEC, 0.01 * c->lags.lag_s[i], 1e-9, "closed form");
    }
    nw_guide_curves_free(c);
    nw_guide_free(log);
}

static void test_a_turn_is_folded_on_the_period_of_the_header(void **state) {
    (void)state;
    struct nw_guide_log *log = make_log(3201, 400.0, 0.0, 0.3);
    struct nw_guide_curves *c = curves_of(log);
    check_near(c->fold.period_s, 400.0, 0.0, "header");
    assert_false(c->fold.is_found || c->fold.is_keyed);
    size_t n = 0;
    for (size_t b = 0; b < NW_GUIDE_FOLD_BINS; b++) { /* the middle of the log is a whole turn */
        check_near(c->fold.mean_rad[b] / ARCSEC, sin(c->fold.angle_rad[b]), 0.03,
                   "the sine itself; a bin is 10 degrees");
        n += c->fold.count[b];
    }
    assert_int_equal(n, 3201);
    nw_guide_curves_free(c);
    log->worm_period_s = NAN;
    c = curves_of(log);
    assert_true(isnan(c->fold.period_s));
    nw_guide_curves_free(c);
    nw_guide_free(log);
}

/* A drift far from zero, and a gap that leaves more samples late than early. */
static void test_a_turn_is_folded_about_the_line_of_its_drift(void **state) {
    (void)state;
    struct nw_guide_log *log = make_log(3201, 400.0, 0.0, 0.3);
    for (size_t i = 0; i < log->n; i++) {
        log->rows[i].ra_rad += ARCSEC * (4.0 + 0.01 * log->rows[i].t_s);
    }
    memmove(&log->rows[400], &log->rows[800], (log->n - 800) * sizeof *log->rows);
    log->n -= 400; /* two whole turns */
    struct nw_guide_curves *c = curves_of(log);
    double mean = 0.0;
    for (size_t b = 0; b < NW_GUIDE_FOLD_BINS; b++) {
        mean += c->fold.mean_rad[b] / ARCSEC / NW_GUIDE_FOLD_BINS;
    }
    for (size_t b = 0; b < NW_GUIDE_FOLD_BINS; b++) {
        check_near(c->fold.mean_rad[b] / ARCSEC - mean, sin(c->fold.angle_rad[b]), 0.03,
                   "the sine itself; a bin is 10 degrees");
    }
    nw_guide_curves_free(c);
    nw_guide_free(log);
}

static void test_pooling_weighs_by_samples(void **state) {
    (void)state;
    struct nw_guide_sub subs[3] = {0};
    struct nw_guide_analysis a = {.n_used = 100, .n_samples = 110, .duration_s = 200.0};
    struct nw_guide_analysis b = {.n_used = 300, .n_samples = 300, .duration_s = 600.0};
    a.ra = (struct nw_guide_axis){.n = 100, .rms_logged_rad = 1.0, .motion_in_sub_rad = NAN};
    b.ra = (struct nw_guide_axis){.n = 300, .rms_logged_rad = 2.0, .motion_in_sub_rad = 0.5};
    b.subs = subs;
    b.n_subs = 3;
    const struct nw_guide_result results[] = {
        {.analysis = &a}, {.analysis = NULL}, {.analysis = &b}};
    const struct nw_guide_joined joined = nw_guide_pool(results, 3);
    check_near(joined.ra.rms_logged_rad, sqrt((100.0 + 300.0 * 4.0) / 400.0), 1e-12, "closed form");
    check_near(joined.ra.motion_in_sub_rad, 0.5, 1e-12, "the only run that has it");
    assert_int_equal(joined.n_runs, 2);
    assert_int_equal(joined.n_used, 400);
    check_near(joined.duration_s, 800.0, 0.0, "sum");
}

static void test_runs_become_one_log_in_order_of_time(void **state) {
    (void)state;
    struct nw_guide_row early[2] = {{.t_s = 10.0}, {.t_s = 12.0}};
    struct nw_guide_row late[2] = {{.t_s = 30.0}, {.t_s = 32.0}};
    struct nw_guide_log a = {.rows = late, .n = 2, .has_dates = true};
    struct nw_guide_log b = {.rows = early, .n = 2, .has_dates = true};
    struct nw_guide_run items[2] = {{.log = &a, .first_line = 7}, {.log = &b}};
    char path[] = "x";
    const struct nw_guide_runs runs = {.path = path, .items = items, .n = 2};
    struct nw_guide_log *all = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_guide_concat(&runs, &all, &err), NW_OK);
    assert_int_equal(all->n, 4);
    for (size_t i = 1; i < 4; i++) {
        assert_true(all->rows[i].t_s > all->rows[i - 1].t_s);
    }
    nw_guide_free(all);
    all = NULL;
    a.has_dates = false;
    assert_int_equal(nw_guide_concat(&runs, &all, &err), NW_DATA);
    assert_string_equal(err.text,
                        "x:7: run 1 of 2 has no dates: it cannot be laid beside the others");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lags_of_a_sine_and_of_noise),
        cmocka_unit_test(test_lags_of_a_drift_are_its_rate_times_lag),
        cmocka_unit_test(test_a_turn_is_folded_on_the_period_of_the_header),
        cmocka_unit_test(test_a_turn_is_folded_about_the_line_of_its_drift),
        cmocka_unit_test(test_pooling_weighs_by_samples),
        cmocka_unit_test(test_runs_become_one_log_in_order_of_time),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
