/* test_blind.c - the blind half on nights made from the model itself and on nights that break it.
 */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

#include "check.h"

#include "budget/star_internal.h"
#include "star_rig.h"

#define AS TEST_ARCSEC
enum { N_SUBS = 40 };

struct night {
    struct nw_star_frame frames[N_SUBS];
    struct nw_star_evidence evidence;
};

/* A night whose seeing wanders (relative, per sqrt hour) and scatters, at rising airmass; `scale`
 * widens the true lines against what the budget believes. */
static void make_night(const struct star_point *base, double wander, double scatter,
                       const double *scale, gsl_rng *rng, struct night *night) {
    double ln_seeing = log(2.0 * AS) + gsl_ran_gaussian(rng, 0.25);
    for (int i = 0; i < N_SUBS; i++) {
        struct nw_star_frame *frame = &night->frames[i];
        *frame = test_star_frame(1.7e9 + 310.0 * i, 1.05 + 0.012 * i, NAN);
        frame->motion_ra_rad = (0.4 + 0.3 * gsl_rng_uniform(rng)) * AS;
        frame->motion_dec_rad = (0.3 + 0.2 * gsl_rng_uniform(rng)) * AS;
        ln_seeing += gsl_ran_gaussian(rng, wander * sqrt(310.0 / 3600.0));
        struct star_point point;
        struct nw_psf psf;
        star_point_at_frame(base, frame, &point);
        point.p[STAR_P_SEEING].v = exp(ln_seeing + gsl_ran_gaussian(rng, scatter));
        assert_int_equal(star_compose(&point, scale, &psf, NULL), NW_OK);
        frame->fwhm_rad = psf.fwhm_rad * (1.0 + gsl_ran_gaussian(rng, 0.005));
        frame->fwhm_sigma_rad = 0.005 * frame->fwhm_rad;
    }
    night->evidence = (struct nw_star_evidence){.frames = night->frames, .n_frames = N_SUBS};
}

static void relative_of(const struct star_point *point, double relative[NW_STAR_N_LINES]) {
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        struct star_line line;
        star_line_build((enum nw_star_line_id)k, point, &line);
        relative[k] =
            line.n ? star_line_sigma((enum nw_star_line_id)k, point) / line.width_rad : 0.0;
    }
}

static void test_band_holds_nine_of_ten(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct star_point base;
    double relative[NW_STAR_N_LINES];
    test_star_rig(&rig, &setup);
    star_point_of(&rig, &setup, &base);
    relative_of(&base, relative);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 20260514);
    size_t inside = 0;
    size_t all = 0;
    double pull2 = 0.0;
    enum { NIGHTS = 12 };
    for (int k = 0; k < NIGHTS; k++) {
        struct night night;
        struct nw_star_blind blind;
        double scale[NW_STAR_N_LINES];
        for (int i = 0; i < NW_STAR_N_LINES; i++) { /* the true lines, off by their own errors */
            scale[i] = fmax(0.1, 1.0 + gsl_ran_gaussian(rng, relative[i]));
        }
        scale[NW_STAR_AIR_ABOVE] = 1.0;
        make_night(&base, 0.03 + 0.02 * k, 0.05, scale, rng, &night);
        assert_int_equal(star_blind_run(&base, &night.evidence, relative, &blind, NULL), NW_OK);
        assert_string_equal(blind.why_null, "");
        assert_int_equal(blind.n_fitted, N_SUBS / 2);
        assert_int_equal(blind.n_judged, N_SUBS / 2);
        inside += blind.n_inside;
        all += blind.n_judged;
        pull2 += pow((blind.came_rad - blind.foretold_rad) / blind.foretold_sigma_rad, 2.0);
        free(blind.subs);
    }
    /* subs of one night share its wander, so the nights count, not the subs: 90 +- 5 % */
    check_near((double)inside / (double)all, 0.90, 0.10, "a 90 % band, 12 nights of 20 subs");
    check_near(sqrt(pull2 / NIGHTS), 1.0, 0.5, "mean foretold +- sigma, 12 nights");
    gsl_rng_free(rng);
}

