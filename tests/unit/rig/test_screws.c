/* test_screws.c - the screws of a camera's plate: three or four, named, with what is left out. */
#include "support.h"

#define RIG_WITH(screws)                                                                           \
    "nightwright: 1\n"                                                                             \
    "site: {latitude: -32 deg, longitude: 147 deg}\n"                                              \
    "telescopes: {tube: {aperture: 80 mm, focal_length: 450 mm}}\n"                                \
    "cameras: {camera: {pixel: 3.76 um, width: 6248, height: 4176}}\n"                             \
    "setups: {one: {telescope: tube, camera: camera, screws: {" screws "}}}\n"

static void test_screws_are_kept_in_order(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(RIG_WITH("top: {angle: 90 deg, radius: 38 mm, pitch: 0.5 mm}, "
                                            "left: {angle: 210 deg, radius: 38 mm}, "
                                            "right: {angle: 330 deg, radius: 4 cm, side: before}"),
                                   NULL);
    const struct nw_setup *setup = nw_rig_setup(rig, NULL);
    assert_int_equal(setup->n_screws, 3);
    assert_string_equal(setup->screws[0].name, "top");
    assert_string_equal(setup->screws[0].side, "behind");
    assert_string_equal(setup->screws[2].side, "before");
    check_near(setup->screws[0].angle_rad.v, 1.5707963267948966, 1e-12, "90 deg");
    check_near(setup->screws[2].radius_m.v, 0.04, 1e-12, "4 cm");
    check_near(setup->screws[0].pitch_m.v, 5e-4, 1e-15, "0.5 mm");
    assert_true(isnan(setup->screws[1].pitch_m.v));
    nw_rig_free(rig);
    rig = must_read(SMALL_RIG, NULL);
    assert_int_equal(nw_rig_setup(rig, NULL)->n_screws, 0);
    nw_rig_free(rig);
}

static void test_two_screws_make_no_plane(void **state) {
    (void)state;
    must_refuse(RIG_WITH("a: {angle: 0 deg, radius: 38 mm}, b: {angle: 180 deg, radius: 38 mm}"),
                NULL, NW_DOMAIN,
                "rig.yaml:5:49: setups.one.screws: 2 screws, expected three or four");
}

static void test_a_screw_needs_its_place(void **state) {
    (void)state;
    struct nw_err err = {0};
    struct nw_rig *rig = NULL;
    const char *const text = RIG_WITH("a: {angle: 0 deg, radius: 38 mm}, "
                                      "b: {angle: 120 deg, radius: 38 mm}, c: {angle: 240 deg}");
    assert_int_not_equal(nw_rig_parse("rig.yaml", text, strlen(text), NULL, 0, &rig, &err), NW_OK);
    assert_non_null(strstr(err.text, "setups.one.screws.c"));
    assert_non_null(strstr(err.text, "radius"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_screws_are_kept_in_order),
        cmocka_unit_test(test_two_screws_make_no_plane),
        cmocka_unit_test(test_a_screw_needs_its_place),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
