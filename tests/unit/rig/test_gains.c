/* test_gains.c - the documented gain settings of a camera: named, in order, whole. */
#include "support.h"

#define RIG_OF(camera)                                                                             \
    "nightwright: 1\n"                                                                             \
    "site: {latitude: -32 deg, longitude: 147 deg}\n"                                              \
    "telescopes: {tube: {aperture: 80 mm, focal_length: 450 mm}}\n"                                \
    "cameras: {main: {pixel: 3.76 um, width: 600, height: 400" camera "}}\n"                       \
    "setups: {one: {telescope: tube, camera: main}}\n"

static void test_settings_are_kept_in_order(void **state) {
    (void)state;
    struct nw_rig *rig = must_read(
        RIG_OF(", settings: {low: {gain: 0.8 e/adu, read_noise: 3.5 e, full_scale: 50000 e}, "
               "high: {gain: 0.25 e/adu, read_noise: {value: 1.5 e, sigma: 0.1 e}, "
               "full_scale: 16000 e}}"),
        NULL);
    const struct nw_camera *const c = &nw_rig_setup(rig, NULL)->camera;
    assert_int_equal(c->n_settings, 2);
    assert_string_equal(c->settings[0].name, "low");
    assert_string_equal(c->settings[1].name, "high");
    check_near(c->settings[0].full_scale_e.v, 50000, 0.0, "as written");
    check_near(c->settings[1].gain_e_per_adu.v, 0.25, 0.0, "as written");
    check_near(c->settings[1].read_noise_e.sigma, 0.1, 1e-12, "as written");
    nw_rig_free(rig);
    rig = must_read(RIG_OF(""), NULL);
    assert_int_equal(nw_rig_setup(rig, NULL)->camera.n_settings, 0);
    nw_rig_free(rig);
}

static void test_a_setting_is_whole(void **state) {
    (void)state;
    must_refuse(
        RIG_OF(", settings: {low: {gain: 0.8 e/adu, read_noise: 3.5 e}}"), NULL, NW_NOTFOUND,
        "rig.yaml:4:70: cameras.main.settings.low.full_scale: is missing: electrons at which a "
        "pixel is full or the counts end at this setting, 10 e to 10000000 e");
    must_refuse(RIG_OF(", settings: {low: {gian: 0.8 e/adu}}"), NULL, NW_NOTFOUND,
                "rig.yaml:4:76: cameras.main.settings.low: unknown key 'gian', nearest is "
                "'gain'");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_settings_are_kept_in_order),
        cmocka_unit_test(test_a_setting_is_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
