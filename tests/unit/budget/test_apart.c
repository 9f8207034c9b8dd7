/* test_apart.c - the season on nights of known truth (tests/support/season_sim.h): the air behind
 * a width, the terms, what is foretold, what no line has; bad and empty input. Many seasons:
 * bench/apart.c. */
#include "check.h"

#include "budget/apart_internal.h"
#include "season_sim.h"

static struct season_sim sim; /* large */

static struct season_truth usual(const struct star_point *point) {
    return (struct season_truth){.n_nights = 5,
                                 .n_subs = 30,
                                 .colour = 1.0,
                                 .decentre = 1.0,
                                 .focus = 1.0,
                                 .tilt = 1.0,
                                 .motion = 1.0,
                                 .flexure = 1.0,
                                 .tilt_rad = star_field_blur(point).median_rad,
                                 .local_rad = 0.0,
                                 .settle_s = 3600.0,
                                 .night = 0.2,
                                 .wander = 0.06,
                                 .scatter = 0.02,
                                 .airmass_power = 0.6};
}

struct world {
    struct nw_rig rig;
    struct nw_setup setup;
    struct star_point point;
    struct season_truth truth;
    gsl_rng *rng;
};

static void begin(struct world *w, unsigned long seed) {
    sim_rig(&w->rig, &w->setup);
    star_point_of(&w->rig, &w->setup, &w->point);
    w->truth = usual(&w->point);
    w->rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(w->rng, seed);
}

static struct nw_apart *solve(struct world *w, const struct nw_star_known *known, size_t n_known,
                              size_t n_sweeps) {
    const struct nw_apart_evidence evidence = {
        .nights = sim.nights, .n_nights = w->truth.n_nights, .known = known, .n_known = n_known};
    const struct nw_apart_opts opts = {.n_sweeps = n_sweeps};
    struct nw_apart *season = NULL;
    struct nw_err err;
    sim_season(&w->truth, w->rng, &sim);
    assert_int_equal(nw_apart_new(&w->rig, &w->setup, &evidence, &opts, &season, &err), NW_OK);
    return season;
}

/* There and back: a sub composed with a seeing gives that seeing, at any airmass, and the slope is
 * that of composing again. */
static void test_air_behind_a_width(void **state) {
    (void)state;
    struct world w;
    begin(&w, 1);
    for (int step = 0; step < 3; step++) {
        const double airmass = 1.0 + 0.5 * step;
        double width[3];
        const double seeing[3] = {1.45 * SIM_AS, 1.5 * SIM_AS, 1.55 * SIM_AS};
        const double motion[2] = {0.3 * SIM_AS, 0.5 * SIM_AS};
        for (int i = 0; i < 3; i++) {
            const struct sim_sub sub = {.seeing_rad = seeing[i],
                                        .airmass = airmass,
                                        .defocus_m = 10e-6,
                                        .motion_rad = {motion[0], motion[1]}};
            assert_int_equal(sim_width(&w.truth, &sub, &width[i]), NW_OK);
        }
        struct nw_star_frame frame = test_star_frame(1.7e9, airmass, width[1]);
        frame.motion_ra_rad = motion[0];
        frame.motion_dec_rad = motion[1];
        frame.since_focus_s = 0.0;
        const struct nw_apart_night night = {.frames = &frame, .n = 1};
        const struct nw_apart_evidence evidence = {.nights = &night, .n_nights = 1};
        struct apart_model model;
        struct nw_err err;
        w.setup.focuser.repeatability_m = test_given(10e-6 / 0.64, 0.0);
        w.setup.telescope.expansion_per_K = test_given(0.0, 0.0);
        assert_int_equal(apart_model_new(&w.rig, &w.setup, &evidence, 0, &model, &err), NW_OK);
        struct apart_x x = model.rig;
        double air = 0.0;
        double slope = NAN;
        assert_true(apart_air_of(&model, &model.subs[0], &x, 1.0, &air, &slope));
        check_near(apart_seeing_rad(&model, air) / SIM_AS, 1.5, 0.01, "composed with 1.5 arcsec");
        check_near(slope,
                   log(width[2] / width[0]) /
                       (apart_air_value(&model, seeing[2]) - apart_air_value(&model, seeing[0])),
                   0.02 * slope, "difference of two compositions");
        apart_model_done(&model);
    }
    gsl_rng_free(w.rng);
}

