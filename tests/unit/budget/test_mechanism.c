/* test_mechanism.c - The budgets of balance and clearance: their sums are those of the models, the
 * advice does what it says, and a rig without bodies has neither. */
#include <math.h>

#include "budget/ledger.h"
#include "check.h"
#include "mount/ways.h"

static const char HEAD[] = "nightwright: 1\n"
                           "site: {latitude: 40 deg, longitude: 0 deg}\n"
                           "mount: {imbalance: 0.3 N m, margin: 20 mm}\n"
                           "telescopes: {tube: {aperture: 80 mm, focal_length: 450 mm}}\n"
                           "cameras: {camera: {pixel: 3.76 um, width: 6248, height: 4176}}\n"
                           "setups: {one: {telescope: tube, camera: camera}}\n";
static const char BODIES[] =
    "bodies:\n"
    "  bar: {rides: tube, mass: 1 kg, z: 200 mm}\n"
    "  tube: {rides: tube, shape: tube, mass: 5 kg, x: 10 mm, z: 260 mm, length: 900 mm,\n"
    "         diameter: 100 mm, carried_by: bar, slide: {along: x, from: -50 mm, to: 50 mm}}\n"
    "  weight: {rides: axis, shape: cylinder, along: z, mass: 6 kg, z: -200 mm, length: 60 mm,\n"
    "           diameter: 140 mm, slide: {along: z, from: -400 mm, to: -100 mm}}\n"
    "  pier: {rides: ground, shape: cylinder, along: z, z: -1000 mm, length: 1200 mm, diameter: "
    "200 mm}\n";

static struct nw_rig *rig_of(const char *bodies, const char *override) {
    char text[2000];
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    (void)snprintf(text, sizeof text, "%s%s", HEAD, bodies);
    if (nw_rig_parse("rig.yaml", text, strlen(text), &override, override ? 1 : 0, &rig, &err) !=
        NW_OK) {
        fail_msg("%s", err.text);
    }
    return rig;
}

static struct nw_ledger *ledger_of(const struct nw_rig *rig, const char *name) {
    struct nw_ledger *ledger = NULL;
    struct nw_err err = {0};
    if (nw_ledger_new(name, rig, &rig->setups[0], &ledger, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return ledger;
}

static void test_balance_adds_up_to_the_moment(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(BODIES, NULL);
    struct nw_ledger *const ledger = ledger_of(rig, "balance");
    const double per_kg_m = 9.80665 * cos(40.0 / 180.0 * NW_PI);
    check_near(ledger->predicted, per_kg_m * (1.0 * 0.2 + 5.0 * 0.26 - 6.0 * 0.2), 1e-9,
               "g cos(latitude) sum of m z");
    check_near(ledger->lines[0].predicted, per_kg_m * 1.5, 1e-9, "bar and what it carries");
    /* 1 % of each mass and 2 mm of each place, where nothing is stated */
    const double variance = pow(0.01 * 0.2, 2) + pow(0.002, 2) + pow(0.01 * 5 * 0.26, 2) +
                            pow(5 * 0.002, 2) + pow(0.01 * 6 * 0.2, 2) + pow(6 * 0.002, 2);
    check_near(ledger->predicted_sigma, per_kg_m * sqrt(variance), 1e-9, "errors in quadrature");
    assert_true(ledger->is_over);
    check_near(ledger->lines[ledger->limiting].predicted_sigma, per_kg_m * 0.012 * sqrt(2.0), 1e-9,
               "the weight: 1 % at 200 mm, and 2 mm of 6 kg");
    bool has_tube = false;
    for (size_t i = 0; i < ledger->n_lines; i++) {
        if (strcmp(ledger->lines[i].id, "along_tube") == 0) {
            check_near(ledger->lines[i].predicted, 9.80665 * 0.05, 1e-9, "MEC-01, half of it");
            has_tube = true;
        }
    }
    assert_true(has_tube);
    nw_ledger_free(ledger);
    nw_rig_free(rig);
}

/* What the advice says, put into the rig file, leaves nothing. */
static void test_advice_balances(void **state) {
    (void)state;
    struct nw_rig *rig = rig_of(BODIES, NULL);
    struct nw_ledger *ledger = ledger_of(rig, "balance");
    assert_int_equal(ledger->n_advice, 2);
    char set[500];
    (void)snprintf(set, sizeof set, "%s=%s", ledger->advice[0].path, ledger->advice[0].value);
    assert_string_equal(set, "bodies.weight.z=-250.0 mm");
    nw_ledger_free(ledger);
    nw_rig_free(rig);
    rig = rig_of(BODIES, set);
    ledger = ledger_of(rig, "balance");
    check_near(ledger->predicted, 0.0, 1e-9, "6 kg at 250 mm against 1.5 kg m");
    nw_ledger_free(ledger);
    nw_rig_free(rig);
}

static void test_clearance_is_decided_by_the_least_margin(void **state) {
    (void)state;
    struct nw_rig *const rig = rig_of(BODIES, NULL);
    struct nw_ledger *const ledger = ledger_of(rig, "clearance");
    assert_true(ledger->is_floor && ledger->n_lines == 2);
    const struct nw_ledger_line *const usual = &ledger->lines[0];
    const struct nw_ledger_line *const parked = &ledger->lines[1];
    assert_string_equal(usual->id, "usual");
    assert_true(usual->predicted < parked->predicted);
    assert_int_equal(ledger->limiting, 0);
    const double least = usual->predicted - 1.645 * usual->predicted_sigma;
    assert_int_equal(ledger->is_over, least < 20.0);
    check_near(ledger->margin_percent, 100.0 * (least / 20.0 - 1.0), 1e-9, "share of the margin");
    nw_ledger_free(ledger);
    nw_rig_free(rig);
}

static void test_without_bodies_there_is_no_budget(void **state) {
    (void)state;
    static const char *const NAMES[] = {"balance", "clearance"};
    static const char *const LISTS[] = {"", "bodies: {a: {rides: tube}, b: {rides: ground}}\n"};
    for (int i = 0; i < 4; i++) {
        struct nw_rig *const rig = rig_of(LISTS[i / 2], NULL);
        struct nw_ledger *ledger = NULL;
        struct nw_err err = {0};
        assert_int_equal(nw_ledger_new(NAMES[i % 2], rig, &rig->setups[0], &ledger, &err),
                         NW_NOTFOUND);
        assert_null(ledger);
        nw_rig_free(rig);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_balance_adds_up_to_the_moment),
        cmocka_unit_test(test_advice_balances),
        cmocka_unit_test(test_clearance_is_decided_by_the_least_margin),
        cmocka_unit_test(test_without_bodies_there_is_no_budget),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
