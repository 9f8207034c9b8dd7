/* test_sensor.c - the camera by its own frames: published numbers, closed forms, frames of known
 * truth made here (nothing of synth). */
#include "check.h"

#include <gsl/gsl_randist.h>
#include <stdlib.h>
#include <string.h>

#include "light/sensor.h"

/* ---- A camera of known truth ---- */

struct truth {
    double gain_e, read_e, offset_adu, dark_e_s, full_e, bend, max_adu;
    double wander_e, flicker, drift_h;
    bool is_clamped;
    char pattern[8];
};
static const struct truth PLAIN = {.gain_e = 0.8,
                                   .read_e = 3.0,
                                   .offset_adu = 600.0,
                                   .dark_e_s = 0.02,
                                   .full_e = 40000.0,
                                   .max_adu = 65535.0};

enum { SIDE = 320, MAX_FRAMES = 64 };
struct set {
    struct truth t;
    struct nw_sensor_frame frames[MAX_FRAMES];
    double light_e[MAX_FRAMES];
    size_t n;
};

static struct nw_sensor_frame *add(struct set *set, enum nw_frame_use use, double exposure_s,
                                   double light_e) {
    struct nw_sensor_frame *const f = &set->frames[set->n];
    *f = (struct nw_sensor_frame){.path = "simulated",
                                  .use = use,
                                  .width_px = SIDE,
                                  .height_px = SIDE,
                                  .data_max_adu = 65535.0};
    nw_frame_facts_unknown(&f->facts);
    f->facts.exposure_s = exposure_s;
    f->facts.t_start_utc_s = 1e9 + 60.0 * (double)set->n;
    f->facts.chip_temperature_K = 263.15;
    nw_text_copy(f->facts.bayer, sizeof f->facts.bayer, set->t.pattern);
    set->light_e[set->n++] = light_e;
    return f;
}

static enum nw_status make(void *user, size_t i, struct nw_frame **ret, struct nw_err *err) {
    const struct set *const set = user;
    const struct truth *const t = &set->t;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    struct nw_frame *const frame = calloc(1, sizeof *frame);
    (void)err;
    gsl_rng_set(rng, 1000 + i);
    frame->width_px = frame->height_px = SIDE;
    frame->n_planes = 1;
    frame->px16 = nw_big_alloc(sizeof(uint16_t) * SIDE * SIDE);
    const double hours = (set->frames[i].facts.t_start_utc_s - 1e9) / 3600.0;
    const double lamp = (1.0 + t->drift_h * hours) * (1.0 + gsl_ran_gaussian(rng, t->flicker));
    const double dark = t->dark_e_s * set->frames[i].facts.exposure_s;
    const double level = gsl_ran_gaussian(rng, t->wander_e) - (t->is_clamped ? dark : 0.0);
    for (size_t k = 0; k < (size_t)SIDE * SIDE; k++) {
        const bool is_red = t->pattern[0] && k % SIDE % 2 == 0 && k / SIDE % 2 == 0;
        const double mean = set->light_e[i] * lamp * (is_red ? 0.5 : 1.0);
        double e = mean + dark > 200.0 ? mean + dark + gsl_ran_gaussian(rng, sqrt(mean + dark))
                                       : (double)gsl_ran_poisson(rng, mean + dark);
        e = e > t->full_e ? t->full_e : e;
        e *= exp(t->bend * e);
        e += gsl_ran_gaussian(rng, t->read_e) + level;
        const double adu = round(e / t->gain_e + t->offset_adu);
        frame->px16[k] = (uint16_t)(adu > t->max_adu ? t->max_adu : adu < 0.0 ? 0.0 : adu);
    }
    gsl_rng_free(rng);
    *ret = frame;
    return NW_OK;
}

static void analyse(struct set *set, struct nw_sensor *ret) {
    const struct nw_sensor_source source = {.read = make, .user = set};
    struct nw_err err = {NW_OK, ""};
    if (nw_sensor_analyse(set->frames, set->n, &source, NULL, ret, &err) != NW_OK) {
        print_error("%s\n", err.text);
        fail();
    }
}

static void add_flats(struct set *set) { /* up and down again */
    static const double SHARES[] = {0.05, 0.1, 0.25, 0.4, 0.6, 0.75, 1.3};
    for (int i = 0; i < 14; i++) {
        const double share = SHARES[i < 7 ? i : 13 - i];
        (void)add(set, NW_USE_FLAT, 10.0 * share, share * set->t.full_e);
    }
}

/* ---- Tests ---- */

static void test_two_pairs_is_pho_20(void **state) {
    (void)state;
    double gain = NAN;
    double noise = NAN;
    const double flat[2] = {21000.0, 21000.0};
    const double bias[2] = {1000.0, 1000.0};
    nw_sensor_two_pairs(flat, bias, 26000.0, 0.0, &gain, &noise);
    check_near(gain, 1.538462, 1e-5, "PHO-20: (F1 + F2 - B1 - B2) / var(F1 - F2)");
    nw_sensor_two_pairs(flat, bias, 26000.0 + 4.2426 * 4.2426, 4.2426 * 4.2426, &gain, &noise);
    check_near(noise, 4.615340, 1e-4, "PHO-20: gain sd(B1 - B2) / sqrt 2");
}

