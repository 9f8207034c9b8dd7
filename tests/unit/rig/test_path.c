/* test_path.c - the optical path of a rig file: what a corrector asks for, pieces, rings. */
#include "support.h"

#define PATH_RIG                                                                                   \
    SMALL_RIG                                                                                      \
    "correctors: {reducer: {magnification: 0.8, back_focus: {value: 55 mm, sigma: 0.1 mm}}}\n"     \
    "pieces: {wheel: {length: 20 mm}, tilter: {length: {value: 8 mm, sigma: 0.05 mm},\n"           \
    "         glass_thickness: 1 mm, glass: N-BK7}}\n"                                             \
    "spacers: {ring 5: {length: 5 mm, count: 2}, ring 1: {length: 1 mm}}\n"

static void test_pieces_and_rings_are_copied_in_order(void **state) {
    (void)state;
    struct nw_rig *const rig =
        must_read(PATH_RIG, "setups.one={telescope: tube, camera: camera, corrector: reducer, "
                            "path: [tilter, wheel], rings: [ring 5, ring 1, ring 5]}");
    const struct nw_setup *const s = &rig->setups[0];
    assert_int_equal(s->n_pieces, 2);
    assert_string_equal(s->pieces[0].name, "tilter");
    check_near(s->pieces[0].length_m.sigma, 5e-5, 1e-15, "as written");
    check_near(s->pieces[0].glass_m.v, 1e-3, 1e-15, "as written");
    assert_string_equal(s->pieces[0].glass, "N-BK7");
    assert_int_equal(s->pieces[1].glass_m.from, NW_FROM_UNKNOWN);
    assert_string_equal(s->pieces[1].glass, "unsaid");
    assert_int_equal(s->n_rings, 3);
    assert_string_equal(s->rings[2].name, "ring 5");
    assert_int_equal(rig->n_spacers, 2);
    check_near(rig->spacers[0].count.v, 2.0, 1e-12, "as written");
    check_near(rig->spacers[1].count.v, 1.0, 1e-12, "one unless it is said");
    check_near(s->corrector.back_focus_tolerance_m.v, 0.5e-3, 1e-12, "the documented default");
    assert_int_equal(s->corrector.back_focus_tolerance_m.from, NW_FROM_ASSUMED);
    assert_string_equal(s->corrector.includes_window, "unsaid");
    assert_int_equal(s->camera.flange_m.from, NW_FROM_UNKNOWN); /* never zero */
    nw_rig_free(rig);
}

static void test_refusals(void **state) {
    (void)state;
    must_refuse(PATH_RIG, "setups.one.rings=[ring 1, ring 1]", NW_DOMAIN,
                "--set: setups.one.rings: 'ring 1' is named 2 times, but you have 1 "
                "(spacers.*.count)");
    must_refuse(PATH_RIG, "setups.one.rings=[ring 2]", NW_NOTFOUND,
                "--set: setups.one.rings: 'ring 2' is not described under spacers; there is "
                "'ring 5', 'ring 1'; nearest is 'ring 5'");
    must_refuse(PATH_RIG, "setups.one.path=[wheels]", NW_NOTFOUND,
                "--set: setups.one.path: 'wheels' is not described under pieces; there is 'wheel', "
                "'tilter'; nearest is 'wheel'");
    must_refuse(PATH_RIG, "correctors.reducer.back_focus_from=thread_end", NW_NOTFOUND,
                "rig.yaml:6:14: correctors.reducer: shoulder is missing: back_focus_from is "
                "thread_end, expected the length from there to the shoulder");
    must_refuse(PATH_RIG, "pieces.wheel.glass=BK7", NW_FORMAT,
                "--set: pieces.wheel.glass: found 'BK7', expected N-BK7, fused_silica, sapphire or "
                "unsaid; nearest is 'N-BK7'");
    must_refuse(PATH_RIG, "spacers.ring 1.count=1.5", NW_DOMAIN,
                "--set: spacers.ring 1.count: 1.5 is no whole number, expected 1 to 50");
    must_refuse(PATH_RIG, "pieces.wheel={glass_thickness: 2 mm}", NW_NOTFOUND,
                "--set: pieces.wheel.length: is missing: mechanical length, shoulder to shoulder; "
                "its sigma is its tolerance, 0 mm to 2 m");
}

static void test_no_tolerance_is_assumed_where_nothing_is_asked_for(void **state) {
    (void)state;
    struct nw_rig *const rig = must_read(SMALL_RIG "correctors: {flat: {magnification: 1}}\n",
                                         "setups.one.corrector=flat");
    assert_int_equal(rig->setups[0].corrector.back_focus_tolerance_m.from, NW_FROM_UNKNOWN);
    for (size_t i = 0; i < rig->n_assumptions; i++) {
        assert_null(strstr(rig->assumptions[i].path, "back_focus"));
    }
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pieces_and_rings_are_copied_in_order),
        cmocka_unit_test(test_refusals),
        cmocka_unit_test(test_no_tolerance_is_assumed_where_nothing_is_asked_for),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
