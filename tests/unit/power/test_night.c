/* test_night.c - headroom, order of brown-outs, energy, power cuts. */
#include "support.h"

#include "sky/almanac.h"

static void result_of(const struct nw_rig *rig, struct nw_power_result *ret) {
    struct nw_err err = {0};
    if (nw_power_result_of(rig, NULL, ret, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
}

/* A year of nights by the ephemeris against the closed form, at four latitudes. */
static void test_dark_hours_are_those_of_the_sun(void **state) {
    (void)state;
    static const double LATITUDES[] = {-32.0, 0.0, 40.0, 60.0};
    for (size_t k = 0; k < sizeof LATITUDES / sizeof LATITUDES[0]; k++) {
        const double latitude_rad = LATITUDES[k] * NW_RAD_PER_DEG;
        const struct nw_observer observer = {.place = {.latitude_rad = latitude_rad}};
        double sum_s = 0.0;
        enum { NIGHTS = 73 }; /* every fifth of 2026 */
        for (int i = 0; i < NIGHTS; i++) {
            struct nw_dark dark;
            struct nw_err err = {0};
            const double noon_s = nw_sky_noon_utc_s(1767225600.0 + 5.0 * 86400.0 * i, 0.0);
            assert_int_equal(
                nw_sky_dark(&observer, noon_s, NW_TWILIGHT_ASTRONOMICAL_RAD, &dark, &err), NW_OK);
            sum_s += dark.exists ? dark.end_s - dark.start_s : 0.0;
        }
        check_near(nw_power_mean_dark_s(latitude_rad), sum_s / NIGHTS,
                   LATITUDES[k] < 50.0 ? 180.0 : 480.0, "nw_sky_dark, 2026");
    }
}

#define TWO_LOADS                                                                                  \
    "circuits:\n"                                                                                  \
    "  m: {kind: mains, voltage: 230 V}\n"                                                         \
    "  s: {kind: supply, fed_by: m, voltage: 13 V, current: 4 A, efficiency: 0.8, own: 0 W,\n"     \
    "      inner_resistance: 0 ohm}\n"                                                             \
    "  near: {kind: load, fed_by: s, running: 13 W, least_voltage: 12 V, fuse: 5 A}\n"             \
    "  far: {kind: load, fed_by: s, running: 13 W, least_voltage: 12 V, fuse: 2 A,\n"              \
    "        contacts: 0 ohm, wire: {length: 20 m, area: 2.5 mm2}}\n"

static void test_the_far_load_falls_out_first(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(TWO_LOADS);
    struct nw_power_result r;
    result_of(rig, &r);
    assert_int_equal(r.n_order, 2);
    assert_int_equal(r.order[0].circuit, circuit_of(rig, "far"));
    /* at 12 V at the load: 13 W take 13/12 A through 0.3192 ohm */
    check_near(r.order[0].source_V, 12.0 + 0.3192 * 13.0 / 12.0, 0.014, "Ohm's law, step 13 mV");
    check_near(r.order[1].source_V, 12.0, 0.014, "no wire");
    nw_rig_free(rig);
}

static void test_a_fuse_beyond_the_supply_is_idle(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(TWO_LOADS);
    struct nw_power_result r;
    result_of(rig, &r);
    assert_true(r.at[circuit_of(rig, "near")].fuse_is_idle); /* 5 A behind 4 A */
    assert_false(r.at[circuit_of(rig, "far")].fuse_is_idle);
    check_near(r.at[circuit_of(rig, "far")].short_A, 13.0 / 0.3192, 0.01, "V/R");
    nw_rig_free(rig);
}

static void test_energy_of_a_night_and_a_year(void **state) {
    (void)state;
    struct nw_rig *const rig =
        rig_of("circuits:\n"
               "  s: {kind: battery, voltage: 12 V, inner_resistance: 0 ohm, charge: 100 Ah}\n"
               "  l: {kind: load, fed_by: s, running: 42 W}\n"
               "usage: {night: 9 h, nights_a_year: 100}\n");
    struct nw_power_result r;
    result_of(rig, &r);
    check_near(r.night_J / 3600.0, 378.0, 1e-6, "ELE-09: 12 V, 3.5 A, 9 h");
    check_near(r.year_J / 3.6e6, 37.8, 1e-6, "100 nights");
    nw_rig_free(rig);
    struct nw_rig *const day =
        rig_of("circuits:\n"
               "  m: {kind: mains, voltage: 230 V}\n"
               "  s: {kind: supply, fed_by: m, voltage: 12 V, current: 15 A, efficiency: 0.9,\n"
               "      inner_resistance: 0 ohm}\n"
               "  l: {kind: load, fed_by: s, running: 42 W, by_day: 9 W}\n"
               "usage: {night: 9 h, nights_a_year: 100}\n");
    result_of(day, &r);
    check_near(r.night_J / 3600.0, 420.0, 1e-4, "ELE-09 over 0.9");
    check_near(r.year_J / 3.6e6, (100.0 * (420.0 + 150.0) + 265.25 * 240.0) * 1e-3, 1e-3,
               "10 W by day at mains, 15 h and 24 h");
    nw_rig_free(day);
}

#define WITH_BATTERY                                                                               \
    "circuits:\n"                                                                                  \
    "  m: {kind: mains, voltage: 230 V}\n"                                                         \
    "  s: {kind: supply, fed_by: m, voltage: 13.8 V, current: 15 A}\n"                             \
    "  b: {kind: battery, fed_by: s, voltage: 12.8 V, charge: 100 Ah, chemistry: lithium,\n"       \
    "      usable: 0.8, peukert: 1, inner_resistance: 0 ohm}\n"                                    \
    "  lamp: {kind: load, fed_by: s, running: 5 W}\n"                                              \
    "  camera: {kind: load, fed_by: b, running: 60 W, peak: 80 W, peaks_when: cooling}\n"          \
    "  mount: {kind: load, fed_by: b, running: 25 W, needed_to_close: yes}\n"

static void test_a_cut_takes_what_no_battery_carries(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(WITH_BATTERY);
    struct nw_power_result r;
    result_of(rig, &r);
    assert_true(r.at[circuit_of(rig, "lamp")].goes_dark);
    assert_true(r.at[circuit_of(rig, "s")].goes_dark);
    assert_false(r.at[circuit_of(rig, "camera")].goes_dark);
    assert_false(r.at[circuit_of(rig, "mount")].goes_dark);
    assert_int_equal(r.n_batteries, 1);
    const struct nw_battery_answer *const b = &r.batteries[0];
    assert_int_equal(b->n_cases, 3);
    check_near(b->cases[0].time_s / 3600.0, 12.047059, 1e-4, "ELE-07: 85 W");
    check_near(b->cases[1].amps, 25.0 / 12.8, 1e-6, "without the cooled camera");
    assert_int_equal(b->cases[2].n_on, 1);
    nw_rig_free(rig);
}

/* The error of a voltage: Monte Carlo in one input equals first order. */
static void test_errors_follow_the_inputs(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(
        "circuits:\n"
        "  s: {kind: battery, voltage: {value: 13 V, sigma: 0.2 V}, charge: 100 Ah,\n"
        "      inner_resistance: {value: 0 ohm, sigma: 0 ohm}}\n"
        "  l: {kind: load, fed_by: s, running: {value: 26 W, sigma: 0 W}, draws: current}\n");
    struct nw_power_result r;
    result_of(rig, &r);
    check_near(r.at[1].volts_sigma[NW_POWER_QUIET], 0.2, 1e-9, "no wire: the source's own");
    check_near(r.at[1].watts_sigma[NW_POWER_QUIET], 0.4, 1e-9, "2 A x 0.2 V");
    nw_rig_free(rig);
}

/* Common practice, no source: 13.8 V and 15 A feed such a rig with room to spare. */
static void test_the_demo_rig_has_room_to_spare(void **state) {
    (void)state;
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    if (nw_rig_read(NW_SOURCE_ROOT "/data/demo/rig.yaml", NULL, 0, &rig, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    struct nw_power_result r;
    result_of(rig, &r);
    const struct nw_power_circuit *const supply = &r.at[r.tightest];
    check_near(rig->wiring->items[r.tightest].voltage_V.v, 13.8, 1e-12, "demo rig");
    check_near(rig->wiring->items[r.tightest].current_A.v, 15.0, 1e-12, "demo rig");
    assert_true(supply->out_A[NW_POWER_QUIET] < 0.5 * 15.0);
    for (int m = 0; m < NW_POWER_ALL; m++) {
        assert_true(supply->out_A[m] < 0.8 * 15.0);
    }
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_dark_hours_are_those_of_the_sun),
        cmocka_unit_test(test_the_far_load_falls_out_first),
        cmocka_unit_test(test_a_fuse_beyond_the_supply_is_idle),
        cmocka_unit_test(test_energy_of_a_night_and_a_year),
        cmocka_unit_test(test_a_cut_takes_what_no_battery_carries),
        cmocka_unit_test(test_errors_follow_the_inputs),
        cmocka_unit_test(test_the_demo_rig_has_room_to_spare),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