static void test_deviation_of_a_small_bend_is_its_half_range(void **state) {
    (void)state;
    /* y / S = 1 + b y, y from 5 to 95 %: the line goes through the middle */
    check_near(nw_sensor_deviation_percent(-1e-8, 1e4), 100.0 * 0.45e-4, 1e-5, "closed form");
    check_near(nw_sensor_deviation_percent(0.0, 1e4), 0.0, 1e-12, "a straight line");
}

static void test_two_flats_two_biases_give_gain_and_noise_and_say_the_rest(void **state) {
    (void)state;
    struct set set = {.t = PLAIN};
    struct nw_sensor s;
    for (int i = 0; i < 2; i++) {
        (void)add(&set, NW_USE_BIAS, 0.0, 0.0);
        (void)add(&set, NW_USE_FLAT, 4.0, 16000.0);
    }
    analyse(&set, &s);
    check_near(s.gain_e_per_adu.v, 0.8, 4.0 * s.gain_e_per_adu.sigma, "truth, 4 sigma");
    assert_true(s.gain_e_per_adu.sigma < 0.008); /* sqrt(2 / 102400) = 0.44 % */
    check_near(s.read_noise_e.v, 3.0, 0.09, "truth, 3 %");
    assert_true(isnan(s.full_scale_e.v) && strlen(s.full_scale_e.why_null) > 0);
    assert_true(isnan(s.nonlinearity_percent.v) && strlen(s.nonlinearity_percent.why_null) > 0);
    assert_true(isnan(s.doubling_K.v) && strlen(s.doubling_K.why_null) > 0);
    assert_true(isnan(s.hot_pixels.v) && strlen(s.hot_pixels.why_null) > 0);
    assert_int_equal(s.n_darks, 0);
}

static void test_full_set_with_flicker_bend_and_wander(void **state) {
    (void)state;
    struct set set = {.t = PLAIN};
    struct nw_sensor s;
    set.t.bend = log(0.98) / 40000.0; /* 2 % missing at full scale */
    set.t.flicker = 0.005;
    set.t.drift_h = 0.05;
    set.t.wander_e = 0.2;
    for (int i = 0; i < 4; i++) {
        (void)add(&set, NW_USE_BIAS, 0.0, 0.0);
    }
    for (int i = 0; i < 4; i++) {
        (void)add(&set, NW_USE_DARK, i % 2 ? 60.0 : 300.0, 0.0);
    }
    add_flats(&set);
    analyse(&set, &s);
    check_near(s.gain_e_per_adu.v, 0.8, 4.0 * s.gain_e_per_adu.sigma, "truth, 4 sigma");
    assert_true(s.gain_e_per_adu.sigma < 0.006);
    check_near(s.full_scale_e.v, 40000.0, 800.0, "truth, 2 %");
    assert_string_equal(s.full_scale_limit, "well");
    check_near(s.bend_per_adu, set.t.bend * 0.8, 4.0 * s.bend_sigma_per_adu, "truth, 4 sigma");
    check_near(s.darks[0].dark_e_s.v, 0.02, 0.001, "truth, 5 %");
    assert_true(s.largest_scaling_percent > 0.1); /* the pairs were scaled */
    assert_int_equal(s.n_notes, 0);
}

static void test_counts_that_end_are_the_converter(void **state) {
    (void)state;
    struct set set = {.t = PLAIN};
    struct nw_sensor s;
    set.t.full_e = 90000.0; /* over (65535 - 600) 0.8 = 51948 e */
    (void)add(&set, NW_USE_BIAS, 0.0, 0.0);
    (void)add(&set, NW_USE_BIAS, 0.0, 0.0);
    add_flats(&set);
    analyse(&set, &s);
    assert_string_equal(s.full_scale_limit, "adc");
    check_near(s.full_scale_adu.v, 64935.0, 0.5, "the converter's last code less the offset");
    check_near(s.full_scale_e.v, 51948.0, 0.02 * 51948.0, "truth, 2 %");
}

static void test_dark_taken_off_by_the_camera_is_found_in_the_noise(void **state) {
    (void)state;
    struct set set = {.t = PLAIN};
    struct nw_sensor s;
    set.t.is_clamped = true;
    for (int i = 0; i < 2; i++) {
        (void)add(&set, NW_USE_BIAS, 0.0, 0.0);
        (void)add(&set, NW_USE_DARK, 100.0, 0.0);
        (void)add(&set, NW_USE_DARK, 400.0, 0.0);
        (void)add(&set, NW_USE_FLAT, 1.0, 10000.0);
    }
    analyse(&set, &s);
    assert_true(s.darks[0].is_clamped && s.darks[0].is_from_variance);
    check_near(s.darks[0].dark_e_s.v, 0.02, 4.0 * s.darks[0].dark_e_s.sigma, "truth, 4 sigma");
    check_near(s.darks[0].slope_e_s.v, 0.0, 0.001, "nothing is left in the level");
    assert_int_equal(s.n_notes, 1);
}

