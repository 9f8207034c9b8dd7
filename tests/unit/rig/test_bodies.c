/* test_bodies.c - Bodies of a rig file: places, shapes, what is there in which setup; every
 * refusal. */
#include "support.h"

#define BODIES(text) SMALL_RIG "bodies:\n" text

static void test_places_shapes_and_travel(void **state) {
    (void)state;
    struct nw_rig *const rig = must_read(
        BODIES(
            "  weight: {rides: axis, shape: cylinder, along: z, mass: {value: 10 kg, sigma: 50 "
            "g},\n"
            "           z: -180 mm, length: 60 mm, diameter: 160 mm,\n"
            "           slide: {along: z, from: -330 mm, to: -120 mm}}\n"
            "  panel: {rides: tube, shape: box, x: 400 mm, length: 20 mm, width: 160 mm,\n"
            "          height: 160 mm, hinge: {along: y, x: 400 mm, z: 260 mm, open: 270 deg}}\n"),
        NULL);
    assert_int_equal(rig->n_bodies, 2);
    const struct nw_body *const weight = &rig->bodies[0];
    assert_string_equal(weight->name, "weight");
    assert_int_equal(weight->rides, NW_RIDES_AXIS);
    assert_int_equal(weight->shape, NW_SHAPE_CYLINDER);
    assert_int_equal(weight->along, 2);
    assert_int_equal(weight->slide, 2);
    assert_int_equal(weight->hinge, -1);
    check_near(weight->mass_kg.sigma, 0.05, 1e-15, "as written");
    check_near(weight->at_m[2].v, -0.18, 1e-15, "as written");
    check_near(weight->slide_from_m.v, -0.33, 1e-15, "as written");
    assert_int_equal(weight->at_m[0].from, NW_FROM_ASSUMED);
    const struct nw_body *const panel = &rig->bodies[1];
    assert_int_equal(panel->mass_kg.from, NW_FROM_UNKNOWN); /* never zero */
    assert_true(isnan(panel->mass_kg.v));
    assert_int_equal(panel->hinge, 1);
    check_near(panel->hinge_open_rad.v, 1.5 * NW_PI, 1e-12, "270 deg");
    nw_rig_free(rig);
}

static void test_a_setup_can_leave_bodies_out(void **state) {
    (void)state;
    struct nw_rig *const rig =
        must_read(BODIES("  a: {rides: tube, mass: 1 kg}\n  b: {rides: tube, mass: 2 kg}\n"),
                  "setups.one.without=[b]");
    assert_true(nw_setup_has_body(&rig->setups[0], &rig->bodies[0]));
    assert_false(nw_setup_has_body(&rig->setups[0], &rig->bodies[1]));
    nw_rig_free(rig);
    must_refuse(BODIES("  panel: {rides: tube}\n"), "setups.one.without=[pannel]", NW_NOTFOUND,
                "--set: setups.one.without: 'pannel' is not described under bodies; nearest is "
                "'panel'");
}

static void test_what_a_shape_needs_must_be_there(void **state) {
    (void)state;
    must_refuse(BODIES("  t: {rides: tube, shape: tube, length: 1 m}\n"), NULL, NW_NOTFOUND,
                "rig.yaml:7:3: bodies.t: diameter is missing: needed of a cylinder or tube");
    must_refuse(BODIES("  t: {rides: tube, shape: box, length: 1 m, width: 1 m}\n"), NULL,
                NW_NOTFOUND, "rig.yaml:7:3: bodies.t: height is missing: needed of a box");
    must_refuse(BODIES("  t: {rides: tube, slide: {along: x, from: 1 m}}\n"), NULL, NW_NOTFOUND,
                "rig.yaml:7:3: bodies.t: slide.to is missing: needed with slide.along");
    must_refuse(BODIES("  t: {rides: tube, slide: {along: x, from: 10 mm, to: -5 mm}}\n"), NULL,
                NW_DOMAIN, "rig.yaml:7:3: bodies.t: slide.from 10 mm lies beyond slide.to -5 mm");
    must_refuse(
        BODIES("  t: {rides: tube, height: 1 mm}\n"), NULL, NW_DOMAIN,
        "rig.yaml:7:3: bodies.t: has a size, but a point has none: say shape: box, cylinder "
        "or tube");
    must_refuse(BODIES("  t: {rides: tube, hinge: {along: x}}\n"), NULL, NW_NOTFOUND,
                "rig.yaml:7:3: bodies.t: hinge.open is missing: needed with hinge.along");
}

