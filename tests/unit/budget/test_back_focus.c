/* test_back_focus.c - the back-focus budget: sums by hand, signs, what is unsaid, what the scale
 * shows, rings. */
#include <math.h>

#include "budget/back_focus.h"
#include "budget/ledger.h"
#include "check.h"

#define RIG                                                                                        \
    "nightwright: 1\n"                                                                             \
    "site: {latitude: -32 deg, longitude: 147 deg}\n"                                              \
    "telescopes: {tube: {aperture: 115 mm, focal_length: 805 mm}}\n"                               \
    "cameras: {camera: {pixel: 3.76 um, width: 6248, height: 4176, flange: 17.5 mm,\n"             \
    "  window_thickness: 2 mm, window_index: 1.5168}}\n"                                           \
    "correctors: {r: {magnification: {value: 0.8, sigma: 0}, back_focus: {value: 55 mm, sigma: 0 " \
    "mm},\n"                                                                                       \
    "  includes_filter: no, includes_window: yes, back_focus_from: shoulder}}\n"                   \
    "filters: {l: {centre: 587.5618 nm, width: 100 nm, thickness: {value: 3 mm, sigma: 0 mm}, "    \
    "glass: N-BK7},\n"                                                                             \
    "  h: {centre: 656 nm, width: 3 nm, thickness: {value: 2 mm, sigma: 0 mm}, glass: N-BK7}}\n"   \
    "pieces: {wheel: {length: {value: 20 mm, sigma: 0.03 mm}}}\n"                                  \
    "spacers: {ten: {length: {value: 10 mm, sigma: 0.04 mm}}, five: {length: {value: 5 mm, "       \
    "sigma: 0 mm},\n"                                                                              \
    "  count: 2}, half: {length: {value: 0.5 mm, sigma: 0 mm}, count: 3}}\n"                       \
    "setups: {one: {telescope: tube, camera: camera, corrector: r, filters: [l, h],\n"             \
    "  path: [wheel], rings: [ten, five]}}\n"