/* All errors of a focus run at once against one after the other: after an hour of drift, the error
 * that undoes it and the one that doubles it are far from even. */
static void test_all_errors_of_a_run_at_once(void **state) {
    (void)state;
    struct world w;
    begin(&w, 3);
    struct nw_star_frame frame = test_star_frame(1.7e9, 1.3, 3.0 * SIM_AS);
    frame.since_focus_s = 3000.0;
    const struct nw_apart_night night = {.frames = &frame, .n = 1};
    const struct nw_apart_evidence evidence = {.nights = &night, .n_nights = 1};
    struct apart_model model;
    struct nw_err err;
    assert_int_equal(apart_model_new(&w.rig, &w.setup, &evidence, 0, &model, &err), NW_OK);
    assert_true(model.subs[0].drift_rad > model.subs[0].error_rad);
    struct apart_seen seen = {.air = 0.0};
    assert_true(apart_see(&model, &model.subs[0], &model.rig, &seen));
    for (int k = -2; k <= 2; k++) {
        const double e = 1.25 * k;
        double air = seen.air;
        double slope = NAN;
        assert_true(apart_air_of(&model, &model.subs[0], &model.rig, e, &air, &slope));
        check_near(seen.air + e * (seen.bend[0] + e * seen.bend[1]), air, 0.01, "solved there");
        check_near(log(seen.slope) + e * (seen.ln_slope[0] + e * seen.ln_slope[1]), log(slope),
                   0.03, "solved there");
    }
    assert_true(seen.bend[0] < -0.01); /* more drift, less air */
    apart_model_done(&model);
    gsl_rng_free(w.rng);
}

/* Motions of a log that differ by less than a log knows are their mean; those that differ by far
 * more stay what they are. */
static void test_noise_of_the_log_is_taken_off(void **state) {
    (void)state;
    struct world w;
    begin(&w, 5);
    struct nw_star_frame frames[8];
    const struct nw_apart_night night = {.frames = frames, .n = 8};
    const struct nw_apart_evidence evidence = {.nights = &night, .n_nights = 1};
    for (int by_far = 0; by_far < 2; by_far++) {
        struct apart_model model;
        struct nw_err err;
        for (int i = 0; i < 8; i++) {
            const double variance = 0.16 * (1.0 + (i % 2 ? 1.0 : -1.0) * (by_far ? 0.8 : 0.05));
            frames[i] = test_star_frame(1.7e9 + 310.0 * i, 1.2, 3.0 * SIM_AS);
            frames[i].motion_ra_rad = frames[i].motion_dec_rad = sqrt(variance) * SIM_AS;
        }
        assert_int_equal(apart_model_new(&w.rig, &w.setup, &evidence, 0, &model, &err), NW_OK);
        const double unit = 0.16 * SIM_AS * SIM_AS;
        /* 1 - (0.1 / sd)^2 of the departure is left, sd^2 = 8/7 of its square */
        const double left = by_far ? 0.8 * (1.0 - 0.01 / (0.64 * 8.0 / 7.0)) : 0.0;
        check_near(model.subs[0].motion_rad2 / unit, 1.0 - left, 1e-9, "closed form");
        check_near(model.subs[1].motion_rad2 / unit, 1.0 + left, 1e-9, "closed form");
        apart_model_done(&model);
    }
    gsl_rng_free(w.rng);
}

static void test_terms_hold_the_truth(void **state) {
    (void)state;
    struct world w;
    begin(&w, 7);
    w.truth.local_rad = 1.2 * SIM_AS;
    w.truth.ln_seeing = 0.1;
    struct nw_apart *s = solve(&w, NULL, 0, 700);
    const struct nw_apart_term *air = &s->terms[NW_APART_AIR];
    const struct nw_apart_term *local = &s->terms[NW_APART_LOCAL_AIR];
    assert_int_equal(s->n_nights, 5);
    assert_int_equal(s->n_subs, 150);
    assert_true(s->n_fitted > 70 && s->n_fitted < 80 && s->n_judged == s->n_subs - s->n_fitted);
    assert_true(100 * s->n_inside > 78 * s->n_judged);
    check_near(air->value, 2.0 * SIM_AS * exp(0.1), 3.0 * air->sigma, "truth");
    check_near(local->value, 1.2 * SIM_AS, 3.0 * local->sigma, "truth");
    assert_true(local->sigma < 0.6 * local->prior_sigma); /* something was learned */
    assert_true(air->sigma < 0.6 * air->prior_sigma);
    assert_true(fabs(s->unexplained_rad2) < 3.0 * s->unexplained_sigma_rad2);
    assert_true(s->settled_s > 1800.0 && s->settled_s < 6.0 * 3600.0);
    /* colour, decentre and tilt are constants all: their errors stay those of the rig file */
    const struct nw_apart_term *tilt = &s->terms[NW_APART_TILT_CURVATURE];
    assert_true(tilt->sigma > 0.6 * tilt->prior_sigma);
    nw_apart_free(s);
    gsl_rng_free(w.rng);
}