static void test_carriers_are_there_and_form_no_ring(void **state) {
    (void)state;
    must_refuse(BODIES("  a: {rides: tube, carried_by: bas bar}\n  base bar: {rides: tube}\n"),
                NULL, NW_NOTFOUND,
                "rig.yaml:7:3: bodies.a.carried_by: 'bas bar' is not described under bodies; "
                "nearest is 'base bar'");
    must_refuse(
        BODIES("  a: {rides: tube, carried_by: b}\n  b: {rides: axis}\n"), NULL, NW_DOMAIN,
        "rig.yaml:7:3: bodies.a.carried_by: 'b' rides on axis, this body on tube: both must "
        "ride alike");
    must_refuse(BODIES("  a: {rides: tube, carried_by: b}\n  b: {rides: tube, carried_by: a}\n"),
                NULL, NW_DOMAIN,
                "rig.yaml:7:3: bodies.a.carried_by: bodies carry each other in a ring");
    must_refuse(BODIES("  a: {rides: tube, carried_by: a}\n"), NULL, NW_DOMAIN,
                "rig.yaml:7:3: bodies.a.carried_by: bodies carry each other in a ring");
}

static void test_roof_positions_and_cables(void **state) {
    (void)state;
    struct nw_rig *const rig = must_read(
        BODIES("  roof: {rides: ground, roof: closed}\n"
               "  wall: {rides: ground}\n"
               "  tube: {rides: tube}\n"
               "positions:\n"
               "  flats: {altitude: 5 deg, azimuth: 350 deg, side: west, panel: open}\n"
               "  rest: {hour_angle: -90 deg, declination: 0 deg, roof: closed}\n"
               "cables:\n"
               "  power: {from: {rides: ground, y: 100 mm, z: -600 mm}, to: {rides: tube, x: -40 "
               "mm},\n"
               "          length: {value: 1.6 m, sigma: 20 mm}}\n"),
        "setups.one.capped=[tube]");
    assert_int_equal(rig->bodies[0].stands, NW_STANDS_ROOF_CLOSED);
    assert_int_equal(rig->bodies[1].stands, NW_STANDS_ALWAYS);
    struct nw_body kept[3] = {rig->bodies[0], rig->bodies[1], rig->bodies[2]};
    assert_int_equal(nw_bodies_keep(kept, 3, true), 3);
    assert_int_equal(nw_bodies_keep(kept, 3, false), 2);
    assert_string_equal(kept[0].name, "wall");
    assert_int_equal(rig->n_positions, 2);
    check_near(rig->positions[0].azimuth_rad.v, 350.0 / 180.0 * NW_PI, 1e-12, "as written");
    assert_string_equal(rig->positions[0].panel, "open");
    assert_string_equal(rig->positions[1].side, "east");
    assert_int_equal(rig->n_cables, 1);
    assert_int_equal(rig->cables[0].end[1].rides, NW_RIDES_TUBE);
    check_near(rig->cables[0].end[0].at_m[2].v, -0.6, 1e-15, "as written");
    check_near(rig->cables[0].length_m.sigma, 0.02, 1e-15, "as written");
    assert_int_equal(rig->setups[0].n_capped, 1);
    nw_rig_free(rig);
    must_refuse(SMALL_RIG "positions: {flats: {altitude: 5 deg, declination: 3 deg}}\n", NULL,
                NW_NOTFOUND,
                "rig.yaml:6:13: positions.flats: needs hour_angle with declination, or altitude "
                "with azimuth");
    must_refuse(BODIES("  tube: {rides: tube}\n"), "setups.one.sun_filter=[tub]", NW_NOTFOUND,
                "--set: setups.one.sun_filter: 'tub' is not described under bodies; nearest is "
                "'tube'");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_places_shapes_and_travel),
        cmocka_unit_test(test_a_setup_can_leave_bodies_out),
        cmocka_unit_test(test_what_a_shape_needs_must_be_there),
        cmocka_unit_test(test_roof_positions_and_cables),
        cmocka_unit_test(test_carriers_are_there_and_form_no_ring),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
