/* test_focus.c - tube, focuser and what hangs on what: against small steps in time, closed forms
 * and REFERENCES FOC-08. */
#include "support.h"

#include <math.h>

static void scene_of(struct nw_rig *rig, struct nw_setup *setup, const struct nw_synth_opts *opts,
                     struct synth_scene *ret) {
    struct nw_err err = {.text = ""};
    small_rig(rig, setup);
    setup->has_focuser = true;
    setup->focuser.step_m.v = 2e-6;
    must(nw_synth_scene_init(rig, NULL, opts, ret, &err), &err);
}

/* dT'/dt = (T - T')/lag by steps of half a second. */
static void test_a_tube_behind_its_air(void **state) {
    (void)state;
    static const char *const inject[] = {"tube_lag=30 min", "tube_warm=6 K", "air_swing=4 K"};
    struct nw_rig rig;
    struct nw_setup setup;
    struct synth_scene scene;
    struct nw_synth_opts opts = small_opts();
    opts.inject = inject;
    opts.n_inject = 3;
    scene_of(&rig, &setup, &opts, &scene);
    const double step_s = 0.5;
    double tube_K = nw_synth_temperature(&scene, 0.0) + 6.0;
    check_near(nw_synth_tube_temperature(&scene, 0.0), tube_K, 1e-9, "warm start as given");
    for (int i = 0; i < 6 * 7200; i++) {
        const double t_s = step_s * i;
        if (i % 3600 == 0) {
            check_near(nw_synth_tube_temperature(&scene, t_s), tube_K, 2e-3, "small steps");
        }
        const double air_K = nw_synth_temperature(&scene, t_s + 0.5 * step_s);
        tube_K = air_K + (tube_K - air_K) * exp(-step_s / 1800.0);
    }
    scene.focuser.lag_s = 0.0;
    check_near(nw_synth_tube_temperature(&scene, 5000.0), nw_synth_temperature(&scene, 5000.0),
               1e-12, "no lag: the air's");
}

static void test_slopes_turn_with_the_rotator_and_change_with_the_side(void **state) {
    (void)state;
    struct synth_scene scene = {.optics = {.a_m = 3e-6, .b_m = -2e-6}};
    double a = 0.0;
    double b = 0.0;
    scene.hang = (struct synth_hang){
        .rotator_rad = NAN, .focuser_tilt_m = 10e-6, .sag_m = 8e-6, .tube_side = 1};
    nw_synth_slopes(&scene, 30.0 * NW_RAD_PER_DEG, &a, &b);
    check_near(a * 1e6, 3.0 + 10.0 + 8.0 * sin(60.0 * NW_RAD_PER_DEG), 1e-9, "no rotator, sin z");
    check_near(b * 1e6, -2.0, 1e-9, "all along x");
    scene.hang.rotator_rad = NW_PI / 2.0; /* the chip's y now lies where x pointed away from */
    scene.hang.tube_side = -1;
    nw_synth_slopes(&scene, 0.0, &a, &b);
    check_near(a * 1e6, 3.0, 1e-9, "turned by 90 deg: nothing of it left along x");
    check_near(b * 1e6, -2.0 - (10.0 - 8.0), 1e-9, "along -y, sag the other way");
    nw_synth_slopes(&scene, NW_PI / 2.0, &a, &b);
    check_near(b * 1e6, -2.0 - 10.0, 1e-9, "no sag at the zenith");
}

/* A filter of 3 mm after one of 2 mm: t (1 - 1/n) more; what the rig says wins. */
static void test_filter_offsets_are_those_of_the_glass(void **state) {
    (void)state;
    static const char *const names[] = {"thin", "thick"};
    struct nw_rig rig;
    struct nw_setup setup;
    struct synth_scene scene;
    struct nw_err err = {.text = ""};
    struct nw_synth_opts opts = small_opts();
    opts.filters = names;
    opts.n_filters = 2;
    small_rig(&rig, &setup);
    setup.n_filters = 2;
    for (size_t i = 0; i < 2; i++) {
        setup.filters[i] = setup.filter;
        nw_text_copy(setup.filters[i].name, sizeof setup.filters[i].name, names[i]);
        setup.filters[i].thickness_m = (struct nw_val){i ? 3e-3 : 2e-3, NAN, NW_FROM_GIVEN};
        setup.filters[i].index.v = 1.5168;
    }
    must(nw_synth_scene_init(&rig, NULL, &opts, &scene, &err), &err);
    check_near(scene.focuser.offset_m[0], 0.0, 1e-15, "the first is the reference");
    check_near(scene.focuser.offset_m[1] * 1e3, 1.022148 - 0.681435, 1e-5, "REFERENCES FOC-08");
    setup.filters[1].focus_offset_m = (struct nw_val){70e-6, NAN, NW_FROM_MEASURED};
    must(nw_synth_scene_init(&rig, NULL, &opts, &scene, &err), &err);
    check_near(scene.focuser.offset_m[1] * 1e6, 70.0 * scene.optics.travel_factor, 1e-9,
               "as the rig says");
    opts.n_filters = 9;
    assert_int_equal(nw_synth_scene_init(&rig, NULL, &opts, &scene, &err), NW_LIMIT);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_tube_behind_its_air),
        cmocka_unit_test(test_slopes_turn_with_the_rotator_and_change_with_the_side),
        cmocka_unit_test(test_filter_offsets_are_those_of_the_glass),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
