/* test_star_width.c - the budget as a whole: totals, roundness, field, comparison, advice, what it
 * cannot tell. */
#include <math.h>

#include "check.h"

#include "budget/budget.h"
#include "star_rig.h"

#define AS TEST_ARCSEC

static struct nw_star_budget *budget_of(const struct nw_rig *rig, const struct nw_setup *setup,
                                        const struct nw_star_evidence *evidence) {
    struct nw_star_budget *budget = NULL;
    struct nw_err err = {0};
    if (nw_star_budget_new(rig, setup, evidence, NULL, 0, &budget, &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
    return budget;
}

static void test_lines_shares_and_without(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    struct nw_star_budget *b = budget_of(&rig, &setup, NULL);
    double shares = 0.0;
    for (int k = 0; k < NW_STAR_N_LINES; k++) {
        const struct nw_star_line *line = &b->lines[k];
        shares += line->share;
        assert_true(!line->is_present || line->total_without_rad < b->predicted_rad);
        assert_true(isnan(line->measured_rad) && line->why_null[0]);
        assert_true(isnan(line->attainable_rad));
    }
    check_near(shares, 1.0, 1e-9, "Shapley 1953: efficiency");
    assert_int_equal(b->limiting, NW_STAR_AIR_ABOVE);
    assert_false(b->lines[NW_STAR_COLOUR_FILTER].is_present);
    assert_false(b->lines[NW_STAR_RESAMPLING].is_present);
    assert_true(isnan(b->measured_rad) && isnan(b->unexplained_rad2));
    assert_string_equal(b->blind.why_null, "0 subs with a time and a width; it takes 8");
    assert_int_equal(b->n_unknown, 3); /* no frames, no log, sign of the tilt */
    /* the seeing, +- 30 %, moves the total more than all other lines */
    assert_true(b->predicted_sigma_rad > 0.3 * AS && b->predicted_sigma_rad < 0.8 * AS);
    nw_star_budget_free(b);
}

/* A rig with nothing but air, pixel and motion: what remains is round. */
static void bare(struct nw_rig *rig, struct nw_setup *setup, double seeing, double scale) {
    test_star_rig(rig, setup);
    rig->site.seeing_rad.v = seeing;
    rig->site.local_air_rad.v = 0.0;
    rig->mount.flexure_rad_s.v = 0.0;
    rig->mount.polar_error_rad.v = 0.0;
    setup->telescope.colour_spread_m.v = 0.0;
    setup->focuser.repeatability_m.v = 0.0;
    setup->focus_interval_s.v = 0.0;
    setup->tilt_m.v = setup->curvature_m.v = setup->astigmatism_m.v = 0.0;
    setup->decentre_coma_rad.v = 0.0;
    setup->airmass.v = 1.0;
    setup->camera.pixel_m.v = scale * setup->focal_length_m.v;
}

/* Of a star that is 2.9 arcsec wide before the mount moves it. */
static double elongation(double ra, double dec) {
    struct nw_rig rig;
    struct nw_setup setup;
    double seeing = 1.5 * AS;
    for (int i = 0; i < 12; i++) {
        bare(&rig, &setup, seeing, 1.7 * AS);
        rig.mount.motion_ra_rad.v = rig.mount.motion_dec_rad.v = 0.0;
        struct nw_star_budget *b = budget_of(&rig, &setup, NULL);
        seeing *= pow(2.9 * AS / b->predicted_rad, 1.5);
        nw_star_budget_free(b);
    }
    bare(&rig, &setup, seeing, 1.7 * AS);
    rig.mount.motion_ra_rad.v = ra * AS;
    rig.mount.motion_dec_rad.v = dec * AS;
    struct nw_star_budget *b = budget_of(&rig, &setup, NULL);
    const double ret = b->elongation_motion;
    nw_star_budget_free(b);
    return ret;
}

static void test_roundness_follows_the_difference_of_the_axes(void **state) {
    (void)state;
    check_near(elongation(0.75, 0.40), 1.11, 0.012,
               "observability note, section 18, at 2.9 arcsec");
    check_near(elongation(0.60, 0.60), 1.00, 0.002, "observability note, section 18");
}

static void test_total_guide_rms_below_0_85_costs_little(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    double width[2];
    for (int k = 0; k < 2; k++) {
        bare(&rig, &setup, 2.3 * AS, 1.7 * AS);
        /* 0.85 arcsec in both axes together as logged; a third of its variance is noise */
        const double axis = k ? 0.85 / sqrt(2.0) * sqrt(2.0 / 3.0) : 0.0;
        rig.mount.motion_ra_rad.v = rig.mount.motion_dec_rad.v = axis * AS;
        struct nw_star_budget *b = budget_of(&rig, &setup, NULL);
        width[k] = b->predicted_rad;
        nw_star_budget_free(b);
    }
    assert_true(width[1] / width[0] < 1.10); /* common practice, no source: "costs little" */
    assert_true(width[1] / width[0] > 1.01);
}

static void test_corner_blur_hides_in_large_pixels(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    double ratio[2];
    for (int k = 0; k < 2; k++) {
        test_star_rig(&rig, &setup);
        setup.curvature_m.v = 90e-6;
        setup.camera.pixel_m.v = k ? 9.0e-6 : 3.76e-6;
        setup.camera.width_px = k ? 2610 : 6248; /* the same chip */
        setup.camera.height_px = k ? 1745 : 4176;
        struct nw_star_budget *b = budget_of(&rig, &setup, NULL);
        ratio[k] = b->corner_rad / b->centre_rad;
        nw_star_budget_free(b);
    }
    /* common practice, no source: corner blur that vanishes under 9 um shows under 3.76 um */
    assert_true(ratio[0] - 1.0 > 1.3 * (ratio[1] - 1.0));
    assert_true(ratio[0] > 1.03);
}

static void test_unexplained_is_signed(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct nw_star_frame frames[3];
    test_star_rig(&rig, &setup);
    struct nw_star_budget *b = budget_of(&rig, &setup, NULL);
    const double predicted = b->predicted_rad;
    nw_star_budget_free(b);
    for (int sign = -1; sign <= 1; sign += 2) {
        for (int i = 0; i < 3; i++) {
            frames[i] = test_star_frame(1.7e9 + 310.0 * i, 1.25, predicted * (1.0 + 0.1 * sign));
        }
        const struct nw_star_evidence evidence = {.frames = frames, .n_frames = 3};
        b = budget_of(&rig, &setup, &evidence);
        check_near(b->unexplained_rad2 / (predicted * predicted), pow(1.0 + 0.1 * sign, 2.0) - 1.0,
                   1e-3, "measured^2 - predicted^2");
        assert_true(b->unexplained_sigma_rad2 > 0.0);
        assert_true(sign < 0 || b->could_hide_rad * b->could_hide_rad > b->unexplained_rad2);
        check_near(b->measured_sigma_rad / b->measured_rad,
                   hypot(0.01 / sqrt(3.0), NW_STAR_WIDTH_READING), 1e-9,
                   "standard error of a mean of equal frames, and of the reading of widths");
        nw_star_budget_free(b);
    }
}

static void test_the_air_is_never_read_off_the_widths(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct nw_star_frame frames[12];
    test_star_rig(&rig, &setup);
    double predicted[2];
    for (int k = 0; k < 2; k++) {
        for (int i = 0; i < 12; i++) {
            frames[i] = test_star_frame(1.7e9 + 310.0 * i, 1.25, (k ? 5.0 : 3.2) * AS);
        }
        const struct nw_star_evidence evidence = {.frames = frames, .n_frames = 12};
        struct nw_star_budget *b = budget_of(&rig, &setup, &evidence);
        predicted[k] = b->predicted_rad;
        assert_int_equal(b->lines[NW_STAR_AIR_ABOVE].provenance, NW_FROM_ASSUMED);
        nw_star_budget_free(b);
    }
    check_near(predicted[0], predicted[1], 0.0, "predicted and measured share no evidence");
}

static void test_motion_of_the_log_replaces_the_rigs_word(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct nw_star_frame frames[2];
    test_star_rig(&rig, &setup);
    for (int i = 0; i < 2; i++) {
        frames[i] = test_star_frame(1.7e9 + 310.0 * i, 1.25, 3.3 * AS);
        frames[i].motion_ra_rad = i ? 0.9 * AS : 0.5 * AS;
        frames[i].motion_ra_low_rad = 0.8 * frames[i].motion_ra_rad;
        frames[i].motion_ra_high_rad = 1.1 * frames[i].motion_ra_rad;
        frames[i].motion_dec_rad = frames[i].motion_dec_low_rad = frames[i].motion_dec_high_rad =
            0.4 * AS;
    }
    const struct nw_star_evidence evidence = {.frames = frames,
                                              .n_frames = 2,
                                              .has_guiding = true,
                                              .motion_ra_rad = NAN,
                                              .motion_dec_rad = NAN,
                                              .rms_logged_ra_rad = 0.9 * AS,
                                              .rms_logged_dec_rad = 0.5 * AS,
                                              .drift_dec_rad_s = 0.03 * AS,
                                              .drift_dec_sigma_rad_s = 0.001 * AS,
                                              .is_join_certain = true,
                                              .loop = {.why_backlash = "held on one flank"}};
    struct nw_star_budget *b = budget_of(&rig, &setup, &evidence);
    const struct nw_star_line *line = &b->lines[NW_STAR_MOTION];
    const double ra2 = 0.5 * (0.81 + 0.25);
    check_near(line->measured_rad / AS, NW_FWHM_PER_SIGMA * sqrt(0.5 * (ra2 + 0.16)), 1e-6,
               "variances add over subs");
    check_near(line->predicted_rad / AS, NW_FWHM_PER_SIGMA * 0.5, 1e-6, "the rig's word stays");
    assert_true(line->measured_low_rad < line->measured_rad);
    assert_true(line->measured_high_rad > line->measured_rad);
    assert_int_equal(line->provenance, NW_FROM_MEASURED);
    assert_non_null(strstr(line->detail, "as logged 0.90 and 0.50"));
    bool has_backlash = false;
    for (size_t i = 0; i < b->n_unknown; i++) {
        has_backlash = has_backlash || strstr(b->unknown[i].what, "held on one flank") != NULL;
    }
    assert_true(has_backlash);
    nw_star_budget_free(b);
    struct nw_star_evidence told = evidence;
    told.loop.is_backlash_told = true;
    b = budget_of(&rig, &setup, &told);
    for (size_t i = 0; i < b->n_unknown; i++) {
        assert_null(strstr(b->unknown[i].what, "backlash"));
    }
    nw_star_budget_free(b);
}

static void test_over_probability_is_a_gaussian_tail(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    struct nw_star_budget *b = budget_of(&rig, &setup, NULL);
    assert_true(isnan(b->over_probability));
    const double allowed = b->predicted_rad - b->predicted_sigma_rad;
    nw_star_budget_free(b);
    setup.n_allocations = 1;
    setup.allocations[0] = (struct nw_allocation){.id = "total", .fwhm_rad = allowed};
    b = budget_of(&rig, &setup, NULL);
    check_near(b->over_probability, 0.8413, 1e-3, "one sigma of a Gaussian");
    nw_star_budget_free(b);
}

static void test_a_change_is_worth_what_its_noise_area_says(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_rig rig_then;
    struct nw_setup setup;
    struct nw_setup then;
    test_star_rig(&rig, &setup);
    setup.tilt_m.v = 120e-6;
    test_star_rig(&rig_then, &then);
    then.tilt_m.v = 5e-6;
    const struct nw_change changes[] = {{.name = "shim", .effort = "adjustment"},
                                        {.name = "nothing", .effort = "setting"}};
    const struct nw_star_alternative alternatives[] = {{&changes[0], &rig_then, &then},
                                                       {&changes[1], &rig, &setup}};
    struct nw_star_budget *now = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_star_budget_new(&rig, &setup, NULL, alternatives, 2, &now, &err), NW_OK);
    struct nw_star_budget *after = budget_of(&rig_then, &then, NULL);
    assert_int_equal(now->n_advice, 1);
    assert_int_equal(now->n_leave, 1);
    check_near(now->leave[0].time_percent_point, 0.0, 1e-12, "no change, no worth");
    const struct nw_star_advice *advice = &now->advice[0];
    assert_ptr_equal(advice->change, &changes[0]);
    assert_int_equal(advice->line, NW_STAR_TILT_CURVATURE);
    check_near(advice->time_percent_point,
               100.0 * (1.0 - after->whole.neq_area_rad2 / now->whole.neq_area_rad2), 1e-9,
               "King 1983: time ~ 1 / integral psf^2");
    check_near(advice->total_then_rad, after->predicted_rad, 1e-12, "the changed rig's own budget");
    check_near(advice->time_percent_extended, 0.0, 0.0, "extended light does not feel the width");
    check_near(now->lines[NW_STAR_TILT_CURVATURE].attainable_rad,
               after->lines[NW_STAR_TILT_CURVATURE].alone_rad, 1e-12, "attainable by the shim");
    assert_true(isnan(now->lines[NW_STAR_AIR_ABOVE].attainable_rad));
    assert_non_null(strstr(advice->prediction, "would refute this"));
    nw_star_budget_free(now);
    nw_star_budget_free(after);
}

/* A line that many nights tell is as wide as they say, its error theirs; what a change of it is
 * worth follows. */
static void test_a_known_line_takes_the_place_of_its_inputs(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    struct nw_rig rig_then = rig;
    struct nw_setup then = setup;
    then.tilt_m.v = then.curvature_m.v = then.astigmatism_m.v = 0.0;
    const struct nw_change change = {.name = "shim the camera", .effort = "adjustment"};
    const struct nw_star_alternative alternative = {&change, &rig_then, &then};
    struct nw_star_budget *plain = NULL;
    struct nw_star_budget *b = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_star_budget_new(&rig, &setup, NULL, &alternative, 1, &plain, &err), NW_OK);
    const double rig_width = plain->lines[NW_STAR_TILT_CURVATURE].alone_rad;
    const struct nw_star_known known = {NW_STAR_TILT_CURVATURE, 1.7 * rig_width, 0.1 * rig_width};
    const struct nw_star_evidence evidence = {
        .known = &known, .n_known = 1, .known_basis = "many nights"};
    assert_int_equal(nw_star_budget_new(&rig, &setup, &evidence, &alternative, 1, &b, &err), NW_OK);
    const struct nw_star_line *const line = &b->lines[NW_STAR_TILT_CURVATURE];
    check_near(line->alone_rad, 1.7 * rig_width, 1e-12, "as given");
    check_near(line->measured_rad, 1.7 * rig_width, 1e-12, "as given");
    check_near(line->alone_sigma_rad, 0.1 * rig_width, 1e-12, "as given");
    check_near(line->predicted_rad, rig_width, 1e-12, "the rig file's word stays beside it");
    assert_int_equal(line->provenance, NW_FROM_MEASURED);
    assert_string_equal(line->basis, "many nights");
    check_near(b->lines[NW_STAR_FOCUS].alone_rad, plain->lines[NW_STAR_FOCUS].alone_rad, 1e-15,
               "others stay");
    /* the blur of tilt as a rig would have it whose tilt is 1.7 times as large */
    struct nw_setup steep = setup;
    steep.tilt_m.v *= 1.7;
    steep.curvature_m.v *= 1.7;
    steep.astigmatism_m.v *= 1.7;
    struct nw_star_budget *other = budget_of(&rig, &steep, NULL);
    check_near(b->predicted_rad, other->predicted_rad, 1e-4 * other->predicted_rad,
               "the same blur from larger inputs");
    assert_true(plain->n_advice + plain->n_leave == 1 && b->n_advice + b->n_leave == 1);
    const struct nw_star_advice *const was = plain->n_advice ? plain->advice : plain->leave;
    const struct nw_star_advice *const is = b->n_advice ? b->advice : b->leave;
    assert_true(is->time_percent_point > 1.5 * was->time_percent_point);
    check_near(is->total_then_rad, was->total_then_rad, 1e-9 * was->total_then_rad,
               "without the line both are alike");
    nw_star_budget_free(plain);
    nw_star_budget_free(other);
    nw_star_budget_free(b);
}