/* Too steep a law of airmass is either a pattern along it or a constant that is not there. */
static void test_air_by_another_law_is_found(void **state) {
    (void)state;
    struct world w;
    begin(&w, 11);
    w.truth.n_nights = 6;
    w.truth.airmass_power = 1.8;
    struct nw_apart *s = solve(&w, NULL, 0, 700);
    double power = NAN;
    for (size_t i = 0; i < s->n_patterns; i++) {
        power = isfinite(s->patterns[i].power) ? s->patterns[i].power : power;
    }
    assert_true(power > 0.8 && power < 2.2); /* the constant takes part of it */
    assert_true(s->n_notices > 0);
    nw_apart_free(s);
    w.truth.airmass_power = 0.6;
    s = solve(&w, NULL, 0, 700);
    assert_int_equal(s->n_notices, 0);
    nw_apart_free(s);
    gsl_rng_free(w.rng);
}

static void test_a_slipping_focuser_surprises(void **state) {
    (void)state;
    struct world w;
    begin(&w, 13);
    w.truth.n_nights = 3;
    w.truth.slip_m_per_h = 40e-6; /* at the sensor; the tube does some 10 an hour */
    struct nw_apart *s = solve(&w, NULL, 0, 700);
    const struct nw_apart_term *focus = &s->terms[NW_APART_FOCUS];
    /* the nights either widen the focus line, or show what it cannot make */
    bool is_focus = focus->surprise > 3.0;
    for (size_t i = 0; i < s->n_patterns; i++) {
        is_focus = is_focus || (strstr(s->patterns[i].along, "since the focus run") &&
                                s->patterns[i].significance > 3.0);
    }
    assert_true(is_focus);
    assert_true(s->n_notices > 0 && s->notices[0].hint != NULL);
    nw_apart_free(s);
    gsl_rng_free(w.rng);
}

static void test_what_a_trial_says_counts(void **state) {
    (void)state;
    struct world w;
    begin(&w, 17);
    w.truth.n_nights = 2;
    struct nw_apart *s = solve(&w, NULL, 0, 700);
    const double rig = s->terms[NW_APART_TILT_CURVATURE].rig;
    nw_apart_free(s);
    const struct nw_star_known known = {NW_STAR_TILT_CURVATURE, 1.3 * rig, 0.02 * rig};
    s = solve(&w, &known, 1, 700);
    const struct nw_apart_term *tilt = &s->terms[NW_APART_TILT_CURVATURE];
    check_near(tilt->value, 1.3 * rig, 0.06 * rig, "the trial's word, 0.02 of it");
    check_near(tilt->sigma, 0.02 * rig, 0.006 * rig, "the trial's error");
    check_near(tilt->rig, rig, 1e-9 * rig, "what the rig says does not change");
    nw_apart_free(s);
    gsl_rng_free(w.rng);
}

