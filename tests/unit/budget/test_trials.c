/* test_trials.c - cards, their order, and trials that are differences of widths: closed forms. */
#include "check.h"

#include "budget/trials.h"
#include "star_rig.h"

#define AS TEST_ARCSEC
enum { N = 25 };

struct world {
    struct nw_rig rig;
    struct nw_setup setup;
    struct nw_star_frame frames[N];
    double steps[N];
    const char *filters[N];
    struct nw_trial_frames given;
};

static void begin(struct world *w) {
    *w = (struct world){
        .given = {.frames = w->frames, .focuser_steps = w->steps, .filters = w->filters, .n = N}};
    test_star_rig(&w->rig, &w->setup);
    for (size_t i = 0; i < N; i++) {
        w->frames[i] = test_star_frame(1.7e9 + 120.0 * (double)i, 1.2, 3.0 * AS);
        w->steps[i] = 1000.0;
        w->filters[i] = "";
    }
}

static struct nw_trial_result solve(struct world *w, enum nw_trial_id id) {
    struct nw_trial_result result;
    struct nw_err err;
    assert_int_equal(
        nw_trial_evaluate(nw_trial_get(id), &w->rig, &w->setup, &w->given, &result, &err), NW_OK);
    return result;
}

static void test_cards_are_whole(void **state) {
    (void)state;
    for (int k = 0; k < NW_N_TRIALS; k++) {
        const enum nw_trial_id id = (enum nw_trial_id)k;
        const struct nw_trial *trial = nw_trial_get(id);
        const struct nw_trial *found = NULL;
        struct nw_err err;
        assert_int_equal(trial->id, k);
        assert_true(trial->minutes > 0.0 && trial->title && trial->steps && trial->frames);
        assert_true(trial->settles && trial->recognised && trial->evaluate && trial->quantity);
        assert_true((trial->n_terms > 0) == (trial->own_error > 0.0 || trial->whole_error > 0.0));
        assert_int_equal(nw_trial_find(nw_trial_name(id), &found, &err), NW_OK);
        assert_ptr_equal(found, trial);
    }
    const struct nw_trial *found = NULL;
    struct nw_err err;
    assert_int_equal(nw_trial_find("pair-about-focsu", &found, &err), NW_NOTFOUND);
    assert_string_equal(err.text, "no trial 'pair-about-focsu' (nearest: pair-about-focus)");
}

/* Lindley 1956: a Gaussian of variance v measured to s^2 gives 1/2 log2(1 + v / s^2) bits. */
static void test_bits_are_those_of_gaussians(void **state) {
    (void)state;
    struct world w;
    struct nw_star_budget *budget = NULL;
    struct nw_trial_rank ranks[NW_N_TRIALS];
    struct nw_err err;
    begin(&w);
    assert_int_equal(nw_star_budget_new(&w.rig, &w.setup, NULL, NULL, 0, &budget, &err), NW_OK);
    nw_trials_rank(&w.setup, budget, NULL, ranks);
    const struct nw_star_line *air = &budget->lines[NW_STAR_AIR_ABOVE];
    for (int k = 0; k < NW_N_TRIALS; k++) {
        assert_true(k == 0 || !ranks[k].is_possible || !ranks[k - 1].is_possible ||
                    ranks[k].bits_per_minute <= ranks[k - 1].bits_per_minute);
        if (ranks[k].trial->id == NW_TRIAL_DRIVE_OFF_TRAIL) {
            const double sd = 2.0 * air->alone_rad * air->alone_sigma_rad;
            const double error = 0.3 * air->alone_rad * air->alone_rad;
            const double floor_v = 0.01 * budget->predicted_rad * budget->predicted_rad;
            check_near(ranks[k].bits,
                       0.5 * log2(1.0 + sd * sd / (error * error + floor_v * floor_v)), 1e-12,
                       "Lindley 1956");
            check_near(ranks[k].sigma_then_rad2, sd * error / hypot(sd, error), 1e-9 * sd,
                       "two Gaussians combined");
        }
    }
    nw_star_budget_free(budget);
    w.setup.has_focuser = false;
    assert_int_equal(nw_star_budget_new(&w.rig, &w.setup, NULL, NULL, 0, &budget, &err), NW_OK);
    nw_trials_rank(&w.setup, budget, NULL, ranks);
    size_t n_impossible = 0;
    for (int k = 0; k < NW_N_TRIALS; k++) {
        n_impossible += !ranks[k].is_possible;
        assert_true(ranks[k].is_possible == (k < NW_N_TRIALS - 5)); /* last in the order */
        assert_true(ranks[k].is_possible || ranks[k].why_not != NULL);
    }
    assert_int_equal(n_impossible, 5); /* four of the focuser, one of two filters */
    nw_star_budget_free(budget);
}