/* "Stay above 65 degrees" wins nothing in a night that was above it, and never goes beyond the
 * zenith. */
static void test_a_limit_of_airmass_wins_nothing_above_it(void **state) {
    (void)state;
    static const double AIRMASSES[] = {1.0, 1.05, 1.1, 1.3, 1.6};
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    setup.airmass.v = 1.25;
    struct nw_setup then = setup;
    then.airmass.v = 1.1;
    const struct nw_change change = {.name = "stay above 65 degrees", .effort = "setting"};
    const struct nw_star_alternative alternative = {&change, &rig, &then};
    for (size_t i = 0; i < sizeof AIRMASSES / sizeof AIRMASSES[0]; i++) {
        struct nw_star_frame frame;
        nw_star_frame_unknown(&frame);
        frame.airmass = AIRMASSES[i];
        frame.fwhm_rad = 3.0 * AS;
        const struct nw_star_evidence evidence = {
            .frames = &frame, .n_frames = 1, .motion_ra_rad = NAN, .motion_dec_rad = NAN};
        struct nw_star_budget *b = NULL;
        struct nw_err err = {0};
        assert_int_equal(nw_star_budget_new(&rig, &setup, &evidence, &alternative, 1, &b, &err),
                         NW_OK);
        const struct nw_star_advice *const advice = b->n_advice ? b->advice : b->leave;
        struct nw_setup there = setup;
        there.airmass.v = fmin(AIRMASSES[i], 1.1);
        struct nw_star_budget *best = budget_of(&rig, &there, NULL);
        check_near(advice->total_then_rad, best->predicted_rad, 1e-9 * best->predicted_rad,
                   "the rig at the airmass that remains");
        nw_star_budget_free(best);
        nw_star_budget_free(b);
    }
}

