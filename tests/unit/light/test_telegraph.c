/* test_telegraph.c - pixels that switch between two levels, drawn here: two levels, one particle,
 * noise without levels, a slow rise, values between the levels; how often quiet pixels are taken
 * for one (nothing of synth). */
#include "check.h"

#include <gsl/gsl_randist.h>
#include <stdlib.h>

#include "light/sensor.h"

enum { SIDE = 160, N_BIAS = 2, N_DARK = 24, N_FLAT = 2, N = N_BIAS + N_DARK + N_FLAT };
static const double GAIN_e = 0.5, READ_e = 2.0, OFFSET_adu = 500.0;

/* Pixels with a story, in electrons above the offset in dark k. */
enum story { QUIET, HALF, RARE, BETWEEN, HIT, BROAD, RISING, SMALL, N_STORIES };
static enum story story_of(size_t at) {
    return at % 97 == 13 ? (enum story)(1 + at / 97 % (N_STORIES - 1)) : QUIET;
}
static double charge_e(enum story story, size_t k, gsl_rng *rng) {
    switch (story) {
    case HALF:
        return k % 2 ? 40.0 : 0.0;
    case RARE:
        return k % 6 == 0 ? 40.0 : 0.0; /* four of twenty-four */
    case BETWEEN:
        return k == 3 || k == 9 ? 20.0 : k % 2 ? 40.0 : 0.0;
    case HIT:
        return k == 7 ? 200.0 : 0.0;
    case BROAD:
        return gsl_ran_gaussian(rng, 25.0);
    case RISING:
        return 3.0 * (double)k;
    case SMALL:
        return k % 2 ? 3.0 : 0.0; /* one and a half of the noise: too small */
    case QUIET:
    case N_STORIES:
        break;
    }
    return 0.0;
}

struct set {
    struct nw_sensor_frame frames[N];
    bool has_stories, has_colours, is_still; /* darks without noise of their own */
    size_t n;
};

static enum nw_status make(void *user, size_t i, struct nw_frame **ret, struct nw_err *err) {
    const struct set *const set = user;
    const enum nw_frame_use use = set->frames[i].use;
    struct nw_frame *const frame = calloc(1, sizeof *frame);
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    (void)err;
    gsl_rng_set(rng, 77 + i);
    frame->width_px = frame->height_px = SIDE;
    frame->n_planes = 1;
    frame->px16 = nw_big_alloc(sizeof(uint16_t) * SIDE * SIDE);
    const double wander_e = gsl_ran_gaussian(rng, 0.5); /* no noise of a pixel */
    for (size_t at = 0; at < (size_t)SIDE * SIDE; at++) {
        const enum story story = set->has_stories ? story_of(at) : QUIET;
        const bool is_red = set->has_colours && at % 2 == 0 && at / SIDE % 2 == 0;
        const bool is_still = set->is_still && use == NW_USE_DARK;
        double e = is_still ? 0.0 : gsl_ran_gaussian(rng, READ_e) + wander_e;
        e += is_red ? 30.0 : 0.0;
        e += use == NW_USE_DARK ? charge_e(story, i - N_BIAS, rng) : 0.0;
        e += use == NW_USE_FLAT ? 20000.0 + gsl_ran_gaussian(rng, sqrt(20000.0)) : 0.0;
        frame->px16[at] = (uint16_t)round(fmax(0.0, e / GAIN_e + OFFSET_adu));
    }
    gsl_rng_free(rng);
    *ret = frame;
    return NW_OK;
}

