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

/* A noisy gain of large wells, a quiet one of small wells. Read noise matters in 3 nm alone; wells
 * of 60 e are filled by a wide filter's sky at once, so that pauses eat the night. */
struct gains_case {
    struct nw_rig *rig;
    struct nw_setup setup;
    const struct nw_filter *filters[2]; /* wide, 3 nm */
};
static void begin(struct gains_case *c) {
    c->rig = demo_rig();
    c->setup = c->rig->setups[0];
    c->setup.camera.n_settings = 2;
    give(&c->setup.camera.settings[0], "large", 0.8, 25.0, 90000.0);
    give(&c->setup.camera.settings[1], "quiet", 0.01, 0.8, 60.0);
    c->filters[0] = &c->setup.filters[0];
    c->filters[1] = &c->setup.filters[4];
}

static void test_a_narrow_filter_wants_another_gain_than_a_wide_one(void **state) {
    (void)state;
    struct gains_case c;
    begin(&c);
    struct nw_light_gain_plan p;
    nw_light_gain_plan_of(c.rig, &c.setup, c.filters, NULL, 2, &p);
    assert_int_equal(p.n, 2);
    assert_string_equal(c.setup.camera.settings[p.filters[0].own].name, "large");
    assert_string_equal(c.setup.camera.settings[p.filters[1].own].name, "quiet");
    assert_true(p.filters[0].lost_by_one + p.filters[1].lost_by_one > 0.0);
    /* the loss is that of the yields: own against one */
    struct nw_light_gain_plan narrow;
    nw_light_gain_plan_of(c.rig, &c.setup, &c.filters[1], NULL, 1, &narrow);
    assert_int_equal(narrow.one, narrow.filters[0].own);
    check_near(narrow.lost_by_one, 0.0, 0.003, "alone, its own is the one");
    assert_true(narrow.is_one_enough);
    /* weighed by exposure: next to nothing of the night in one filter cannot ask for a gain */
    const double shares[2] = {0.999, 0.001};
    nw_light_gain_plan_of(c.rig, &c.setup, c.filters, shares, 2, &p);
    assert_true(p.is_one_enough);
    assert_int_equal(p.one, p.filters[0].own);
    check_near(p.lost_by_one, 0.999 * p.filters[0].lost_by_one + 0.001 * p.filters[1].lost_by_one,
               1e-12, "weighed mean");
    nw_rig_free(c.rig);
}

static void test_it_pays_when_neither_serves_both(void **state) {
    (void)state;
    struct gains_case c;
    begin(&c);
    struct nw_light_gain_plan p;
    nw_light_gain_plan_of(c.rig, &c.setup, c.filters, NULL, 2, &p);
    assert_false(p.is_one_enough);
    assert_true(p.filters[0].own != p.filters[1].own);
    check_near(p.lost_by_one, 0.5 * (p.filters[0].lost_by_one + p.filters[1].lost_by_one), 1e-12,
               "equal shares");
    assert_true(p.lost_by_one > 0.01);
    /* nothing documented, nothing to choose */
    c.setup.camera.n_settings = 0;
    nw_light_gain_plan_of(c.rig, &c.setup, c.filters, NULL, 2, &p);
    assert_true(p.one == SIZE_MAX && p.n == 0 && isnan(p.lost_by_one));
    nw_rig_free(c.rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_narrow_filter_wants_another_gain_than_a_wide_one),
        cmocka_unit_test(test_it_pays_when_neither_serves_both),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