/* Motion and flexure together at half of what the rig file has: their sum comes out so. */
static void test_a_sum_that_was_told_counts(void **state) {
    (void)state;
    struct world w;
    begin(&w, 23);
    w.truth.n_nights = 2;
    sim_season(&w.truth, w.rng, &sim);
    const struct nw_apart_told told[] = {
        {.terms = {NW_APART_FOCUS}, .n = 1, .ratio = NAN, .sigma = 0.02}, /* says nothing */
        {.terms = {NW_APART_MOTION, NW_APART_FLEXURE}, .n = 2, .ratio = 0.5, .sigma = 0.02}};
    const struct nw_apart_evidence evidence = {
        .nights = sim.nights, .n_nights = 2, .told = told, .n_told = 2};
    const struct nw_apart_opts opts = {.n_sweeps = 700};
    struct nw_apart *s = NULL;
    struct nw_err err;
    assert_int_equal(nw_apart_new(&w.rig, &w.setup, &evidence, &opts, &s, &err), NW_OK);
    const struct nw_apart_term *motion = &s->terms[NW_APART_MOTION];
    const struct nw_apart_term *flexure = &s->terms[NW_APART_FLEXURE];
    const double rig = motion->rig * motion->rig + flexure->rig * flexure->rig;
    const double mean = motion->value * motion->value + motion->sigma * motion->sigma +
                        flexure->value * flexure->value + flexure->sigma * flexure->sigma;
    check_near(mean / rig, 0.5, 0.03, "the trial's word: 0.5 +- 0.02");
    assert_true(s->correlation[NW_APART_MOTION][NW_APART_FLEXURE] < -0.3); /* a sum: one or other */
    assert_true(motion->is_told && flexure->is_told);
    assert_false(s->terms[NW_APART_FOCUS].is_told); /* passed over: it says nothing */
    nw_apart_free(s);
    gsl_rng_free(w.rng);
}

/* Warmth over the air that falls by e in 1.2 settling times makes the air that the simulation has
 * (width as its power 1.2): known from a climate log, it takes the place of the hours. */
static void test_local_air_follows_the_climate_log(void **state) {
    (void)state;
    struct world w;
    static double excess_K[SIM_NIGHTS][SIM_SUBS];
    begin(&w, 29);
    w.truth.n_nights = 3;
    w.truth.local_rad = 1.2 * SIM_AS;
    sim_season(&w.truth, w.rng, &sim);
    for (size_t k = 0; k < 3; k++) {
        for (size_t i = 0; i < w.truth.n_subs; i++) {
            excess_K[k][i] = 3.0 * exp(-(310.0 * (double)i + 150.0) / (1.2 * 3600.0));
        }
        sim.nights[k].excess_K = excess_K[k];
    }
    const struct nw_apart_evidence evidence = {.nights = sim.nights, .n_nights = 3};
    const struct nw_apart_opts opts = {.n_sweeps = 1500};
    struct nw_apart *s = NULL;
    struct nw_err err;
    assert_int_equal(nw_apart_new(&w.rig, &w.setup, &evidence, &opts, &s, &err), NW_OK);
    const struct nw_apart_term *local = &s->terms[NW_APART_LOCAL_AIR];
    assert_int_equal(s->n_excess, s->n_subs);
    /* the value is that of the first sub */
    check_near(local->value, 1.2 * SIM_AS * exp(-150.0 / 3600.0), 3.0 * local->sigma, "truth");
    assert_true(local->sigma < 0.6 * local->prior_sigma);
    assert_true(s->settled_s > 1800.0 && s->settled_s < 3.0 * 3600.0);
    /* nothing is left that the settling time could tell */
    assert_true(s->terms[NW_APART_SETTLING].sigma > 0.7 * s->terms[NW_APART_SETTLING].prior_sigma);
    nw_apart_free(s);
    gsl_rng_free(w.rng);
}

/* Every other sub through a narrow band, which has no colour of the lens: what a single filter
 * never tells, the colour, comes out, since both see one air. */
static void test_two_filters_tell_the_colour(void **state) {
    (void)state;
    struct world w;
    static size_t filters[SIM_SUBS];
    static struct nw_setup setups[2];
    begin(&w, 31);
    w.truth.n_nights = 4;
    w.truth.colour = 1.4;
    sim_season(&w.truth, w.rng, &sim);
    static struct season_sim narrow;
    gsl_rng_set(w.rng, 31); /* the same air, without the colour; noise of the widths is 0.5 % */
    w.truth.colour = 1e-3;
    sim_season(&w.truth, w.rng, &narrow);
    for (size_t i = 0; i < w.truth.n_subs; i++) {
        filters[i] = i % 2;
        for (size_t k = 0; k < 4 && filters[i]; k++) {
            sim.frames[k][i] = narrow.frames[k][i];
        }
    }
    for (size_t k = 0; k < 4; k++) {
        sim.nights[k].filters = filters;
    }
    sim.frames[1][11].fwhm_rad *= 1.8; /* a knock */
    setups[0] = setups[1] = w.setup;
    setups[1].filter.width_m = test_given(6e-9, 0.0);
    struct nw_apart_evidence evidence = {
        .nights = sim.nights, .n_nights = 4, .filters = setups, .n_filters = 2};
    const struct nw_apart_opts opts = {.n_sweeps = 2000};
    struct nw_apart *s = NULL;
    struct nw_err err;
    assert_int_equal(nw_apart_new(&w.rig, &w.setup, &evidence, &opts, &s, &err), NW_OK);
    const struct nw_apart_term *colour = &s->terms[NW_APART_LENS_COLOUR];
    assert_int_equal(s->n_other_filters, 59);
    check_near(colour->value, 1.4 * colour->rig, 3.0 * colour->sigma, "truth");
    assert_true(colour->sigma < 0.8 * colour->prior_sigma); /* one filter: 1.0 of it */
    assert_int_equal(s->n_spoiled, 1); /* neighbours are those of the same filter */
    nw_apart_free(s);
    gsl_rng_free(w.rng);
}

