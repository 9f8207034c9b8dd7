/* test_damp.c - surfaces, cover, room and dryer of a rig file; every refusal. */
#include "support.h"

static void test_what_follows_from_other_values(void **state) {
    (void)state;
    struct nw_rig *const rig = must_read(
        SMALL_RIG "surfaces:\n"
                  "  glass: {kind: lens, telescope: tube, area: 50 cm2, strap: 5 W}\n"
                  "  skin: {kind: tube, area: 0.2 m2, heat_capacity: 900 J/K, sky_share: 0.5}\n"
                  "cover: {area: 2 m2, heater: 25 W}\n"
                  "room: {volume: 10 m3, area: 18 m2}\n"
                  "dryer: {power: 240 W, claimed_rate: 1 kg/h}\n",
        NULL);
    const struct nw_damp *const d = &rig->damp;
    assert_true(d->is_there && d->cover.is_there && d->room.is_there && d->dryer.is_there);
    assert_int_equal(d->n_surfaces, 2);
    check_near(d->surfaces[0].area_m2.v, 5e-3, 1e-15, "50 cm2");
    /* 0.15 of 79.8 mm of glass: 2.1 MJ/m3/K */
    check_near(d->surfaces[0].heat_capacity_J_K.v, 2.1e6 * 5e-3 * 0.15 * 0.0797885, 0.01,
               "closed form");
    check_near(d->surfaces[0].sky_share.v, 0.3, 1e-12, "lens behind a shield");
    assert_int_equal(d->surfaces[0].heat_capacity_J_K.from, NW_FROM_ASSUMED);
    check_near(d->surfaces[1].heat_capacity_J_K.v, 900.0, 1e-12, "as written");
    check_near(d->surfaces[1].sky_share.v, 0.5, 1e-12, "as written");
    check_near(d->dryer.energy_J_kg.v, 6.5e6, 1.0, "middle of what was measured");
    check_near(d->dryer.claimed_rate_kg_s.v, 1.0 / 3600.0, 1e-12, "1 kg/h");
    check_near(d->room.air_changes_per_s.v, 1.5 / 3600.0, 1e-12, "default");
    check_near(d->margin_K.v, 2.0, 1e-12, "default");
    assert_string_equal(d->sky, "berdahl-martin");
    assert_string_equal(d->cover.stands, "sheltered");
    nw_rig_free(rig);
}

static void test_a_rig_without_damp_assumes_nothing(void **state) {
    (void)state;
    struct nw_rig *const rig = must_read(SMALL_RIG, NULL);
    assert_false(rig->damp.is_there);
    assert_int_equal(rig->damp.n_surfaces, 0);
    for (size_t i = 0; i < rig->n_assumptions; i++) {
        assert_null(strstr(rig->assumptions[i].path, "damp."));
        assert_null(strstr(rig->assumptions[i].path, "cover."));
    }
    nw_rig_free(rig);
}

static void test_refusals(void **state) {
    (void)state;
    must_refuse(SMALL_RIG "surfaces: {glass: {kind: lens, telescope: tub, area: 50 cm2}}\n", NULL,
                NW_NOTFOUND,
                "rig.yaml:6:32: surfaces.glass.telescope: 'tub' is not described under telescopes; "
                "nearest is 'tube'");
    must_refuse(SMALL_RIG "surfaces: {glass: {kind: lense, area: 50 cm2}}\n", NULL, NW_FORMAT,
                "rig.yaml:6:26: surfaces.glass.kind: found 'lense', expected lens, tube or other; "
                "nearest is 'lens'");
    must_refuse(SMALL_RIG "surfaces: {glass: {kind: lens}}\n", NULL, NW_NOTFOUND,
                "rig.yaml:6:12: surfaces.glass.area: is missing: its area that faces air and sky: "
                "pi/4 d^2 of a lens, pi d l of a tube, 1 cm2 to 100 m2");
    must_refuse(SMALL_RIG "damp: {sky: brunnt}\n", NULL, NW_FORMAT,
                "rig.yaml:6:13: damp.sky: found 'brunnt', expected berdahl-martin, clark-allen, "
                "brunt, berger or recalibrated; nearest is 'brunt'");
    must_refuse(SMALL_RIG "room: {volume: 10 m2, area: 18 m2}\n", NULL, NW_FORMAT,
                "rig.yaml:6:16: room.volume: \"10 m2\" is an area, expected a volume, for example "
                "\"12 m3\"");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_follows_from_other_values),
        cmocka_unit_test(test_a_rig_without_damp_assumes_nothing),
        cmocka_unit_test(test_refusals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
