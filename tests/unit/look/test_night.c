/* test_night.c - The analysis of a night on made-up measures: what was put in must come out. */
#include "check.h"

#include "look/look.h"

static const double START_S = 1.78e9;

/* A frame as the header of a well-behaved camera program would give it. */
static struct nw_look_frame frame_at(double t_s, double exposure_s, double fwhm_px) {
    struct nw_look_frame frame = {.width_px = 100, .height_px = 80, .n_planes = 1};
    double *const facts[] = {
        &frame.facts.gain_setting,     &frame.facts.offset_setting, &frame.facts.gain_e_per_adu,
        &frame.facts.pixel_m,          &frame.facts.focal_length_m, &frame.facts.focuser_steps,
        &frame.facts.airmass,          &frame.facts.altitude_rad,   &frame.facts.ra_rad,
        &frame.facts.dec_rad,          &frame.facts.latitude_rad,   &frame.facts.longitude_rad,
        &frame.facts.elevation_m,      &frame.facts.rotator_rad,    &frame.facts.binning,
        &frame.facts.set_temperature_K};
    for (size_t i = 0; i < sizeof facts / sizeof facts[0]; i++) {
        *facts[i] = NAN;
    }
    frame.facts.t_start_utc_s = t_s;
    frame.facts.exposure_s = exposure_s;
    frame.transmission = (struct nw_transmission){.value = NAN, .sigma = NAN, .patchy = NAN};
    frame.path = malloc(32);
    assert_non_null(frame.path);
    (void)snprintf(frame.path, 32, "f%.0f.fits", t_s - START_S);
    frame.measure = calloc(1, sizeof *frame.measure);
    assert_non_null(frame.measure);
    struct nw_measure *const m = frame.measure;
    m->fwhm_px = fwhm_px;
    m->fwhm_sigma_px = 0.01;
    m->neq_area_px2 = isfinite(fwhm_px) ? 2.0 * fwhm_px * fwhm_px : NAN;
    m->background_adu = 1000.0;
    m->noise_adu = 10.0;
    m->elongation = 1.0;
    for (size_t z = 0; z < NW_ZONES_X * NW_ZONES_Y; z++) {
        m->zones[z].fwhm_px = fwhm_px;
        m->zones[z].n = 9;
    }
    return frame;
}

static struct nw_look_frame *row_of(size_t n, double period_s, double exposure_s) {
    struct nw_look_frame *const frames = calloc(n, sizeof *frames);
    assert_non_null(frames);
    for (size_t i = 0; i < n; i++) {
        frames[i] = frame_at(START_S + period_s * (double)i, exposure_s, 3.0);
    }
    return frames;
}

static struct nw_look *analyse(struct nw_look_frame *frames, size_t n) {
    struct nw_look *look = NULL;
    assert_int_equal(nw_look_analyse(frames, n, &look, NULL), NW_OK);
    return look;
}

static void test_a_known_gap_and_the_usual_gaps(void **state) {
    (void)state;
    struct nw_look_frame *const frames = row_of(20, 310.0, 300.0);
    for (size_t i = 12; i < 20; i++) {
        frames[i].facts.t_start_utc_s += 600.0;
    }
    struct nw_look *const look = analyse(frames, 20);
    assert_int_equal(look->n_nights, 1);
    const struct nw_look_night *const night = &look->nights[0];
    assert_int_equal(night->n_subs, 20);
    check_near(night->exposing_s, 6000.0, 1e-6, "20 x 300 s");
    check_near(night->usual_gap_s, 10.0, 1e-6, "310 - 300 s");
    check_near(night->between_s, 19 * 10.0 + 600.0, 1e-6, "by hand");
    check_near(night->lost_long_s, 600.0, 1e-6, "as put in");
    check_near(night->lost_usual_s, 190.0, 1e-6, "19 x 10 s");
    assert_int_equal(night->n_long_gaps, 1);
    assert_int_equal(night->long_gaps[0].after, 11);
    assert_int_equal(night->long_gaps[0].before, 12);
    check_near(night->long_gaps[0].gap_s, 610.0, 1e-6, "as put in");
    assert_int_equal(night->every_n, 0);
    assert_int_equal(look->findings[0].id, NW_LOOK_LONG_GAPS);
    check_near(look->findings[0].cost_point, 600.0 / 6790.0, 1e-9, "by hand");
    nw_look_free(look);
}