/* What was done of late goes behind the others, unless its bits know of it. */
static void test_done_goes_behind(void **state) {
    (void)state;
    struct world w;
    struct nw_star_budget *budget = NULL;
    struct nw_err err = {0};
    struct nw_trial_rank ranks[NW_N_TRIALS];
    begin(&w);
    assert_int_equal(nw_star_budget_new(&w.rig, &w.setup, NULL, NULL, 0, &budget, &err), NW_OK);
    nw_trials_rank(&w.setup, budget, NULL, ranks);
    const enum nw_trial_id first = ranks[0].trial->id;
    nw_trials_done(ranks, nw_trial_name(first), "2026-05-14", false, "2025-06-01");
    assert_int_equal(ranks[0].trial->id, first); /* kept: its numbers are in the bits */
    assert_string_equal(ranks[0].done, "2026-05-14");
    nw_trials_done(ranks, nw_trial_name(first), "2024-05-14", true, "2025-06-01");
    assert_int_equal(ranks[0].trial->id, first); /* too long ago */
    assert_string_equal(ranks[0].done, "2026-05-14");
    nw_trials_done(ranks, nw_trial_name(first), "2026-05-15", true, "2025-06-01");
    assert_int_not_equal(ranks[0].trial->id, first); /* by hand: the nights do not know */
    nw_trials_done(ranks, "there-and-back", "2026-05-15", false, "2025-06-01");
    size_t there = 0;
    size_t only = 0;
    for (size_t k = 0; k < NW_N_TRIALS; k++) {
        there = ranks[k].trial->id == NW_TRIAL_THERE_AND_BACK ? k : there;
        only = ranks[k].trial->id == NW_TRIAL_ALTERNATING_NIGHT ? k : only;
    }
    assert_true(there > only);
    nw_star_budget_free(budget);
}

/* A straight drift of the squared width falls out of pairs; the difference comes back. */
static void test_short_and_long(void **state) {
    (void)state;
    struct world w;
    begin(&w);
    w.rig.site.wind_speed_m_s = test_given(1e4, 0.0); /* no tilt is left after 5 s of such wind */
    for (size_t i = 0; i < N; i++) {
        const bool is_long = i % 2 == 0;
        w.frames[i].exposure_s = is_long ? 110.0 : 10.0;
        w.frames[i].t_start_utc_s = 1.7e9 + 120.0 * (double)i - 0.5 * w.frames[i].exposure_s;
        w.frames[i].fwhm_rad = sqrt(9.0 + 0.05 * (double)i + (is_long ? 0.8 : 0.0)) * AS;
    }
    const struct nw_trial_result r = solve(&w, NW_TRIAL_SHORT_AND_LONG);
    assert_true(r.is_told);
    assert_int_equal(r.n_a, 13);
    assert_int_equal(r.n_b, 12);
    assert_int_equal(r.n_pairs, 13);
    /* the two ends have one neighbour: +-0.05 each, of opposite sign */
    check_near(r.rad2 / (AS * AS), 0.8, 0.02, "the difference put in; tilt left under 0.02");
    assert_true(r.foretold_rad2 > 0.0 && r.foretold_sigma_rad2 > 0.0);
}