static void test_one_width_does_not_separate_air_and_focus(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct nw_star_frame frames[10];
    test_star_rig(&rig, &setup);
    setup.focus_interval_s = test_given(4.0 * 3600.0, 1.5 * 3600.0);
    for (int i = 0; i < 10; i++) {
        frames[i] = test_star_frame(1.7e9 + 310.0 * i, 1.25, 3.4 * AS);
        frames[i].fwhm_sigma_rad = 0.01 * AS;
    }
    const struct nw_star_evidence evidence = {.frames = frames, .n_frames = 10};
    struct nw_star_budget *b = budget_of(&rig, &setup, &evidence);
    bool has_focus = false;
    bool has_trail = false;
    for (size_t i = 0; i < b->n_unknown; i++) {
        has_focus = has_focus || strstr(b->unknown[i].what, "focus between runs against");
        has_trail = has_trail || strcmp(b->unknown[i].trial, "drive-off-trail") == 0;
    }
    assert_true(has_focus && has_trail);
    nw_star_budget_free(b);
}

static void test_bad_input(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    struct nw_star_budget *b = NULL;
    struct nw_err err = {0};
    test_star_rig(&rig, &setup);
    struct nw_star_frame frame = test_star_frame(1.7e9, 1.25, NAN);
    const struct nw_star_evidence evidence = {.frames = &frame, .n_frames = 1};
    assert_int_equal(nw_star_budget_new(&rig, &setup, &evidence, NULL, 0, &b, &err), NW_DATA);
    assert_string_equal(err.text, "no width in any of 1 frames: no usable stars");
    setup.telescope.aperture_m.v = NAN;
    assert_int_equal(nw_star_budget_new(&rig, &setup, NULL, NULL, 0, &b, &err), NW_DOMAIN);
    assert_non_null(strstr(err.text, "annular aperture"));
    assert_null(b);
    nw_star_budget_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lines_shares_and_without),
        cmocka_unit_test(test_roundness_follows_the_difference_of_the_axes),
        cmocka_unit_test(test_total_guide_rms_below_0_85_costs_little),
        cmocka_unit_test(test_corner_blur_hides_in_large_pixels),
        cmocka_unit_test(test_unexplained_is_signed),
        cmocka_unit_test(test_the_air_is_never_read_off_the_widths),
        cmocka_unit_test(test_motion_of_the_log_replaces_the_rigs_word),
        cmocka_unit_test(test_over_probability_is_a_gaussian_tail),
        cmocka_unit_test(test_a_change_is_worth_what_its_noise_area_says),
        cmocka_unit_test(test_a_known_line_takes_the_place_of_its_inputs),
        cmocka_unit_test(test_a_limit_of_airmass_wins_nothing_above_it),
        cmocka_unit_test(test_one_width_does_not_separate_air_and_focus),
        cmocka_unit_test(test_bad_input),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