/* Zones and elongation say what the widths do not: tilt by the drift of focus, whatever the corners
 * have in every sub; flexure by the axes, whatever stretches every star. */
static void test_zones_and_axes_tell_without_the_seeing(void **state) {
    (void)state;
    struct world w;
    begin(&w, 37);
    w.truth.n_nights = 3;
    w.truth.has_field = true;
    w.truth.stretch = 0.02;
    w.truth.tilt = 1.4;
    w.truth.bend_m = 30e-6;
    w.truth.motion = 1.2;
    w.truth.flexure = 2.0;
    w.setup.curvature_m = test_given(20e-6, 10e-6); /* as it may be, not as it is */
    sim_season(&w.truth, w.rng, &sim);
    const struct nw_apart_evidence evidence = {.nights = sim.nights, .n_nights = 3};
    struct apart_model model;
    struct nw_err err;
    assert_int_equal(apart_model_new(&w.rig, &w.setup, &evidence, 0, &model, &err), NW_OK);
    const struct nw_apart_zones *const z = &model.zones;
    const struct nw_apart_axes *const a = &model.axes;
    assert_true(z->n_subs >= 40 && z->n_runs == 6); /* two a night; judged subs say nothing */
    check_near(z->tilt_m, 1.4 * 45e-6, 2.5 * z->tilt_sigma_m, "truth");
    check_near(z->curvature_m, 30e-6, 2.5 * z->curvature_sigma_m, "truth");
    assert_true(z->tilt_sigma_m < 0.4 * z->tilt_m && z->curvature_sigma_m < 0.6 * z->curvature_m);
    assert_int_equal(a->n_subs, 45);
    assert_true(a->motion2 > 0.7 && a->motion2 < 1.5); /* 1.44, less by the log's noise */
    check_near(a->flexure2, 4.0, 2.0 * a->flexure_sigma2, "truth");
    assert_true(a->flexure2 > 2.0 * a->flexure_sigma2);
    assert_int_equal(model.n_told, 2);
    /* what is known of the product is not known of its factors */
    struct apart_x x = model.rig;
    x.v[NW_APART_FOCUS] = 0.5;
    x.v[NW_APART_TILT_CURVATURE] = model.told[0].ratio / 0.5;
    check_near(apart_told_off(&model.told[0], &x), 0.0, 1e-9, "closed form");
    for (int k = 0; k < NW_APART_N_TERMS; k++) { /* slopes are those of the thing itself */
        for (size_t i = 0; i < model.n_told; i++) {
            struct apart_x moved = x;
            moved.v[k] += 1e-6;
            check_near(
                apart_told_slope(&model.told[i], &x, k),
                1e6 * (apart_told_off(&model.told[i], &moved) - apart_told_off(&model.told[i], &x)),
                1e-3, "difference");
        }
    }
    for (size_t i = 0; i < w.truth.n_subs; i++) { /* without zones and axes nothing is told */
        for (size_t k = 0; k < 3; k++) {
            sim.frames[k][i].fwhm_centre_rad = sim.frames[k][i].e1 = NAN;
        }
    }
    apart_model_done(&model);
    assert_int_equal(apart_model_new(&w.rig, &w.setup, &evidence, 0, &model, &err), NW_OK);
    assert_int_equal(model.n_told, 0);
    assert_true(isnan(z->tilt_m) && isnan(a->flexure2));
    assert_string_equal(z->why_null, "0 subs with widths of middle and corners and a known focus "
                                     "run; it takes 12, over a drift");
    assert_string_equal(a->why_null, "0 subs with an elongation, a guide log, a time and a place; "
                                     "it takes 12");
    apart_model_done(&model);
    gsl_rng_free(w.rng);
}