static void test_a_dither_every_third_sub_is_a_pattern(void **state) {
    (void)state;
    struct nw_look_frame *const frames = row_of(30, 0.0, 60.0);
    double t_s = START_S;
    for (size_t i = 0; i < 30; i++) {
        frames[i].facts.t_start_utc_s = t_s;
        t_s += 60.0 + 4.0 + (i % 3 == 2 ? 15.0 : 0.0);
    }
    struct nw_look *const look = analyse(frames, 30);
    assert_int_equal(look->nights[0].every_n, 3);
    check_near(look->nights[0].every_extra_s, 15.0, 1e-6, "as put in");
    assert_int_equal(look->nights[0].n_long_gaps, 0);
    nw_look_free(look);
}

static void test_nights_part_at_four_hours_and_cameras_apart(void **state) {
    (void)state;
    struct nw_look_frame *const frames = row_of(9, 310.0, 300.0);
    for (size_t i = 3; i < 6; i++) {
        frames[i].facts.t_start_utc_s += 86400.0;
    }
    for (size_t i = 6; i < 9; i++) {
        (void)snprintf(frames[i].facts.camera, sizeof frames[i].facts.camera, "other");
    }
    struct nw_look *const look = analyse(frames, 9);
    assert_int_equal(look->n_nights, 3);
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(look->nights[i].n_subs, 3);
    }
    assert_int_equal(look->n_groups, 2);
    nw_look_free(look);
}

static void test_copies_of_a_sub_do_not_count_twice(void **state) {
    (void)state;
    struct nw_look_frame *const frames = row_of(4, 0.0, 300.0);
    frames[2].facts.t_start_utc_s = frames[3].facts.t_start_utc_s = START_S + 310.0;
    struct nw_look *const look = analyse(frames, 4);
    assert_int_equal(look->nights[0].n_overlaps, 2);
    check_near(look->nights[0].exposing_s, 600.0, 1e-6, "two subs, each twice");
    nw_look_free(look);
}

static void test_width_that_follows_the_air_costs_nothing_else(void **state) {
    (void)state;
    enum { N = 24 };
    struct nw_look_frame *const frames = row_of(N, 310.0, 300.0);
    double sum = 0.0;
    for (size_t i = 0; i < N; i++) {
        const double airmass = 1.0 + 0.04 * (double)i;
        const double fwhm_px = 2.5 * pow(airmass, 0.6);
        frames[i].facts.airmass = airmass;
        frames[i].measure->fwhm_px = fwhm_px;
        frames[i].measure->neq_area_px2 = 2.0 * fwhm_px * fwhm_px;
        sum += pow(airmass, -1.2);
    }
    struct nw_look *const look = analyse(frames, N);
    const struct nw_look_width *const width = &look->groups[0].width;
    check_near(width->exponent, 0.6, 1e-9, "closed form: ln w = ln 2.5 + 0.6 ln X");
    check_near(width->zenith_px, 2.5, 1e-9, "closed form");
    check_near(width->cost_rest, 0.0, 1e-9, "nothing is left when X^0.6 is taken out");
    check_near(width->cost_airmass, 1.0 - sum / N, 1e-9, "closed form: 1 - mean X^-1.2");
    check_near(width->per_hour.slope, 0.0, 1e-9, "no trend is left");
    assert_false(width->step.is_found);
    assert_int_equal(width->best_frame, 0);
    assert_int_equal(width->worst_frame, N - 1);
    nw_look_free(look);
}

static void test_a_trend_in_time_is_found(void **state) {
    (void)state;
    enum { N = 20 };
    struct nw_look_frame *const frames = row_of(N, 360.0, 300.0);
    for (size_t i = 0; i < N; i++) {
        frames[i].measure->fwhm_px = 3.0 * exp(0.05 * 0.1 * (double)i); /* 5 % an hour */
    }
    struct nw_look *const look = analyse(frames, N);
    check_near(look->groups[0].width.per_hour.slope, 0.05, 1e-9, "as put in, 1/h");
    nw_look_free(look);
}

static void test_a_sudden_change_is_found_where_it_is(void **state) {
    (void)state;
    enum { N = 20 };
    struct nw_look_frame *const frames = row_of(N, 310.0, 300.0);
    for (size_t i = 0; i < N; i++) {
        const double ripple = 1.0 + (i % 2 == 0 ? 0.004 : -0.004);
        frames[i].measure->fwhm_px = (i < 13 ? 3.0 : 2.4) * ripple;
    }
    struct nw_look *const look = analyse(frames, N);
    const struct nw_look_step *const step = &look->groups[0].width.step;
    assert_true(step->is_found);
    assert_int_equal(step->frame, 13);
    check_near(step->ratio, 0.8, 0.01, "2.4 / 3.0, ripple 0.4 %");
    nw_look_free(look);
}

