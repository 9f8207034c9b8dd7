/* test_aspects.c - numbers through a night: a halo that grows, gain from noise against sky, streaks
 * counted, and nothing where nothing was measured. */
#include "check.h"
#include "look/look.h"

enum { N = 12 };

static struct nw_look *look_at(bool has_aspects) {
    struct nw_look_frame *const frames = calloc(N, sizeof *frames);
    for (int i = 0; i < N; i++) {
        struct nw_look_frame *const f = &frames[i];
        char path[32];
        (void)snprintf(path, sizeof path, "light_%02d.fits", i);
        f->path = nw_strdup(path);
        f->facts.t_start_utc_s = 1.78e9 + 600.0 * i;
        f->facts.exposure_s = 300.0;
        f->width_px = 3000;
        f->height_px = 2000;
        f->n_planes = 1;
        f->transmission = (struct nw_transmission){NAN, NAN, 0, NAN};
        f->measure = calloc(1, sizeof *f->measure);
        struct nw_measure *const m = f->measure;
        m->width_px = 3000;
        m->height_px = 2000;
        m->fwhm_px = 3.0;
        m->fwhm_sigma_px = 0.01;
        m->background_adu = 1000.0 + 100.0 * i;
        m->noise_adu = sqrt((m->background_adu - 500.0) / 0.25 + 36.0);
        const double wobble = i % 2 ? 1.0 : -1.0;
        m->aspects.halo.ratio = has_aspects ? 0.03 + 0.002 * i + 0.0003 * wobble : NAN;
        m->aspects.limit.magnitude = has_aspects ? -1.5 - 0.01 * i + 0.002 * wobble : NAN;
        m->aspects.gradient.adu = has_aspects ? 20.0 + wobble : NAN;
        m->aspects.noise.pixel_adu = has_aspects ? m->noise_adu + 0.02 * wobble : NAN;
        m->aspects.n_streaks = has_aspects && i == 3 ? 2 : 0;
    }
    struct nw_look *look = NULL;
    struct nw_err err = {NW_OK, ""};
    assert_int_equal(nw_look_analyse(frames, N, &look, &err), NW_OK);
    assert_int_equal(look->n_groups, 1);
    return look;
}

static void test_trends_and_gain(void **state) {
    (void)state;
    struct nw_look *const look = look_at(true);
    const struct nw_look_aspects *const a = &look->groups[0].aspects;
    assert_int_equal(a->halo.n, N);
    check_near(a->halo.per_hour.slope, 0.012, 3.0 * a->halo.per_hour.slope_sigma,
               "0.002 every 10 min");
    assert_true(a->halo.per_hour.slope > 4.0 * a->halo.per_hour.slope_sigma);
    assert_true(a->halo.last > a->halo.first);
    check_near(a->limit_mag.per_hour.slope, -0.06, 3.0 * a->limit_mag.per_hour.slope_sigma,
               "0.01 mag every 10 min");
    assert_true(fabs(a->slope_adu.per_hour.slope) < 4.0 * a->slope_adu.per_hour.slope_sigma);
    check_near(a->gain_e_per_adu, 0.25, 4.0 * a->gain_sigma, "variance = level / gain + constant");
    assert_true(a->gain_sigma < 0.01);
    assert_int_equal(a->n_streaks, 2);
    assert_int_equal(a->n_frames_with_streaks, 1);
    nw_look_free(look);
}

static void test_what_is_not_measured_is_not_said(void **state) {
    (void)state;
    struct nw_look *const look = look_at(false);
    const struct nw_look_aspects *const a = &look->groups[0].aspects;
    assert_int_equal(a->halo.n, 0);
    assert_true(isnan(a->halo.first) && isnan(a->halo.per_hour.slope));
    assert_true(isnan(a->gain_e_per_adu));
    assert_false(a->has_causes);
    nw_look_free(look);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_trends_and_gain),
        cmocka_unit_test(test_what_is_not_measured_is_not_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