static void test_across_a_focus_run(void **state) {
    (void)state;
    struct world w;
    begin(&w);
    for (size_t i = 0; i < N; i++) {
        w.steps[i] = 1000.0 + 20.0 * (double)(i / 6); /* a run every six subs */
        w.frames[i].fwhm_rad = sqrt(9.0 + 0.3 * (double)(i % 6)) * AS;
    }
    const struct nw_trial_result r = solve(&w, NW_TRIAL_ACROSS_A_FOCUS_RUN);
    /* the last three of six, 0.9, 1.2 and 1.5 over 9.0, against the first three of a run, 0, 0.3
     * and 0.6, on either side: 0.45, 0.9 and 1.35; in the first run, with none before,
     * 0.9, 1.2, 1.5 */
    assert_true(r.is_told);
    assert_int_equal(r.n_pairs, 12);
    check_near(r.rad2 / (AS * AS), (3.0 * 1.2 + 9.0 * 0.9) / 12.0, 1e-9, "interpolated in time");
    for (size_t i = 0; i < N; i++) {
        w.steps[i] = 1000.0;
    }
    const struct nw_trial_result none = solve(&w, NW_TRIAL_ACROSS_A_FOCUS_RUN);
    assert_false(none.is_told);
    assert_string_equal(
        none.why_null, "0 subs before a focus run beside 0 subs after it make 0 pairs, it takes 3");
}

/* Three subs against one: their scatter 0.3, the one's the same, so 0.3 sqrt(1/3 + 1); 4.303 is
 * Student's t of two degrees of freedom at 97.5 %. */
static void test_error_of_a_single_run(void **state) {
    (void)state;
    struct world w;
    begin(&w);
    w.given.n = 6;
    for (size_t i = 0; i < 6; i++) {
        w.steps[i] = i < 3 ? 1000.0 : 1020.0;
        w.frames[i].fwhm_rad = sqrt(9.0 + (i < 3 ? 0.3 * (double)i : 0.0)) * AS;
    }
    const struct nw_trial_result r = solve(&w, NW_TRIAL_ACROSS_A_FOCUS_RUN);
    const double scatter = 4.3027 / 1.96 * 0.3 * sqrt(1.0 / 3.0 + 1.0);
    /* 16 % of the usual air's square a root hour, 120, 240 and 360 s to the one */
    const double wander = 0.16 * 4.0 * pow(1.2, 1.2) * sqrt(240.0 / 3600.0);
    assert_int_equal(r.n_pairs, 3);
    check_near(r.rad2 / (AS * AS), 0.3, 1e-9, "0, 0.3 and 0.6");
    check_near(r.sigma_rad2 / (AS * AS), hypot(scatter, wander), 0.002, "as above");
}

static void test_first_and_third_hour(void **state) {
    (void)state;
    struct world w;
    begin(&w);
    for (size_t i = 0; i < N; i++) {
        w.frames[i].t_start_utc_s = 1.7e9 + 400.0 * (double)i;
        w.frames[i].fwhm_rad = (i < 5 ? sqrt(9.0 + 2.0) : 3.0) * AS + 0.001 * AS * (double)(i % 2);
    }
    const struct nw_trial_result r = solve(&w, NW_TRIAL_FIRST_AND_THIRD_HOUR);
    assert_true(r.is_told);
    check_near(r.rad2 / (AS * AS), 2.0, 0.01, "the difference put in");
    /* an hour or two apart the air itself may have changed: 16 % sqrt 2 of 9 */
    check_near(r.sigma_rad2 / (AS * AS), 0.16 * sqrt(2.0) * 9.0, 0.02,
               "common practice, no source");
}

/* Wide and narrow at one wavelength differ by nothing that is known: what was put in comes back. Of
 * another wavelength what air and aperture do there is taken off first. */