static void test_elongation_is_the_mean_vector_not_the_mean_ratio(void **state) {
    (void)state;
    enum { N = 8 };
    struct nw_look_frame *const same = row_of(N, 310.0, 300.0);
    struct nw_look_frame *const around = row_of(N, 310.0, 300.0);
    for (size_t i = 0; i < N; i++) {
        same[i].measure->e1 = 0.0;
        same[i].measure->e2 = 0.1;
        same[i].measure->elongation = sqrt(1.1 / 0.9);
        same[i].measure->elongation_angle_rad = 0.25 * NW_PI;
        around[i].measure->e1 = 0.1 * cos(NW_PI * 2.0 * (double)i / N);
        around[i].measure->e2 = 0.1 * sin(NW_PI * 2.0 * (double)i / N);
        around[i].measure->elongation = sqrt(1.1 / 0.9);
        around[i].measure->elongation_angle_rad = NW_PI * (double)i / N;
    }
    struct nw_look *look = analyse(same, N);
    const struct nw_look_shape *shape = &look->groups[0].shape;
    check_near(shape->elongation, sqrt(1.1 / 0.9), 1e-12, "sqrt((1+e)/(1-e)), e = 0.1");
    check_near(shape->angle_rad, 0.25 * NW_PI, 1e-12, "e1 = 0, e2 > 0: 45 deg");
    check_near(shape->share_in_direction, 1.0, 0.0, "all the same way");
    check_near(shape->cost, 1.0 - sqrt(0.9 / 1.1), 1e-12, "1 - 1/elongation");
    nw_look_free(look);
    look = analyse(around, N);
    shape = &look->groups[0].shape;
    check_near(shape->elongation, 1.0, 1e-12, "directions cancel");
    check_near(shape->median_elongation, sqrt(1.1 / 0.9), 1e-12, "each frame is elongated");
    check_near(shape->cost, 0.0, 0.0, "chance is no loss");
    nw_look_free(look);
}

static void test_tilt_shows_on_its_side(void **state) {
    (void)state;
    enum { N = 6 };
    struct nw_look_frame *const frames = row_of(N, 310.0, 300.0);
    for (size_t i = 0; i < N; i++) {
        for (size_t z = 0; z < NW_ZONES_X * NW_ZONES_Y; z++) {
            const double x = ((double)(z % NW_ZONES_X) - 2.0) / 2.0; /* -1 .. 1 */
            frames[i].measure->zones[z].fwhm_px = 3.0 * (1.0 + 0.1 * x);
        }
    }
    struct nw_look *const look = analyse(frames, N);
    const struct nw_look_field *const field = &look->groups[0].field;
    /* right columns +0.05 and +0.1, left ones -0.05 and -0.1: difference of means 0.15 */
    check_near(field->right_excess, 0.15, 1e-12, "by hand");
    check_near(field->top_excess, 0.0, 1e-12, "no change along y");
    check_near(field->corner_excess, 0.0, 1e-12, "a plane has the same mean in the corners");
    check_near(field->ratio[0], 0.9, 1e-12, "left edge");
    nw_look_free(look);
}

static void test_lost_light_is_not_confused_with_airmass(void **state) {
    (void)state;
    enum { N = 20 };
    struct nw_look_frame *const frames = row_of(N, 310.0, 300.0);
    for (size_t i = 0; i < N; i++) {
        const double airmass = 1.0 + 0.05 * (double)i;
        frames[i].facts.airmass = airmass;
        frames[i].transmission.value = pow(10.0, -0.4 * 0.2 * (airmass - 1.0));
    }
    frames[7].transmission.value *= 0.5;
    struct nw_look *const look = analyse(frames, N);
    const struct nw_look_light *const light = &look->groups[0].light;
    check_near(light->slope_mag, 0.2, 1e-9, "as put in; the cloud is clipped");
    assert_int_equal(light->n_lost, 1);
    assert_int_equal(light->lost[0], 7);
    check_near(light->cost, (1.0 - 0.25) / N, 1e-9, "one frame of 20 with T^2 = 1/4");
    nw_look_free(look);
}

