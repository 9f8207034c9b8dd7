/* test_focus_interval.c - the best time between focus runs: closed form, brute-force nights. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#include "budget/focus_interval.h"
#include "budget/star_internal.h"
#include "check.h"
#include "star_rig.h"

static struct nw_focus_interval interval_of(struct nw_rig *rig, struct nw_setup *setup) {
    struct nw_focus_interval r;
    struct nw_err err = {0};
    if (nw_focus_interval_of(rig, setup, NAN, &r, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return r;
}

static void plain_rig(struct nw_rig *rig, struct nw_setup *setup) {
    test_star_rig(rig, setup);
    setup->focus_run_s = test_given(150.0, 0.0);
}

/* T^3 = 3 t_run/(2 q r^2) for small drifts; q from a small drift's loss. */
static void test_small_drifts_follow_the_cube_root(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct nw_err err = {0};
    double best[2];
    const double runs_s[2] = {20.0, 160.0};
    plain_rig(&rig, &setup);
    rig.site.temperature_rate_K_s.v = -4.0 / 3600.0;
    for (int i = 0; i < 2; i++) {
        double loss = NAN;
        const double try_s = 1200.0;
        setup.focus_run_s.v = runs_s[i];
        const struct nw_focus_interval r = interval_of(&rig, &setup);
        assert_int_equal(nw_focus_loss_percent(&rig, &setup, NAN, try_s, &loss, &err), NW_OK);
        const double blur = (1.0 + 0.01 * loss) / (1.0 + runs_s[i] / try_s) - 1.0;
        const double q_r2 = 3.0 * blur / (try_s * try_s);
        best[i] = cbrt(3.0 * runs_s[i] / (2.0 * q_r2));
        /* the grid steps by 9 %; discs grow less than squares inside the depth of focus */
        check_near(r.best_s / best[i], 1.0, 0.15, "closed form for small drifts");
    }
    check_near(best[1] / best[0], 2.0, 0.01, "eight times the run, twice the interval");
}

/* Nights played run by run: each run with its own error, each minute with its own blur; the depth
 * reached goes as the sum of 1/A over the minutes of imaging. */
static double played_loss(const struct star_point *point, const struct nw_focus_interval *r,
                          double repeat_m, double interval_s, gsl_rng *rng) {
    enum { TABLE = 61 };
    static double area[TABLE]; /* against defocus, 3 um a step */
    static double still = 0.0;
    const double table_step_m = 4e-6;
    if (!(still > 0.0)) {
        for (int i = 0; i < TABLE; i++) {
            struct star_point at = *point;
            struct nw_psf psf;
            struct nw_err err = {0};
            at.focus_phase = 1.0; /* a disc of the whole drift */
            at.p[STAR_P_REPEATABILITY].v = 0.0;
            at.p[STAR_P_TEMPERATURE_RATE].v = 1.0;
            at.p[STAR_P_FOCUS_INTERVAL].v = table_step_m * i / r->drift_m_per_K;
            assert_int_equal(star_compose(&at, NULL, &psf, &err), NW_OK);
            area[i] = psf.neq_area_rad2;
        }
        for (int k = 0; k < 4000; k++) { /* runs that err, no drift */
            const double x = fabs(gsl_ran_gaussian(rng, repeat_m)) / table_step_m;
            const int i = x < TABLE - 2 ? (int)x : TABLE - 2;
            still += 1.0 / (area[i] + (x - i) * (area[i + 1] - area[i])) / 4000.0;
        }
    }
    double depth = 0.0;
    double time_s = 0.0;
    for (int night = 0; night < 1500; night++) {
        const double error_m = gsl_ran_gaussian(rng, repeat_m);
        for (double t = 30.0; t < interval_s; t += 60.0) {
            const double x = fabs(error_m + r->drift_m_per_K * r->rate_K_s * t) / table_step_m;
            const int i = x < TABLE - 2 ? (int)x : TABLE - 2;
            depth += 60.0 / (area[i] + (x - i) * (area[i + 1] - area[i]));
        }
        time_s += r->run_s + 60.0 * ceil((interval_s - 30.0) / 60.0);
    }
    return 100.0 * (still / (depth / time_s) - 1.0);
}

