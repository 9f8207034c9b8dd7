/* test_there_and_back.c - trials as guide logs: what they are, and play and response that come back
 * as put in (Monte Carlo with a fixed seed); what is none. */
#include "check.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#include "guiding/there_and_back.h"

#define AS (1.0 / NW_ARCSEC_PER_RAD)
enum { N = 46 };

struct world {
    struct nw_guide_row rows[N];
    struct nw_guide_log log;
    char path[8];
};

/* Ten pulses of a second each way, one every 4 s; the motor must cross `gap_s` first. */
static void make(struct world *w, double gap_s, double response, double noise, bool before,
                 gsl_rng *rng) {
    double motor = 0.0;
    double axis = -0.4 * gap_s;
    *w = (struct world){.path = "log"};
    for (size_t i = 0; i < N; i++) {
        const size_t block = i / 10;
        const double pulse = i >= 40 ? 0.0 : block % 2 == 0 ? 1.0 : -1.0;
        struct nw_guide_row *const row = &w->rows[i];
        motor += before ? pulse : 0.0;
        axis = axis < motor - gap_s ? motor - gap_s : axis > motor ? motor : axis;
        *row = (struct nw_guide_row){.t_s = 4.0 * (double)i, .dec_pulse_s = pulse};
        row->dec_rad = 0.05 * AS * row->t_s / 4.0 + response * axis + gsl_ran_gaussian(rng, noise);
        motor += before ? 0.0 : pulse;
    }
    w->log = (struct nw_guide_log){.path = w->path, .rows = w->rows, .n = N, .worm_period_s = NAN};
}

static void test_play_comes_back(void **state) {
    (void)state;
    static struct world w;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    size_t n_inside = 0;
    double sum2 = 0.0;
    enum { TRIES = 20 };
    for (int i = 0; i < TRIES; i++) {
        struct nw_guide_there_and_back r;
        struct nw_err err;
        const double gap_s = 0.3 + 0.15 * (double)i;
        make(&w, gap_s, (i % 2 ? 7.0 : -7.0) * AS, 0.4 * AS, i % 3 == 0, rng);
        assert_int_equal(nw_guide_trial_of(&w.log, NAN), NW_GUIDE_TRIAL_THERE_AND_BACK);
        assert_int_equal(nw_guide_there_and_back(&w.log, &r, &err), NW_OK);
        assert_int_equal(r.n_turns, 3);
        check_near(r.response_rad_s / AS, i % 2 ? 7.0 : -7.0, 4.0 * r.response_sigma_rad_s / AS,
                   "as put in");
        check_near(r.gap_rad / AS, 7.0 * r.gap_s, 0.5, "gap x response");
        n_inside += gap_s >= r.gap_low_s && gap_s <= r.gap_high_s;
        sum2 += pow((r.gap_s - gap_s) / r.gap_sigma_s, 2.0);
    }
    assert_true(n_inside >= 16); /* 95 %: 19 of 20 expected */
    assert_true(sum2 / TRIES > 0.3 && sum2 / TRIES < 2.0);
    gsl_rng_free(rng);
}

static void test_no_play(void **state) {
    (void)state;
    static struct world w;
    struct nw_guide_there_and_back r;
    struct nw_err err;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    make(&w, 0.0, 7.0 * AS, 0.3 * AS, false, rng);
    assert_int_equal(nw_guide_there_and_back(&w.log, &r, &err), NW_OK);
    check_near(r.gap_low_s, 0.0, 0.0, "none was put in");
    assert_true(r.gap_high_s < 0.2);
    gsl_rng_free(rng);
}

static void test_what_is_none(void **state) {
    (void)state;
    static struct world w;
    struct nw_guide_there_and_back r;
    struct nw_err err;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    make(&w, 1.0, 0.0, 0.3 * AS, false, rng); /* the star stays */
    assert_int_equal(nw_guide_there_and_back(&w.log, &r, &err), NW_DATA);
    assert_non_null(strstr(err.text, "the star does not follow the pulses"));
    for (size_t i = 0; i < N; i++) {
        w.rows[i].dec_pulse_s = 0.0;
    }
    assert_int_equal(nw_guide_trial_of(&w.log, NAN), NW_GUIDE_TRIAL_NONE); /* too short */
    assert_int_equal(nw_guide_trial_of(&w.log, 60.0), NW_GUIDE_TRIAL_DRIVE_ONLY);
    w.log.worm_period_s = 200.0; /* the log knows better */
    assert_int_equal(nw_guide_trial_of(&w.log, 60.0), NW_GUIDE_TRIAL_NONE);
    assert_int_equal(nw_guide_there_and_back(&w.log, &r, &err), NW_DATA);
    assert_non_null(strstr(err.text, "0 pulses in declination in 0 trains"));
    for (size_t i = 0; i < N; i++) { /* guiding as usual: to and fro */
        w.rows[i].dec_pulse_s = i % 3 ? 0.2 : -0.1;
        w.rows[i].ra_pulse_s = 0.1;
    }
    assert_int_equal(nw_guide_trial_of(&w.log, 60.0), NW_GUIDE_TRIAL_NONE);
    for (size_t i = 0; i < N; i++) { /* pulses were not logged */
        w.rows[i].dec_pulse_s = w.rows[i].ra_pulse_s = NAN;
    }
    assert_int_equal(nw_guide_trial_of(&w.log, 60.0), NW_GUIDE_TRIAL_NONE);
    w.log.n = 0;
    assert_int_equal(nw_guide_trial_of(&w.log, 60.0), NW_GUIDE_TRIAL_NONE);
    gsl_rng_free(rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_play_comes_back),
        cmocka_unit_test(test_no_play),
        cmocka_unit_test(test_what_is_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
