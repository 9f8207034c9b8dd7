/* test_gains.c - one gain for all filters or one for each: by hand from the yields of light.h. */
#include "support.h"

#include "light/gains.h"

static void give(struct nw_camera_setting *s, const char *name, double gain, double read_e,
                 double full_e) {
    *s = (struct nw_camera_setting){.gain_e_per_adu = {.v = gain},
                                    .read_noise_e = {.v = read_e},
                                    .full_scale_e = {.v = full_e}};
    nw_text_copy(s->name, sizeof s->name, name);
}

static void test_a_narrow_filter_wants_another_gain_than_a_wide_one(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    struct nw_setup s = rig->setups[0];
    /* a quiet gain of small wells, a noisy one of large wells: read noise matters in 3 nm alone */
    s.camera.n_settings = 2;
    give(&s.camera.settings[0], "large", 0.8, 12.0, 50000.0);
    give(&s.camera.settings[1], "quiet", 0.1, 1.0, 1500.0);
    const struct nw_filter *const both[2] = {&s.filters[0], &s.filters[4]};
    struct nw_light_gain_plan p;
    nw_light_gain_plan_of(rig, &s, both, NULL, 2, &p);
    assert_int_equal(p.n, 2);
    assert_string_equal(s.camera.settings[p.filters[1].own].name, "quiet");
    assert_true(p.filters[0].lost_by_one + p.filters[1].lost_by_one > 0.0 || p.is_one_enough);
    /* the loss is that of the yields: own against one */
    struct nw_light_gain_plan narrow;
    nw_light_gain_plan_of(rig, &s, &both[1], NULL, 1, &narrow);
    assert_int_equal(narrow.one, narrow.filters[0].own);
    check_near(narrow.lost_by_one, 0.0, 0.003, "alone, its own is the one");
    assert_true(narrow.is_one_enough);
    /* weighed by exposure: next to nothing of the night in one filter cannot ask for a gain */
    const double shares[2] = {0.999, 0.001};
    nw_light_gain_plan_of(rig, &s, both, shares, 2, &p);
    assert_true(p.is_one_enough);
    assert_int_equal(p.one, p.filters[0].own);
    check_near(p.lost_by_one, 0.999 * p.filters[0].lost_by_one + 0.001 * p.filters[1].lost_by_one,
               1e-12, "weighed mean");
    nw_rig_free(rig);
}

static void test_it_pays_when_neither_serves_both(void **state) {
    (void)state;
    struct nw_rig *const rig = demo_rig();
    struct nw_setup s = rig->setups[0];
    s.camera.n_settings = 2;
    /* wells of 60 e: a wide filter fills them at once with sky, so that pauses eat the night */
    give(&s.camera.settings[0], "large", 0.8, 25.0, 90000.0);
    give(&s.camera.settings[1], "quiet", 0.01, 0.8, 60.0);
    const struct nw_filter *const both[2] = {&s.filters[0], &s.filters[4]};
    struct nw_light_gain_plan p;
    nw_light_gain_plan_of(rig, &s, both, NULL, 2, &p);
    assert_false(p.is_one_enough);
    assert_true(p.filters[0].own != p.filters[1].own);
    check_near(p.lost_by_one, 0.5 * (p.filters[0].lost_by_one + p.filters[1].lost_by_one), 1e-12,
               "equal shares");
    assert_true(p.lost_by_one > 0.01);
    /* nothing documented, nothing to choose */
    s.camera.n_settings = 0;
    nw_light_gain_plan_of(rig, &s, both, NULL, 2, &p);
    assert_true(p.one == SIZE_MAX && p.n == 0 && isnan(p.lost_by_one));
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_narrow_filter_wants_another_gain_than_a_wide_one),
        cmocka_unit_test(test_it_pays_when_neither_serves_both),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