static void test_best_interval_against_played_nights(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct star_point point;
    struct nw_err err = {0};
    plain_rig(&rig, &setup);
    rig.site.temperature_rate_K_s.v = -2.5 / 3600.0;
    const struct nw_focus_interval r = interval_of(&rig, &setup);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 11);
    star_point_of(&rig, &setup, &point);
    const double repeat_m = 0.64 * 18e-6;
    double best_loss = INFINITY;
    double best_s = NAN;
    for (double t = 1200.0; t <= 12000.0; t *= 1.15) {
        double foretold = NAN;
        const double loss = played_loss(&point, &r, repeat_m, t, rng);
        assert_int_equal(nw_focus_loss_percent(&rig, &setup, NAN, t, &foretold, &err), NW_OK);
        check_near(foretold, loss, 0.5 + 0.12 * loss, "brute-force nights");
        if (loss < best_loss) {
            best_loss = loss;
            best_s = t;
        }
    }
    const double regret = played_loss(&point, &r, repeat_m, r.best_s, rng) - best_loss;
    print_message("best: played %.0f s, foretold %.0f s, regret %.2f %% of the time\n", best_s,
                  r.best_s, regret);
    check_near(regret, 0.0, 0.3, "brute-force nights: the advice loses under 0.3 % of the time");
    assert_true(r.low_s < best_s && best_s < r.high_s);
    gsl_rng_free(rng);
}

static void test_signs_and_worth(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    plain_rig(&rig, &setup);
    const struct nw_focus_interval base = interval_of(&rig, &setup);
    assert_true(base.low_s <= base.best_s && base.best_s <= base.high_s);
    assert_true(base.worth_percent >= -1e-9);
    check_near(base.best_K, base.best_s * 1.3 / 3600.0, 1e-9, "definition");
    check_near(base.drift_m_per_K, 0.69 * 23.6e-6 * 0.64, 1e-12, "tube, m^2");
    rig.site.temperature_rate_K_s.v *= 3.0; /* faster cooling: more often */
    assert_true(interval_of(&rig, &setup).best_s < base.best_s);
    rig.site.temperature_rate_K_s.v /= 3.0;
    setup.focuser.compensation.v = 0.9; /* a focuser that follows: less often */
    assert_true(interval_of(&rig, &setup).best_s > base.best_s);
    setup.focuser.compensation.v = 0.0;
    /* a measured coefficient wins over the tube; travel counts m^2 at the sensor */
    setup.focuser.travel_per_K = (struct nw_val){-30e-6, 1e-6, NW_FROM_MEASURED};
    check_near(interval_of(&rig, &setup).drift_m_per_K, 30e-6 * 0.64, 1e-12, "m^2");
    setup.focuser.carries = NW_CARRIES_CAMERA;
    check_near(interval_of(&rig, &setup).drift_m_per_K, 30e-6, 1e-12, "the camera alone moves");
    /* nothing drifts: as seldom as was tried */
    setup.focuser.travel_per_K.v = 0.0;
    assert_true(interval_of(&rig, &setup).is_at_least);
    struct nw_focus_interval r;
    struct nw_err err = {0};
    setup.focus_run_s.v = 0.0;
    assert_int_equal(nw_focus_interval_of(&rig, &setup, NAN, &r, &err), NW_DOMAIN);
    assert_string_equal(err.text, "focus run of 0 s every 5400 s: both must be > 0");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_small_drifts_follow_the_cube_root),
        cmocka_unit_test(test_best_interval_against_played_nights),
        cmocka_unit_test(test_signs_and_worth),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
