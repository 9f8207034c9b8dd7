/* test_power.c - the budgets of power and storage: sums, what is allowed, advice, refusals. */
#include "../power/support.h"

#include "budget/ledger.h"

static struct nw_ledger *ledger_of(const char *name, const struct nw_rig *rig) {
    struct nw_ledger *ledger = NULL;
    struct nw_err err = {0};
    if (nw_ledger_new(name, rig, &rig->setups[0], &ledger, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return ledger;
}

static const struct nw_ledger_line *line_of(const struct nw_ledger *ledger, const char *id) {
    for (size_t i = 0; i < ledger->n_lines; i++) {
        if (strcmp(ledger->lines[i].id, id) == 0) {
            return &ledger->lines[i];
        }
    }
    fail_msg("no line %s", id);
    return NULL;
}

#define SUPPLY(load)                                                                               \
    "circuits:\n"                                                                                  \
    "  m: {kind: mains, voltage: 230 V}\n"                                                         \
    "  s: {kind: supply, fed_by: m, voltage: 13 V, current: 6 A, inner_resistance: 0 ohm}\n" load

/* What adds up is what the supply gives, volts times amps. */
static void test_lines_add_up_to_what_the_supply_gives(void **state) {
    (void)state;
    struct nw_rig *const rig =
        rig_of(SUPPLY("  h: {kind: hub, fed_by: s, own: 2 W, wire: {length: 2 m, area: 1.5 mm2}}\n"
                      "  a: {kind: load, fed_by: h, running: 20 W, peak: 30 W, peaks_when: "
                      "cooling, fuse: 5 A, least_voltage: 11 V, wire: {length: 1 m, area: 1 mm2}}\n"
                      "  b: {kind: load, fed_by: s, running: 10 W}\n"));
    struct nw_power_result r;
    struct nw_err err = {0};
    assert_int_equal(nw_power_result_of(rig, NULL, &r, &err), NW_OK);
    struct nw_ledger *const l = ledger_of("power", rig);
    check_near(l->predicted, 13.0 * r.at[1].out_A[NW_POWER_ALL], 1e-6, "power = volts x amps");
    check_near(l->allowed, 78.0, 1e-9, "13 V x 6 A");
    check_near(line_of(l, "load:a")->predicted, 30.0, 1e-6, "constant power");
    check_near(line_of(l, "fuse:a")->predicted, r.at[3].amps[NW_POWER_ALL], 1e-9, "its current");
    check_near(line_of(l, "drop:a")->allowed, 2.0, 1e-9, "13 V - 11 V");
    check_near(line_of(l, "drop:a")->predicted, 13.0 - r.at[3].volts[NW_POWER_ALL], 1e-9, "drop");
    assert_false(l->is_over);
    nw_ledger_free(l);
    nw_rig_free(rig);
}

/* Least 12.5 V and twice the error of the source (1 % of 13 V) leave 0.24 V at 4.7 A: 0.0516 ohm
 * over 16 m, 3.2 ohm/km; 6 mm2 has 3.30 (ELE-v1), so the next listed one, 10 mm2. */
static void test_a_thin_wire_brings_advice_and_the_advice_works(void **state) {
    (void)state;
    struct nw_rig *const thin = rig_of(
        SUPPLY("  a: {kind: load, fed_by: s, running: 60 W, least_voltage: 12.5 V, "
               "contacts: {value: 0 ohm, sigma: 0 ohm}, wire: {length: 8 m, area: 2.5 mm2}}\n"));
    struct nw_ledger *const l = ledger_of("power", thin);
    assert_true(l->is_over);
    assert_int_equal(l->n_advice, 1);
    assert_string_equal(l->advice[0].path, "circuits.a.wire.area");
    struct nw_rig *const thick = rig_of(
        SUPPLY("  a: {kind: load, fed_by: s, running: 60 W, least_voltage: 12.5 V, "
               "contacts: {value: 0 ohm, sigma: 0 ohm}, wire: {length: 8 m, area: 10 mm2}}\n"));
    struct nw_ledger *const better = ledger_of("power", thick);
    assert_string_equal(l->advice[0].value, "10 mm2");
    assert_false(better->is_over);
    nw_ledger_free(better);
    nw_ledger_free(l);
    nw_rig_free(thick);
    nw_rig_free(thin);
}

static void test_a_supply_too_small_is_over(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(SUPPLY("  a: {kind: load, fed_by: s, running: 90 W}\n"));
    struct nw_ledger *const l = ledger_of("power", rig);
    assert_true(l->is_over);
    assert_true(l->over_probability > 0.9);
    nw_ledger_free(l);
    nw_rig_free(rig);
}

/* 6248 x 4176 pixels of two bytes: 52183296 bytes fill 18119.2 blocks, so 18120 and 2 of header. */
static void test_bytes_of_a_night(void **state) {
    (void)state;
    struct nw_rig *const rig =
        rig_of("usage: {night: 10 h, nights_a_year: 100}\n"
               "storage: {free: 521.91 GB, link: 10 MB/s, pause: 12 s, calibration_frames: 0}\n");
    check_near(nw_storage_frame_B(&rig->setups[0]), 2880.0 * 18122.0, 0.5,
               "FITS Standard 4.0, sec. 3.1: blocks of 2880 bytes");
    struct nw_ledger *const l = ledger_of("storage", rig);
    const double sub_s = rig->setups[0].sub_length_s.v;
    const double frames = 36000.0 / (sub_s + 12.0);
    check_near(l->predicted, frames * 52.19136e-3, 1e-6, "frames x bytes");
    check_near(line_of(l, "nights")->predicted, 521.91 / l->predicted, 1e-6, "free / night");
    check_near(line_of(l, "transfer")->predicted, l->predicted * 100.0 / 3600.0, 1e-9,
               "1 GB takes 100 s at 10 MB/s");
    check_near(line_of(l, "frame")->predicted, 5.219136, 1e-9, "bytes / rate");
    check_near(line_of(l, "frame")->allowed, sub_s + 12.0, 1e-9, "until the next one comes");
    nw_ledger_free(l);
    nw_rig_free(rig);
}

static void test_a_link_too_slow_and_a_full_disk_are_over(void **state) {
    (void)state;
    static const char *const STORES[] = {"storage: {link: 10 kB/s}\n", "storage: {free: 1 MB}\n"};
    for (size_t i = 0; i < 2; i++) {
        struct nw_rig *const rig = rig_of(STORES[i]);
        struct nw_ledger *const l = ledger_of("storage", rig);
        assert_true(l->is_over);
        nw_ledger_free(l);
        nw_rig_free(rig);
    }
}

static void test_without_sections_there_is_no_budget(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of("");
    struct nw_ledger *ledger = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_ledger_new("storage", rig, &rig->setups[0], &ledger, &err), NW_NOTFOUND);
    assert_string_equal(err.text, "rig.yaml: no section storage (nightwright rig --keys explains "
                                  "storage.*)");
    assert_int_equal(nw_ledger_new("power", rig, &rig->setups[0], &ledger, &err), NW_NOTFOUND);
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lines_add_up_to_what_the_supply_gives),
        cmocka_unit_test(test_a_thin_wire_brings_advice_and_the_advice_works),
        cmocka_unit_test(test_a_supply_too_small_is_over),
        cmocka_unit_test(test_bytes_of_a_night),
        cmocka_unit_test(test_a_link_too_slow_and_a_full_disk_are_over),
        cmocka_unit_test(test_without_sections_there_is_no_budget),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
