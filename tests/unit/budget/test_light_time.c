/* test_light_time.c - the ledgers of light and time: closed forms, directions, what is over. */
#include "budget/ledger_seen.h"
#include "sky/almanac.h"

#include "check.h"

static struct nw_ledger *ledger_with(const char *name, const char *set) {
    struct nw_rig *rig = NULL;
    struct nw_ledger *ledger = NULL;
    struct nw_err err = {0};
    if (nw_rig_read(NW_SOURCE_ROOT "/data/demo/rig.yaml", &set, set ? 1 : 0, &rig, &err) != NW_OK ||
        nw_ledger_new(name, rig, nw_rig_setup(rig, NULL), &ledger, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    nw_rig_free(rig);
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

static void test_shares_of_light_are_whole(void **state) {
    (void)state;
    struct nw_ledger *const l = ledger_with("light", NULL);
    double sum = 0.0;
    for (size_t i = 0; i < l->n_lines; i++) {
        sum += l->lines[i].is_summed ? l->lines[i].predicted : 0.0;
    }
    check_near(sum, 100.0, 1e-9, "shares");
    assert_false(l->is_over);
    assert_string_equal(l->lines[l->limiting].id, "sky");
    assert_true(line_of(l, "limit_luminance")->predicted >
                line_of(l, "limit_hydrogen-alpha")->predicted); /* flat light: width tells */
    nw_ledger_free(l);
}

static void test_short_subs_are_over_and_told_what_they_cost(void **state) {
    (void)state;
    struct nw_ledger *const l = ledger_with("light", "setups.deep.habits.sub_length=10 s");
    assert_true(l->is_over);
    const struct nw_ledger_line *const read = line_of(l, "read_noise");
    assert_true(read->predicted > 5.0 && read->attainable < 5.0);
    /* worth: what reads and pauses cost at 10 s against the recommended length */
    const double yield_10 =
        (1.0 - (read->predicted + line_of(l, "quantisation")->predicted) / 100) * 10.0 / 15.0;
    assert_int_equal(l->n_advice, 1);
    assert_string_equal(l->advice[0].change, "subs of 240 s");
    const double worth = l->advice[0].time_percent_extended;
    assert_true(worth > 100.0 * (1.0 - yield_10) - 5.0 && worth < 100.0 * (1.0 - yield_10));
    nw_ledger_free(l);
}

static void test_time_by_hand(void **state) {
    (void)state;
    struct nw_ledger *const l = ledger_with("time", NULL);
    check_near(line_of(l, "focus_runs")->predicted, 60.0 * 150.0 / (150.0 + 5400.0), 1e-9,
               "run / (run + interval)");
    const double dark_h =
        0.5 * (line_of(l, "dark_june")->predicted + line_of(l, "dark_december")->predicted);
    check_near(line_of(l, "flip")->predicted, 5.0 / dark_h, 1e-9, "once a night");
    const double left = 1.0 - 150.0 / 5550.0 - 300.0 / (3600.0 * dark_h);
    check_near(line_of(l, "reading_out")->predicted, 60.0 * left * 3.0 / 308.0, 1e-9, "3 of 308 s");
    assert_true(line_of(l, "dark_june")->predicted > line_of(l, "dark_december")->predicted);
    nw_ledger_free(l);
    struct nw_ledger *const fast = ledger_with("time", "setups.deep.habits.sub_length=10 s");
    assert_true(fast->is_over && fast->n_advice == 1);
    nw_ledger_free(fast);
}

/* Two subs about an end of darkness: what lies in twilight is not counted, on either side. */
static void check_cut(const struct nw_rig *rig, double first_s, double second_s, double expect_s) {
    struct nw_ledger *l = NULL;
    struct nw_err err = {0};
    struct nw_seen_sub subs[2] = {{.t_start_utc_s = first_s, .exposure_s = 300.0},
                                  {.t_start_utc_s = second_s, .exposure_s = 300.0}};
    assert_int_equal(nw_ledger_new("time", rig, nw_rig_setup(rig, NULL), &l, &err), NW_OK);
    nw_ledger_time_measured(l, rig, subs, 2);
    const struct nw_ledger_line *const line = line_of(l, "exposing");
    char twilight[48];
    (void)snprintf(twilight, sizeof twilight, "%.0f min of exposure in twilight",
                   (600.0 - expect_s) / 60.0);
    check_near(3600.0 * line->measured, expect_s, 1e-3, "seconds in the dark, by hand");
    assert_non_null(strstr(line->detail, twilight));
    nw_ledger_free(l);
}

static void test_twilight_is_cut_at_either_end(void **state) {
    (void)state;
    struct nw_rig *rig = NULL;
    struct nw_dark dark;
    struct nw_err err = {0};
    assert_int_equal(nw_rig_read(NW_SOURCE_ROOT "/data/demo/rig.yaml", NULL, 0, &rig, &err), NW_OK);
    const struct nw_observer o = nw_sky_observer_of(rig);
    const double day_s = 1781222400.0; /* 2026-06-12 */
    assert_int_equal(nw_sky_dark(&o, nw_sky_noon_utc_s(day_s, rig->site.longitude_rad.v),
                                 NW_TWILIGHT_ASTRONOMICAL_RAD, &dark, &err),
                     NW_OK);
    check_cut(rig, dark.start_s - 120.0, dark.start_s + 190.0, 180.0 + 300.0); /* evening */
    check_cut(rig, dark.end_s - 370.0, dark.end_s - 60.0, 300.0 + 60.0);       /* morning */
    check_cut(rig, dark.end_s + 10.0, dark.end_s + 320.0, 0.0);
    nw_rig_free(rig);
}

static void test_the_sun_has_neither(void **state) {
    (void)state;
    struct nw_rig *rig = NULL;
    struct nw_ledger *ledger = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_rig_read(NW_SOURCE_ROOT "/data/demo/rig.yaml", NULL, 0, &rig, &err), NW_OK);
    const struct nw_setup *const solar = nw_rig_setup(rig, "solar");
    assert_int_equal(nw_ledger_new("light", rig, solar, &ledger, &err), NW_NOTFOUND);
    assert_int_equal(nw_ledger_new("time", rig, solar, &ledger, &err), NW_NOTFOUND);
    nw_rig_free(rig);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_shares_of_light_are_whole),
        cmocka_unit_test(test_short_subs_are_over_and_told_what_they_cost),
        cmocka_unit_test(test_time_by_hand),
        cmocka_unit_test(test_twilight_is_cut_at_either_end),
        cmocka_unit_test(test_the_sun_has_neither),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