static struct nw_sensor analyse(struct set *set, size_t n_darks) {
    const struct nw_sensor_source source = {make, set, NULL};
    struct nw_sensor sensor;
    struct nw_err err = {0};
    for (size_t i = 0; i < N; i++) {
        struct nw_sensor_frame *const f = &set->frames[i];
        const enum nw_frame_use use = i < N_BIAS            ? NW_USE_BIAS
                                      : i < N_BIAS + N_DARK ? NW_USE_DARK
                                                            : NW_USE_FLAT;
        *f = (struct nw_sensor_frame){.path = "drawn",
                                      .use = use,
                                      .width_px = SIDE,
                                      .height_px = SIDE,
                                      .data_max_adu = 65535.0};
        nw_frame_facts_unknown(&f->facts);
        const bool is_other = use == NW_USE_DARK && i - N_BIAS >= n_darks;
        f->facts.exposure_s = use == NW_USE_BIAS   ? 0.0
                              : use == NW_USE_FLAT ? 1.0
                              : is_other           ? 60.0
                                                   : 300.0;
        f->facts.t_start_utc_s = 1e9 + 400.0 * (double)i;
        f->facts.chip_temperature_K = 263.15;
        nw_text_copy(f->facts.bayer, sizeof f->facts.bayer, set->has_colours ? "RGGB" : "");
    }
    if (nw_sensor_analyse(set->frames, N, &source, NULL, &sensor, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return sensor;
}

static size_t count(enum story story) {
    size_t n = 0;
    for (size_t at = 0; at < (size_t)SIDE * SIDE; at++) {
        n += story_of(at) == story;
    }
    return n;
}

static void test_where_nothing_changes_no_step_is_told(void **state) {
    (void)state;
    struct set set = {.has_stories = true, .is_still = true};
    const struct nw_sensor s = analyse(&set, N_DARK);
    assert_true(isnan(s.telegraph_pixels.v) && isnan(s.noisy_pixels));
    assert_string_equal(s.telegraph_pixels.why_null,
                        "half of the pixels do not change from dark to dark: no noise to tell "
                        "steps from");
}

static void test_two_levels_alone_are_a_telegraph(void **state) {
    (void)state;
    struct set set = {.has_stories = true};
    const struct nw_sensor s = analyse(&set, N_DARK);
    const double two_levels = (double)(count(HALF) + count(RARE) + count(BETWEEN));
    assert_true(two_levels > 100.0);
    check_near(s.telegraph_pixels.v, two_levels, 0.0, "as drawn: 20 noise sigmas between levels");
    check_near(s.telegraph_step_e, 40.0, 0.5, "as drawn");
    check_near(s.hit_pixels_per_h, (double)count(HIT) * 3600.0 / (300.0 * N_DARK), 1e-9,
               "one struck frame each");
    check_near(s.noisy_pixels, (double)(count(BROAD) + count(RISING)), 2.0,
               "neither levels nor quiet; one that is drawn quiet by chance is allowed");
    check_near(s.telegraph_least_e, 5.0 * hypot(READ_e, GAIN_e / sqrt(12.0)), 0.3,
               "5 sigma of the noise, rounding included; 2 % for the gain of one pair");
    assert_int_equal(s.telegraph_darks, N_DARK);
    check_near(s.telegraph_exposure_s, 300.0, 0.0, "the darks'");
}

static void test_quiet_pixels_are_none(void **state) {
    (void)state;
    for (int colours = 0; colours < 2; colours++) {
        struct set set = {.has_colours = colours == 1};
        const struct nw_sensor s = analyse(&set, N_DARK);
        check_near(s.telegraph_pixels.v, 0.0, 0.0, "Gaussian noise has no levels");
        check_near(s.noisy_pixels, 0.0, 3.0, "a chance of 1e-5 among 25600");
        assert_true(isnan(s.telegraph_step_e));
    }
}

static void test_nineteen_are_too_few(void **state) {
    (void)state;
    struct set set = {.has_stories = true};
    const struct nw_sensor s = analyse(&set, 19);
    assert_true(isnan(s.telegraph_pixels.v));
    assert_string_equal(s.telegraph_pixels.why_null,
                        "needs 20 darks of one exposure and temperature, there are 19");
    const struct nw_sensor enough = analyse(&set, 20);
    assert_true(enough.telegraph_pixels.v > 100.0);
    assert_int_equal(enough.telegraph_darks, 20);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_where_nothing_changes_no_step_is_told),
        cmocka_unit_test(test_two_levels_alone_are_a_telegraph),
        cmocka_unit_test(test_quiet_pixels_are_none),
        cmocka_unit_test(test_nineteen_are_too_few),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