static void test_groups_are_what_may_be_compared(void **state) {
    (void)state;
    struct nw_look_frame *const frames = row_of(12, 310.0, 300.0);
    for (size_t i = 0; i < 12; i++) {
        (void)snprintf(frames[i].facts.filter, sizeof frames[i].facts.filter, "%s",
                       i % 3 == 0 ? "red" : "green");
    }
    frames[1].facts.exposure_s = 30.0;
    frames[2].channel = NW_CHANNEL_G;
    struct nw_look *const look = analyse(frames, 12);
    assert_int_equal(look->n_groups, 4);
    assert_string_equal(look->groups[0].filter, "green"); /* most exposure time first */
    assert_int_equal(look->groups[0].n_frames, 6);
    assert_int_equal(look->groups[1].n_frames, 4);
    double weight = 0.0;
    for (size_t g = 0; g < 4; g++) {
        for (size_t i = 0; i < look->n_findings; i++) {
            const struct nw_look_finding *const finding = &look->findings[i];
            if (!finding->is_night && finding->index == g && finding->id == NW_LOOK_ELONGATION) {
                weight += finding->weight;
            }
        }
    }
    check_near(weight, 1.0, 1e-9, "shares of the exposure time");
    nw_look_free(look);
}

static void test_changes_of_focuser_side_and_target_are_told_once(void **state) {
    (void)state;
    struct nw_look_frame *const frames = row_of(6, 310.0, 300.0);
    for (size_t i = 0; i < 6; i++) {
        frames[i].facts.focuser_steps = i < 2 ? 100.0 : i < 4 ? 120.0 : 110.0;
        (void)snprintf(frames[i].facts.tube_side, sizeof frames[i].facts.tube_side, "%s",
                       i < 3 ? "west" : "east");
    }
    struct nw_look *const look = analyse(frames, 6);
    assert_int_equal(look->n_changes, 2);
    assert_string_equal(look->changes[0].what, "focuser position");
    assert_string_equal(look->changes[0].from, "100");
    assert_string_equal(look->changes[0].to, "120");
    assert_int_equal(look->changes[0].n_changes, 2);
    assert_int_equal(look->changes[0].frame, 2);
    assert_string_equal(look->changes[1].what, "tube side");
    assert_int_equal(look->changes[1].frame, 3);
    nw_look_free(look);
}

static void test_little_or_nothing_is_no_error(void **state) {
    (void)state;
    struct nw_look *look = analyse(row_of(1, 310.0, 300.0), 1); /* one frame */
    assert_int_equal(look->groups[0].width.n, 1);
    assert_true(isnan(look->groups[0].width.cost_rest));
    assert_int_equal(look->nights[0].n_subs, 1);
    nw_look_free(look);
    look = analyse(calloc(1, sizeof(struct nw_look_frame)), 0); /* none */
    assert_int_equal(look->n_groups, 0);
    assert_int_equal(look->n_findings, 0);
    nw_look_free(look);
    struct nw_look_frame *const blind = row_of(7, 310.0, 300.0); /* no stars, no times */
    for (size_t i = 0; i < 7; i++) {
        blind[i].facts.t_start_utc_s = NAN;
        blind[i].measure->fwhm_px = blind[i].measure->neq_area_px2 = NAN;
        blind[i].measure->e1 = blind[i].measure->e2 = NAN;
        for (size_t z = 0; z < NW_ZONES_X * NW_ZONES_Y; z++) {
            blind[i].measure->zones[z].fwhm_px = NAN;
        }
    }
    look = analyse(blind, 7);
    assert_int_equal(look->n_without_time, 7);
    assert_int_equal(look->n_nights, 0);
    assert_int_equal(look->groups[0].n_without_stars, 7);
    assert_int_equal(look->groups[0].width.n, 0);
    assert_true(isnan(look->groups[0].width.median_px));
    assert_true(isnan(look->groups[0].shape.elongation));
    assert_true(isnan(look->groups[0].field.cost));
    nw_look_free(look);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_known_gap_and_the_usual_gaps),
        cmocka_unit_test(test_a_dither_every_third_sub_is_a_pattern),
        cmocka_unit_test(test_nights_part_at_four_hours_and_cameras_apart),
        cmocka_unit_test(test_copies_of_a_sub_do_not_count_twice),
        cmocka_unit_test(test_width_that_follows_the_air_costs_nothing_else),
        cmocka_unit_test(test_a_trend_in_time_is_found),
        cmocka_unit_test(test_a_sudden_change_is_found_where_it_is),
        cmocka_unit_test(test_elongation_is_the_mean_vector_not_the_mean_ratio),
        cmocka_unit_test(test_tilt_shows_on_its_side),
        cmocka_unit_test(test_lost_light_is_not_confused_with_airmass),
        cmocka_unit_test(test_groups_are_what_may_be_compared),
        cmocka_unit_test(test_changes_of_focuser_side_and_target_are_told_once),
        cmocka_unit_test(test_little_or_nothing_is_no_error),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