static void test_narrow_and_wide(void **state) {
    (void)state;
    struct world w;
    begin(&w);
    w.setup.filters[0] = (struct nw_filter){
        .name = "wide", .centre_m = test_given(550e-9, 0.0), .width_m = test_given(290e-9, 0.0)};
    w.setup.filters[1] = (struct nw_filter){
        .name = "narrow", .centre_m = test_given(550e-9, 0.0), .width_m = test_given(6e-9, 0.0)};
    w.setup.n_filters = 2;
    for (size_t i = 0; i < N; i++) {
        w.filters[i] = i % 2 ? "NARROW" : "wide"; /* headers shout */
        w.frames[i].fwhm_rad = sqrt(9.0 + (i % 2 ? 0.0 : 0.7)) * AS;
    }
    const struct nw_trial_result same = solve(&w, NW_TRIAL_NARROW_AND_WIDE);
    assert_true(same.is_told);
    assert_int_equal(same.n_pairs, 13);
    check_near(same.rad2 / (AS * AS), 0.7, 1e-9, "the difference put in");
    /* air goes with lambda^-0.2: at 656 nm stars are narrower by some 4 % of their air, which is
     * not the lens's colour */
    w.setup.filters[1].centre_m.v = 656e-9;
    const struct nw_trial_result red = solve(&w, NW_TRIAL_NARROW_AND_WIDE);
    assert_true(red.rad2 < same.rad2 && red.rad2 > same.rad2 - 0.6 * AS * AS);
}

/* A usual night is no trial; subs in turn are; what was not made on purpose counts when asked for.
 */
static void test_recognised(void **state) {
    (void)state;
    struct world w;
    struct nw_trial_result found[NW_TRIALS_OF_WIDTHS];
    size_t n = 9;
    struct nw_err err;
    begin(&w);
    for (size_t i = 0; i < N; i++) {
        w.frames[i].exposure_s = 300.0;
        w.frames[i].t_start_utc_s = 1.7e9 + 310.0 * (double)i;
        w.steps[i] = 1000.0 + 20.0 * (double)(i / 6); /* focus runs of every night */
    }
    assert_int_equal(nw_trials_recognise(&w.rig, &w.setup, &w.given, true, found, &n, &err), NW_OK);
    assert_int_equal(n, 0);
    assert_int_equal(nw_trials_recognise(&w.rig, &w.setup, &w.given, false, found, &n, &err),
                     NW_OK);
    assert_int_equal(n, 1);
    assert_int_equal(found[0].trial->id, NW_TRIAL_ACROSS_A_FOCUS_RUN);
    for (size_t i = 0; i < N; i++) {
        w.steps[i] = 1000.0;
        w.frames[i].exposure_s = i >= 8 && i < 16 && i % 2 ? 5.0 : 300.0;
    }
    assert_int_equal(nw_trials_recognise(&w.rig, &w.setup, &w.given, true, found, &n, &err), NW_OK);
    assert_int_equal(n, 1);
    assert_int_equal(found[0].trial->id, NW_TRIAL_SHORT_AND_LONG);
    assert_int_equal(found[0].n_b, 4);
    assert_int_equal(found[0].n_turns, 8);
    check_near(found[0].longest_b_s, 5.0, 0.0, "as put in");
    check_near(found[0].longest_a_s, 300.0, 0.0, "as put in");
    assert_int_equal(nw_trials_recognise(&w.rig, &w.setup,
                                         &(struct nw_trial_frames){.frames = w.frames, .n = 0},
                                         true, found, &n, &err),
                     NW_OK);
    assert_int_equal(n, 0);
}

static void test_others_are_sent_on(void **state) {
    (void)state;
    struct world w;
    struct nw_trial_result r;
    struct nw_err err;
    begin(&w);
    assert_int_equal(nw_trial_evaluate(nw_trial_get(NW_TRIAL_PAIR_ABOUT_FOCUS), &w.rig, &w.setup,
                                       &w.given, &r, &err),
                     NW_USAGE);
    assert_string_equal(err.text,
                        "trial pair-about-focus is evaluated by: trial pair-about-focus --frames "
                        "FRAME FRAME --rig RIG");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_cards_are_whole),
        cmocka_unit_test(test_bits_are_those_of_gaussians),
        cmocka_unit_test(test_done_goes_behind),
        cmocka_unit_test(test_short_and_long),
        cmocka_unit_test(test_across_a_focus_run),
        cmocka_unit_test(test_error_of_a_single_run),
        cmocka_unit_test(test_first_and_third_hour),
        cmocka_unit_test(test_narrow_and_wide),
        cmocka_unit_test(test_recognised),
        cmocka_unit_test(test_others_are_sent_on),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
