/* test_circuits.c - circuits, usage and storage of a rig file; every refusal. */
#include "support.h"

#include "rig/circuits.h"

#define CIRCUITS(text) SMALL_RIG "circuits:\n" text
#define MAINS "  m: {kind: mains, voltage: 230 V}\n"

static void test_words_units_and_what_follows(void **state) {
    (void)state;
    struct nw_rig *const rig =
        must_read(CIRCUITS("  l: {kind: load, fed_by: s, running: 20 W, peaks_when: slewing, "
                           "draws: resistance, needed_to_close: yes,\n"
                           "      wire: {length: 3 m, gauge: 18, make: tinned}}\n" MAINS
                           "  s: {kind: supply, fed_by: m, voltage: 13.8 V, current: 15 A}\n"
                           "  b: {kind: battery, voltage: 12.8 V, charge: 20 Ah, chemistry: "
                           "lithium}\n") "usage: {nights_a_year: 90}\nstorage: {free: 1 TB, link: "
                                         "10 MB/s}\n",
                  NULL);
    const struct nw_wiring *const w = rig->wiring;
    assert_int_equal(w->n, 4);
    assert_int_equal(w->items[0].feeder, 2); /* the order of the file does not matter */
    assert_int_equal(w->items[1].feeder, SIZE_MAX);
    assert_int_equal(w->items[0].peaks, NW_PEAKS_SLEWING);
    assert_int_equal(w->items[0].draws, NW_DRAWS_RESISTANCE);
    assert_int_equal(w->items[0].make, NW_WIRE_TINNED);
    assert_true(w->items[0].is_needed_to_close);
    check_near(w->items[0].peak_W.v, 20.0, 1e-12, "as running");
    check_near(w->items[0].least_V.v, 10.8, 1e-12, "10 % below 12 V");
    assert_int_equal(w->items[0].least_V.from, NW_FROM_ASSUMED);
    check_near(w->items[3].charge_C.v, 72000.0, 1e-9, "20 Ah");
    check_near(w->items[3].usable.v, 0.85, 1e-12, "lithium");
    check_near(w->usage.nights_a_year.v, 90.0, 1e-12, "as written");
    assert_true(w->has_store);
    check_near(w->store.free_B.v, 1e12, 1.0, "1 TB");
    check_near(w->store.link_B_s.v, 1e7, 1e-3, "10 MB/s");
    nw_rig_free(rig);
}

static void test_a_rig_without_circuits_has_none(void **state) {
    (void)state;
    struct nw_rig *const rig = must_read(SMALL_RIG, NULL);
    assert_non_null(rig->wiring);
    assert_int_equal(rig->wiring->n, 0);
    assert_false(rig->wiring->has_store);
    nw_rig_free(rig);
}

static void test_what_a_kind_needs_must_be_there(void **state) {
    (void)state;
    must_refuse(CIRCUITS("  m: {kind: mains}\n"), NULL, NW_NOTFOUND,
                "rig.yaml:7:3: circuits.m: voltage is missing: needed by a mains");
    must_refuse(CIRCUITS(MAINS "  s: {kind: supply, fed_by: m, voltage: 12 V}\n"), NULL,
                NW_NOTFOUND, "rig.yaml:8:3: circuits.s: current is missing: needed by a supply");
    must_refuse(CIRCUITS(MAINS "  l: {kind: load, fed_by: m}\n"), NULL, NW_NOTFOUND,
                "rig.yaml:8:3: circuits.l: running is missing: needed by a load");
    must_refuse(CIRCUITS("  b: {kind: battery, voltage: 12 V}\n"), NULL, NW_NOTFOUND,
                "rig.yaml:7:3: circuits.b: charge is missing: needed by a battery");
    must_refuse(CIRCUITS(MAINS "  l: {kind: load, fed_by: m, running: 5 W, wire: {length: 1 m}}\n"),
                NULL, NW_NOTFOUND,
                "rig.yaml:8:3: circuits.l: wire.area or wire.gauge is missing: needed by a wire "
                "with a length");
    must_refuse(CIRCUITS(MAINS "  l: {kind: load, fed_by: m, running: 5 W, peak: 3 W}\n"), NULL,
                NW_DOMAIN, "rig.yaml:8:3: circuits.l: peak 3 W is below running 5 W");
}

static void test_the_tree_is_a_tree(void **state) {
    (void)state;
    must_refuse(CIRCUITS("  mains: {kind: mains, voltage: 230 V}\n"
                         "  l: {kind: load, fed_by: mians, running: 5 W}\n"),
                NULL, NW_NOTFOUND,
                "rig.yaml:8:3: circuits.l.fed_by: 'mians' is not described under circuits; nearest "
                "is 'mains'");
    must_refuse(CIRCUITS(MAINS "  l: {kind: load, running: 5 W}\n"), NULL, NW_NOTFOUND,
                "rig.yaml:8:3: circuits.l: fed_by is missing: what feeds this load");
    must_refuse(CIRCUITS("  m: {kind: mains, voltage: 230 V, fed_by: x}\n"), NULL, NW_DOMAIN,
                "rig.yaml:7:3: circuits.m: mains is fed by 'x'; nothing feeds it: leave fed_by "
                "out, or say kind: hub");
    must_refuse(CIRCUITS(MAINS "  l: {kind: load, fed_by: m, running: 5 W}\n"
                               "  k: {kind: load, fed_by: l, running: 5 W}\n"),
                NULL, NW_DOMAIN,
                "rig.yaml:9:3: circuits.k.fed_by: 'l' is a load and feeds nothing");
    must_refuse(CIRCUITS("  a: {kind: hub, fed_by: b}\n  b: {kind: hub, fed_by: a}\n"), NULL,
                NW_DOMAIN, "rig.yaml:7:3: a: circuits feed each other in a ring");
    must_refuse(CIRCUITS(MAINS "  l: {kind: load, fed_by: m, running: 5 A}\n"), NULL, NW_FORMAT,
                "rig.yaml:8:39: circuits.l.running: \"5 A\" is a current, expected a power, for "
                "example \"25 W\"");
}

static void test_a_setup_can_have_circuits_off(void **state) {
    (void)state;
    struct nw_rig *const rig = must_read(
        CIRCUITS(MAINS "  l: {kind: load, fed_by: m, running: 5 W}\n"), "setups.one.off=[l]");
    assert_int_equal(rig->setups[0].n_off, 1);
    assert_string_equal(rig->setups[0].off[0], "l");
    nw_rig_free(rig);
    must_refuse(CIRCUITS("  lamp: {kind: mains, voltage: 230 V}\n"), "setups.one.off=[lanp]",
                NW_NOTFOUND,
                "--set: setups.one.off: 'lanp' is not described under circuits; nearest is 'lamp'");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_words_units_and_what_follows),
        cmocka_unit_test(test_a_rig_without_circuits_has_none),
        cmocka_unit_test(test_what_a_kind_needs_must_be_there),
        cmocka_unit_test(test_the_tree_is_a_tree),
        cmocka_unit_test(test_a_setup_can_have_circuits_off),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