static void test_doubling_wants_three_temperatures(void **state) {
    (void)state;
    for (size_t n_temperatures = 2; n_temperatures <= 3; n_temperatures++) {
        struct set set = {.t = PLAIN};
        struct nw_sensor s;
        set.t.dark_e_s = 0.2;
        for (int i = 0; i < 2; i++) {
            (void)add(&set, NW_USE_BIAS, 0.0, 0.0);
            (void)add(&set, NW_USE_FLAT, 1.0, 10000.0);
        }
        for (size_t k = 0; k < n_temperatures; k++) {
            for (int i = 0; i < 4; i++) { /* exposures stand for a current that doubles in 6 K */
                struct nw_sensor_frame *const f = add(&set, NW_USE_DARK, i % 2 ? 40.0 : 10.0, 0.0);
                f->facts.chip_temperature_K = 263.15 + 6.0 * (double)k;
                set.light_e[set.n - 1] = 0.2 * f->facts.exposure_s * (exp2((double)k) - 1.0);
            }
        }
        analyse(&set, &s);
        assert_int_equal(s.n_darks, n_temperatures);
        if (n_temperatures < 3) {
            assert_true(isnan(s.doubling_K.v));
        } else {
            check_near(s.doubling_K.v, 6.0, 0.3, "truth, 5 %");
        }
    }
}

static void test_colours_are_told_apart(void **state) {
    (void)state;
    struct set set = {.t = PLAIN};
    struct nw_sensor s;
    nw_text_copy(set.t.pattern, sizeof set.t.pattern, "RGGB");
    for (int i = 0; i < 2; i++) {
        (void)add(&set, NW_USE_BIAS, 0.0, 0.0);
        (void)add(&set, NW_USE_FLAT, 4.0, 16000.0);
    }
    analyse(&set, &s);
    assert_int_equal(s.n_planes, 3);
    for (size_t i = 0; i < 3; i++) {
        check_near(s.planes[i].gain_e_per_adu.v, 0.8, 4.0 * s.planes[i].gain_e_per_adu.sigma,
                   "truth, 4 sigma");
        check_near(s.planes[i].read_noise_e.v, 3.0, 0.12, "truth, 4 %");
    }
    check_near(s.levels[0].mean_adu, 20000.0, 40.0, "the brightest colour");
}

static void test_headers_that_contradict_are_reported(void **state) {
    (void)state;
    struct set set = {.t = PLAIN};
    struct nw_sensor s;
    for (int i = 0; i < 2; i++) {
        add(&set, NW_USE_BIAS, 0.0, 0.0)->facts.gain_e_per_adu = 1.6;
        (void)add(&set, NW_USE_FLAT, 4.0, 16000.0);
        (void)add(&set, NW_USE_DARK, 60.0, 20000.0); /* light got in */
    }
    struct nw_sensor_frame *const other = add(&set, NW_USE_FLAT, 4.0, 16000.0);
    other->facts.gain_setting = 200.0; /* another setting: left out */
    analyse(&set, &s);
    assert_int_equal(s.n_left_out, 1);
    assert_true(s.n_notes >= 4);
    assert_non_null(strstr(s.notes[0], "left out"));
    size_t n_gain = 0;
    size_t n_light = 0;
    for (size_t i = 0; i < s.n_notes; i++) {
        n_gain += strstr(s.notes[i], "a gain of 1.6") != NULL;
        n_light += strstr(s.notes[i], "called a dark") != NULL;
    }
    assert_int_equal(n_gain, 1);
    assert_int_equal(n_light, 2);
}

static void test_nothing_to_work_on_is_said(void **state) {
    (void)state;
    struct set set = {.t = PLAIN};
    struct nw_sensor s;
    struct nw_err err = {NW_OK, ""};
    const struct nw_sensor_source source = {.read = make, .user = &set};
    assert_int_equal(nw_sensor_analyse(set.frames, 0, &source, NULL, &s, &err), NW_DATA);
    (void)add(&set, NW_USE_BIAS, 0.0, 0.0);
    (void)add(&set, NW_USE_FLAT, 1.0, 100.0);
    assert_int_equal(nw_sensor_analyse(set.frames, set.n, &source, NULL, &s, &err), NW_DATA);
    assert_non_null(strstr(err.text, "1 bias, 0 dark, 1 flat"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_two_pairs_is_pho_20),
        cmocka_unit_test(test_deviation_of_a_small_bend_is_its_half_range),
        cmocka_unit_test(test_two_flats_two_biases_give_gain_and_noise_and_say_the_rest),
        cmocka_unit_test(test_full_set_with_flicker_bend_and_wander),
        cmocka_unit_test(test_counts_that_end_are_the_converter),
        cmocka_unit_test(test_dark_taken_off_by_the_camera_is_found_in_the_noise),
        cmocka_unit_test(test_doubling_wants_three_temperatures),
        cmocka_unit_test(test_colours_are_told_apart),
        cmocka_unit_test(test_headers_that_contradict_are_reported),
        cmocka_unit_test(test_nothing_to_work_on_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