static struct nw_rig *read_rig(const char *const *settings, size_t n) {
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    if (nw_rig_parse("rig.yaml", RIG, strlen(RIG), settings, n, &rig, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return rig;
}

static struct nw_back_focus of(const char *setting) {
    struct nw_rig *const rig = read_rig(&setting, setting ? 1 : 0);
    struct nw_back_focus f;
    struct nw_err err = {0};
    if (nw_back_focus_of(&rig->setups[0], &f, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    nw_rig_free(rig);
    return f;
}

static void test_lengths_and_glass_by_hand(void **state) {
    (void)state;
    const struct nw_back_focus f = of(NULL);
    check_near(f.filter.shift_m.v, 1.022148e-3, 2e-8, "REFERENCES FOC-08, FOC-07");
    check_near(f.needed_m.v, 56.022148e-3, 2e-8, "glass asks for more length");
    check_near(f.window.asked_m, 0.0, 1e-15, "in the maker's figure already");
    check_near(f.error_m.v, (20 + 15 + 17.5) * 1e-3 - 56.022148e-3, 2e-8, "too short: negative");
    check_near(f.error_m.sigma, sqrt(0.03 * 0.03 + 0.04 * 0.04 + 0.05 * 0.05) * 1e-3, 1e-9,
               "squares; 0.05 mm for the flange without a tolerance");
    /* a longer piece makes it longer; a shoulder nearer to the camera than the datum too */
    check_near(of("pieces.wheel.length=21 mm").error_m.v - f.error_m.v, 1e-3, 1e-12, "sign");
    check_near(of("correctors.r.shoulder=3 mm").error_m.v - f.error_m.v, 3e-3, 1e-12, "sign");
    check_near(of("pieces.wheel.glass_thickness=2 mm").needed_m.v - f.needed_m.v,
               2e-3 * (1 - 1 / 1.52), 1e-9, "a plate in a piece, index 1.52 unless it is said");
}

static void test_what_the_maker_does_not_say_counts_half(void **state) {
    (void)state;
    const struct nw_back_focus no = of("correctors.r.includes_window=no");
    const struct nw_back_focus unsaid = of("correctors.r.includes_window=unsaid");
    check_near(no.window.asked_m, 0.681435e-3, 1e-8, "REFERENCES FOC-08");
    check_near(unsaid.window.asked_m, 0.5 * 0.681435e-3, 1e-8, "half of it");
    check_near(unsaid.window.asked_sigma_m, 0.5 * 0.681435e-3, 1e-8, "+- half of it");
}

static void test_spacing_as_the_scale_shows_it(void **state) {
    (void)state;
    assert_true(isnan(of(NULL).from_scale.v));
    assert_non_null(strstr(of(NULL).why_null, "+- 2.2 mm")); /* OBSERVABILITY: 1 % is 2.2 mm */
    const char *const measured[] = {
        "telescopes.tube.focal_length={value: 800 mm, sigma: 0.2 mm, from: measured}",
        "setups.one.focal_length={value: 637.1 mm, sigma: 0.2 mm, from: measured}"};
    struct nw_rig *const rig = read_rig(measured, 2);
    struct nw_back_focus f;
    struct nw_err err = {0};
    assert_int_equal(nw_back_focus_of(&rig->setups[0], &f, &err), NW_OK);
    /* m = 0.796375, 0.453 % below 0.8: 1 mm longer */
    check_near(f.from_scale.v, 55e-3 * (1 - 0.796375) / 0.2 - 55e-3, 1e-12, "thin lens");
    check_near(f.from_scale.v, 1.0e-3, 5e-6, "0.45 % a millimetre");
    check_near(f.from_scale.sigma, 275e-3 * 0.796375 * hypot(0.2 / 800, 0.2 / 637.1), 1e-9,
               "first order");
    nw_rig_free(rig);
    const struct nw_val before = {640e-3, 0.1e-3, NW_FROM_MEASURED};
    const struct nw_val after = {640e-3 * (1 - 0.5 * 0.00454545), 0.1e-3, NW_FROM_MEASURED};
    const struct nw_val change =
        nw_back_focus_change_m(nw_optics_scale_per_spacing_per_m(0.8, 55e-3), &before, &after);
    check_near(change.v, 0.5e-3, 1e-8, "shorter focal length: longer spacing");
    check_near(change.sigma, sqrt(2.0) * 0.1 / 640 / 4.54545, 2e-7, "first order");
    assert_true(isnan(nw_back_focus_change_m(0.1, &before, &after).v)); /* a flattener */
}

static void test_curvature_teaches_its_response(void **state) {
    (void)state;
    const struct nw_val c1 = {60e-6, 3e-6, NW_FROM_MEASURED};
    const struct nw_val c2 = {20e-6, 3e-6, NW_FROM_MEASURED};
    const struct nw_val turn = {0.5e-3, 0.01e-3, NW_FROM_GIVEN};
    const struct nw_spacing_response r = nw_back_focus_response(&c1, &c2, &turn);
    check_near(r.per_m.v, -0.08, 1e-12, "40 um in 0.5 mm");
    check_near(r.more_m.v, 0.25e-3, 1e-12, "half as much again");
    /* the error by moving each input */
    double sum = 0.0;
    const double sigmas[3] = {c1.sigma, c2.sigma, turn.sigma};
    for (int i = 0; i < 3; i++) {
        struct nw_val in[3] = {c1, c2, turn};
        in[i].v += 1e-3 * sigmas[i];
        sum +=
            pow((nw_back_focus_response(&in[0], &in[1], &in[2]).more_m.v - r.more_m.v) / 1e-3, 2.0);
    }
    check_near(r.more_m.sigma, sqrt(sum), 1e-3 * r.more_m.sigma, "numerical derivatives");
}

static void test_the_ledger_adds_up_and_proposes_rings(void **state) {
    (void)state;
    struct nw_rig *const rig = read_rig(NULL, 0);
    struct nw_ledger *ledger = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_ledger_new("back_focus", rig, &rig->setups[0], &ledger, &err), NW_OK);
    double sum = 0.0;
    for (size_t i = 0; i < ledger->n_lines; i++) {
        sum += ledger->lines[i].is_summed ? ledger->lines[i].predicted : 0.0;
    }
    check_near(ledger->predicted, sum, 1e-12, "the lines add up");
    check_near(ledger->predicted, -3.522148, 2e-5, "as above");
    assert_true(ledger->is_over && ledger->over_probability > 0.999);
    assert_int_equal(ledger->n_advice, 1);
    /* gap 18.522: ten + five + three halves is the nearest below, 2.022 short: nothing fits */
    assert_string_equal(ledger->advice[0].effort, "purchase");
    assert_non_null(strstr(ledger->advice[0].change, "a ring of 2.02 mm"));
    nw_ledger_free(ledger);
    nw_rig_free(rig);
    const char *const longer = "pieces.wheel.length={value: 22 mm, sigma: 0.03 mm}";
    struct nw_rig *const other = read_rig(&longer, 1);
    assert_int_equal(nw_ledger_new("back_focus", other, &other->setups[0], &ledger, &err), NW_OK);
    assert_string_equal(ledger->advice[0].path, "setups.one.rings");
    assert_string_equal(ledger->advice[0].value, "[ten, five, half, half, half]");
    /* the advice, followed, is within what is allowed */
    char setting[420];
    (void)snprintf(setting, sizeof setting, "%s=%s", ledger->advice[0].path,
                   ledger->advice[0].value);
    nw_ledger_free(ledger);
    nw_rig_free(other);
    const char *const then[] = {longer, setting};
    struct nw_rig *const changed = read_rig(then, 2);
    assert_int_equal(nw_ledger_new("back_focus", changed, &changed->setups[0], &ledger, &err),
                     NW_OK);
    assert_false(ledger->is_over);
    assert_int_equal(ledger->n_leave, 1);
    nw_ledger_free(ledger);
    nw_rig_free(changed);
}

static void test_what_is_missing_is_named(void **state) {
    (void)state;
    const struct {
        const char *setting, *message;
    } rows[] = {
        {"setups.one.corrector=none",
         "setup one has no corrector: the focuser sets the back focus"},
        {"cameras.camera={pixel: 3 um, width: 100, height: 100}",
         "cameras.camera.flange is not in the rig file: where the sensor stands is not known"},
        {"correctors.r={magnification: 0.8}",
         "correctors.r.back_focus is not in the rig file: nothing to compare with"}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_rig *const rig = read_rig(&rows[i].setting, 1);
        struct nw_ledger *ledger = NULL;
        struct nw_err err = {0};
        assert_int_equal(nw_ledger_new("back_focus", rig, &rig->setups[0], &ledger, &err),
                         NW_NOTFOUND);
        assert_string_equal(err.text, rows[i].message);
        assert_null(ledger);
        nw_rig_free(rig);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lengths_and_glass_by_hand),
        cmocka_unit_test(test_what_the_maker_does_not_say_counts_half),
        cmocka_unit_test(test_spacing_as_the_scale_shows_it),
        cmocka_unit_test(test_curvature_teaches_its_response),
        cmocka_unit_test(test_the_ledger_adds_up_and_proposes_rings),
        cmocka_unit_test(test_what_is_missing_is_named),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
