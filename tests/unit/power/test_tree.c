/* test_tree.c - currents and voltages of trees whose answers are known. */
#include "support.h"

#define SOURCE "  s: {kind: battery, voltage: 12.8 V, inner_resistance: 0 ohm, charge: 100 Ah}\n"
/* 8 m of 2.5 mm2 class 5 at 20 degC: a loop of 0.12768 ohm (ELE-03) */
#define WIRE "wire: {length: 8 m, area: 2.5 mm2}, contacts: 0 ohm"

static void solve(const struct nw_rig *rig, enum nw_power_moment moment,
                  struct nw_power_answer *ret) {
    static const double DARK_S = 3e4;
    struct nw_power power;
    struct nw_err err = {0};
    assert_int_equal(nw_power_of(rig, NULL, DARK_S, &power, &err), NW_OK);
    nw_power_solve(&power, &(struct nw_power_case){.moment = moment}, ret);
    assert_true(ret->is_settled);
}

static void test_one_load_is_the_closed_form(void **state) {
    (void)state;
    struct nw_rig *const rig =
        rig_of("circuits:\n" SOURCE "  l: {kind: load, fed_by: s, running: 60 W, " WIRE "}\n");
    struct nw_power_answer a;
    solve(rig, NW_POWER_QUIET, &a);
    check_near(a.at[1].in_A, 4.929935, 1e-5, "ELE-06");
    check_near(a.at[1].in_V, 12.170546, 1e-5, "ELE-06");
    check_near(a.at[0].out_A, a.at[1].in_A, 1e-12, "what goes out comes in");
    check_near(a.wires_W, 0.12768 * 4.929935 * 4.929935, 1e-4, "R I^2");
    nw_rig_free(rig);
}

static void test_resistance_and_current_are_ohms_law(void **state) {
    (void)state;
    struct nw_rig *const rig =
        rig_of("circuits:\n" SOURCE "  r: {kind: load, fed_by: s, running: 30 W, draws: "
               "resistance, " WIRE "}\n"
               "  i: {kind: load, fed_by: s, running: 30 W, draws: current, " WIRE "}\n");
    struct nw_power_answer a;
    solve(rig, NW_POWER_QUIET, &a);
    const double ohm = 12.8 * 12.8 / 30.0;
    check_near(a.at[1].in_A, 12.8 / (ohm + 0.12768), 1e-6, "Ohm's law: 30 W at 12.8 V behind wire");
    check_near(a.at[2].in_A, 30.0 / 12.8, 1e-6, "current stays");
    check_near(a.at[2].in_V, 12.8 - 0.12768 * 30.0 / 12.8, 1e-6, "Ohm's law");
    nw_rig_free(rig);
}

/* Brute force: a hub with three loads by bisection of the hub's voltage. */
static void test_a_hub_equals_bisection(void **state) {
    (void)state;
    struct nw_rig *const rig =
        rig_of("circuits:\n" SOURCE "  h: {kind: hub, fed_by: s, own: 2 W, " WIRE "}\n"
               "  a: {kind: load, fed_by: h, running: 20 W, " WIRE "}\n"
               "  b: {kind: load, fed_by: h, running: 10 W, " WIRE "}\n"
               "  c: {kind: load, fed_by: h, running: 15 W}\n");
    struct nw_power_answer a;
    solve(rig, NW_POWER_QUIET, &a);
    const double r = 0.12768;
    double low = 9.0;
    double high = 12.8;
    for (int i = 0; i < 60; i++) {
        const double v = 0.5 * (low + high);
        const double sum =
            nw_power_load_A(v, r, 20.0) + nw_power_load_A(v, r, 10.0) + 15.0 / v + 2.0 / v;
        if (12.8 - r * sum > v) {
            low = v;
        } else {
            high = v;
        }
    }
    check_near(a.at[1].in_V, low, 1e-7, "bisection");
    nw_rig_free(rig);
}

static void test_a_supply_takes_its_loss_and_its_own_need(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(
        "circuits:\n"
        "  m: {kind: mains, voltage: 230 V}\n"
        "  s: {kind: supply, fed_by: m, voltage: 12 V, current: 5 A, efficiency: 0.8, own: 3 W,\n"
        "      power_factor: 0.6, inner_resistance: 0 ohm}\n"
        "  l: {kind: load, fed_by: s, running: 24 W, peak: 72 W, peaks_when: cooling}\n");
    struct nw_power_answer a;
    solve(rig, NW_POWER_QUIET, &a);
    check_near(a.at[1].in_W, 24.0 / 0.8 + 3.0, 1e-6, "energy");
    check_near(a.at[1].in_A, 33.0 / (230.0 * 0.6), 1e-6, "watts = volts x amps x power factor");
    assert_false(a.at[1].is_over);
    solve(rig, NW_POWER_COOLING, &a);
    check_near(a.at[1].out_A, 6.0, 1e-6, "72 W at 12 V");
    assert_true(a.at[1].is_over);
    solve(rig, NW_POWER_SLEWING, &a);
    check_near(a.at[1].out_A, 2.0, 1e-6, "its peak is not then");
    solve(rig, NW_POWER_ALL, &a);
    check_near(a.at[1].out_A, 6.0, 1e-6, "all at once");
    nw_rig_free(rig);
}

/* More than the wire can carry (320.8 W): voltage collapses, the sweeps still end. */
static void test_a_collapse_shows_as_low_voltage(void **state) {
    (void)state;
    struct nw_rig *const rig =
        rig_of("circuits:\n" SOURCE "  l: {kind: load, fed_by: s, running: 400 W, " WIRE "}\n");
    struct nw_power_answer a;
    solve(rig, NW_POWER_QUIET, &a);
    assert_true(a.at[1].in_V < 0.65 * 12.8);
    nw_rig_free(rig);
}

static void test_no_circuits_is_said(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of("");
    struct nw_power power;
    struct nw_err err = {0};
    assert_int_equal(nw_power_of(rig, NULL, 3e4, &power, &err), NW_NOTFOUND);
    assert_non_null(strstr(err.text, "no circuits are described"));
    nw_rig_free(rig);
}

static void test_what_a_setup_has_off_draws_nothing(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of("circuits:\n" SOURCE "  h: {kind: hub, fed_by: s, own: 1 W}\n"
                                      "  a: {kind: load, fed_by: h, running: 20 W}\n"
                                      "  b: {kind: load, fed_by: s, running: 10 W}\n");
    struct nw_setup *const setup = &rig->setups[0];
    nw_text_copy(setup->off[setup->n_off++], NW_NAME_SIZE, "h");
    struct nw_power power;
    struct nw_power_answer a;
    struct nw_err err = {0};
    assert_int_equal(nw_power_of(rig, setup, 3e4, &power, &err), NW_OK);
    nw_power_solve(&power, &(struct nw_power_case){.moment = NW_POWER_QUIET}, &a);
    check_near(a.at[0].out_A, 10.0 / 12.8, 1e-9, "b alone: a hangs on what is off");
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_one_load_is_the_closed_form),
        cmocka_unit_test(test_resistance_and_current_are_ohms_law),
        cmocka_unit_test(test_a_hub_equals_bisection),
        cmocka_unit_test(test_a_supply_takes_its_loss_and_its_own_need),
        cmocka_unit_test(test_a_collapse_shows_as_low_voltage),
        cmocka_unit_test(test_what_a_setup_has_off_draws_nothing),
        cmocka_unit_test(test_no_circuits_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