/* A share of nothing is no number: what is drawn out stays unsaid. */
static void test_a_rig_without_flexure_has_no_share_of_it(void **state) {
    (void)state;
    struct world w;
    begin(&w, 41);
    w.truth.n_nights = 2;
    w.truth.has_field = true;
    w.rig.mount.flexure_rad_s = test_given(0.0, 0.0);
    sim_season(&w.truth, w.rng, &sim);
    const struct nw_apart_evidence evidence = {.nights = sim.nights, .n_nights = 2};
    struct apart_model model;
    struct nw_err err;
    assert_int_equal(apart_model_new(&w.rig, &w.setup, &evidence, 0, &model, &err), NW_OK);
    assert_true(isnan(model.axes.flexure2) && isnan(model.axes.flexure_sigma2));
    assert_string_equal(model.axes.why_null,
                        "the rig file has no flexure that could be set beside it");
    assert_true(isfinite(model.zones.tilt_m)); /* zones do not ask for it */
    apart_model_done(&model);
    gsl_rng_free(w.rng);
}

static void test_little_and_bad_input(void **state) {
    (void)state;
    struct world w;
    begin(&w, 19);
    const struct nw_apart_opts opts = {.n_sweeps = 300};
    struct nw_apart *s = NULL;
    struct nw_err err;
    struct nw_apart_evidence evidence = {.n_nights = 0};
    assert_int_equal(nw_apart_new(&w.rig, &w.setup, &evidence, &opts, &s, &err), NW_OK);
    assert_string_equal(s->why_null, "0 subs with a time and a width; it takes 24");
    nw_apart_free(s);
    w.truth.n_nights = 2;
    sim_season(&w.truth, w.rng, &sim);
    sim.frames[0][4].fwhm_rad = NAN;
    sim.frames[0][9].fwhm_rad *= 1.8; /* a gust */
    evidence = (struct nw_apart_evidence){.nights = sim.nights, .n_nights = 2};
    assert_int_equal(nw_apart_new(&w.rig, &w.setup, &evidence, &opts, &s, &err), NW_OK);
    assert_int_equal(s->n_left_out, 1);
    assert_int_equal(s->n_spoiled, 1);
    assert_int_equal(s->n_subs, 58);
    nw_apart_free(s);
    for (size_t i = 0; i < 30; i++) { /* narrower than the pixel */
        sim.frames[1][i].fwhm_rad = 0.6 * SIM_AS;
    }
    assert_int_equal(nw_apart_new(&w.rig, &w.setup, &evidence, &opts, &s, &err), NW_DATA);
    assert_string_equal(err.text, "some stars are narrower than everything but the air foretells: "
                                  "a line of the rig file is too wide, or the scale is wrong");
    evidence.n_filters = NW_APART_FILTERS + 1;
    assert_int_equal(nw_apart_new(&w.rig, &w.setup, &evidence, &opts, &s, &err), NW_DOMAIN);
    assert_string_equal(err.text, "9 filters, expected at most 8");
    const size_t filters[SIM_SUBS] = {0, 0, 2};
    sim.nights[1].filters = filters;
    evidence.n_filters = 0;
    assert_int_equal(nw_apart_new(&w.rig, &w.setup, &evidence, &opts, &s, &err), NW_DOMAIN);
    assert_string_equal(err.text, "night 2, sub 3: filter 3 of 1");
    gsl_rng_free(w.rng);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_air_behind_a_width),
        cmocka_unit_test(test_all_errors_of_a_run_at_once),
        cmocka_unit_test(test_noise_of_the_log_is_taken_off),
        cmocka_unit_test(test_terms_hold_the_truth),
        cmocka_unit_test(test_air_by_another_law_is_found),
        cmocka_unit_test(test_a_slipping_focuser_surprises),
        cmocka_unit_test(test_what_a_trial_says_counts),
        cmocka_unit_test(test_a_sum_that_was_told_counts),
        cmocka_unit_test(test_local_air_follows_the_climate_log),
        cmocka_unit_test(test_two_filters_tell_the_colour),
        cmocka_unit_test(test_zones_and_axes_tell_without_the_seeing),
        cmocka_unit_test(test_a_rig_without_flexure_has_no_share_of_it),
        cmocka_unit_test(test_little_and_bad_input),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