static void test_steady_night_gives_the_seeing_back(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct star_point base;
    struct night night;
    struct nw_star_blind blind;
    const double relative[NW_STAR_N_LINES] = {0.0};
    test_star_rig(&rig, &setup);
    star_point_of(&rig, &setup, &base);
    for (int i = 0; i < N_SUBS; i++) { /* no noise at all: 1.6 arcsec all night */
        struct nw_star_frame *frame = &night.frames[i];
        struct star_point point;
        struct nw_psf psf;
        *frame = test_star_frame(1.7e9 + 310.0 * i, 1.05 + 0.02 * i, NAN);
        star_point_at_frame(&base, frame, &point);
        point.p[STAR_P_SEEING].v = 1.6 * AS;
        assert_int_equal(star_compose(&point, NULL, &psf, NULL), NW_OK);
        frame->fwhm_rad = psf.fwhm_rad;
        frame->fwhm_sigma_rad = 1e-4 * psf.fwhm_rad;
    }
    night.evidence = (struct nw_star_evidence){.frames = night.frames, .n_frames = N_SUBS};
    assert_int_equal(star_blind_run(&base, &night.evidence, relative, &blind, NULL), NW_OK);
    check_near(blind.seeing_rad / AS, 1.6, 2e-3, "there and back");
    check_near(blind.foretold_rad / blind.came_rad, 1.0, 2e-3, "airmass law carries it over");
    assert_int_equal(blind.n_inside, N_SUBS / 2);
    free(blind.subs);
}

/* What no line holds: the focuser slips at half time. The band must miss. */
static void test_slip_at_half_time_is_found(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct star_point base;
    struct night night;
    struct nw_star_blind blind;
    double relative[NW_STAR_N_LINES];
    test_star_rig(&rig, &setup);
    star_point_of(&rig, &setup, &base);
    relative_of(&base, relative);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 7);
    make_night(&base, 0.02, 0.02, NULL, rng, &night);
    for (int i = N_SUBS / 2; i < N_SUBS; i++) {
        night.frames[i].fwhm_rad *= 1.5;
    }
    assert_int_equal(star_blind_run(&base, &night.evidence, relative, &blind, NULL), NW_OK);
    assert_true(blind.n_inside < blind.n_judged / 4);
    assert_true(blind.came_rad - blind.foretold_rad > 3.0 * blind.foretold_sigma_rad);
    free(blind.subs);
    gsl_rng_free(rng);
}

/* The foretelling must not know the widths of the second half. */
static void test_second_half_is_not_looked_at(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct star_point base;
    struct night night;
    struct nw_star_blind blind[2];
    double relative[NW_STAR_N_LINES];
    test_star_rig(&rig, &setup);
    star_point_of(&rig, &setup, &base);
    relative_of(&base, relative);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 11);
    make_night(&base, 0.1, 0.05, NULL, rng, &night);
    for (int k = 0; k < 2; k++) {
        assert_int_equal(star_blind_run(&base, &night.evidence, relative, &blind[k], NULL), NW_OK);
        for (int i = N_SUBS / 2; i < N_SUBS; i++) { /* widths and errors in one ratio */
            night.frames[i].fwhm_rad *= 3.0;
            night.frames[i].fwhm_sigma_rad *= 3.0;
        }
    }
    check_near(blind[0].foretold_rad, blind[1].foretold_rad, 0.0, "the same foretelling");
    check_near(blind[0].subs[5].high_rad, blind[1].subs[5].high_rad, 0.0, "the same band");
    free(blind[0].subs);
    free(blind[1].subs);
    gsl_rng_free(rng);
}

static void test_too_few_and_too_narrow(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct star_point base;
    struct nw_star_frame frames[10];
    struct nw_star_blind blind;
    const double relative[NW_STAR_N_LINES] = {0.0};
    test_star_rig(&rig, &setup);
    star_point_of(&rig, &setup, &base);
    for (int i = 0; i < 10; i++) {
        frames[i] = test_star_frame(1.7e9 + 310.0 * i, 1.2, i == 3 ? NAN : 0.9 * AS);
    }
    struct nw_star_evidence evidence = {.frames = frames, .n_frames = 8};
    assert_int_equal(star_blind_run(&base, &evidence, relative, &blind, NULL), NW_OK);
    assert_string_equal(blind.why_null, "7 subs with a time and a width; it takes 8");
    assert_true(isnan(blind.foretold_rad));
    free(blind.subs);
    evidence.n_frames = 10;
    assert_int_equal(star_blind_run(&base, &evidence, relative, &blind, NULL), NW_OK);
    assert_non_null(strstr(blind.why_null, "narrower than the budget without any air"));
    free(blind.subs);
    assert_int_equal(star_blind_run(&base, NULL, relative, &blind, NULL), NW_OK);
    assert_string_equal(blind.why_null, "0 subs with a time and a width; it takes 8");
    free(blind.subs);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_band_holds_nine_of_ten),
        cmocka_unit_test(test_steady_night_gives_the_seeing_back),
        cmocka_unit_test(test_slip_at_half_time_is_found),
        cmocka_unit_test(test_second_half_is_not_looked_at),
        cmocka_unit_test(test_too_few_and_too_narrow),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
