/* test_damp.c - the damp budget: what decides, which way each key moves it, what is advised.
 */
#include <math.h>

#include "air/log.h"
#include "budget/ledger.h"
#include "check.h"

#define DEMO NW_SOURCE_ROOT "/data/demo/rig.yaml"

static struct nw_ledger *ledger_of(const char *const *settings, size_t n) {
    struct nw_err err = {0};
    struct nw_rig *rig = NULL;
    struct nw_ledger *ledger = NULL;
    if (nw_rig_read(DEMO, settings, n, &rig, &err) != NW_OK ||
        nw_ledger_new("damp", rig, &rig->setups[0], &ledger, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    nw_rig_free(rig);
    return ledger;
}

static double margin_of(const struct nw_ledger *ledger, const char *id) {
    for (size_t i = 0; i < ledger->n_lines; i++) {
        if (strcmp(ledger->lines[i].id, id) == 0) {
            return ledger->lines[i].predicted;
        }
    }
    fail_msg("no line %s", id);
    return NAN;
}

static void test_the_least_lens_or_cover_decides_and_tubes_do_not(void **state) {
    (void)state;
    struct nw_ledger *const ledger = ledger_of(NULL, 0);
    assert_true(ledger->is_floor);
    assert_false(ledger->is_over);
    const double front = margin_of(ledger, "surface:front lens");
    const double guide = margin_of(ledger, "surface:guide lens");
    const double cover = margin_of(ledger, "cover");
    check_near(ledger->predicted, fmin(fmin(front, guide), cover), 1e-12, "the least");
    assert_true(margin_of(ledger, "surface:main tube") < 0.0); /* wet, and not judged */
    assert_true(ledger->n_cautions >= 2);
    nw_ledger_free(ledger);
}

static void test_without_straps_in_humid_air_a_lens_gets_wet(void **state) {
    (void)state;
    const char *const dry[] = {"surfaces.front lens.strap=0 W", "surfaces.guide lens.strap=0 W",
                               "site.humidity=0.4"};
    const char *const wet[] = {"surfaces.front lens.strap=0 W", "surfaces.guide lens.strap=0 W",
                               "site.humidity=0.95"};
    struct nw_ledger *const a = ledger_of(dry, 3);
    struct nw_ledger *const b = ledger_of(wet, 3);
    const double drier = margin_of(a, "surface:front lens");
    const double wetter = margin_of(b, "surface:front lens");
    assert_true(drier > wetter + 3.0);
    assert_true(b->is_over);
    assert_true(b->n_advice >= 2); /* a strap on both */
    assert_string_equal(b->advice[0].path, "surfaces.front lens.strap");
    nw_ledger_free(a);
    nw_ledger_free(b);
}

static void test_the_advised_strap_does_what_is_foretold(void **state) {
    (void)state;
    char setting[420];
    const char *settings[] = {"surfaces.front lens.strap=0 W", "site.humidity=0.95", setting};
    struct nw_ledger *const before = ledger_of(settings, 2);
    assert_true(before->n_advice > 0);
    (void)snprintf(setting, sizeof setting, "%s=%s", before->advice[0].path,
                   before->advice[0].value);
    nw_ledger_free(before);
    struct nw_ledger *const after = ledger_of(settings, 3);
    /* what is advised holds it in balance; in falling air it trails, warmer by 1 to 2 K */
    assert_true(margin_of(after, "surface:front lens") > after->allowed - 0.1);
    assert_true(margin_of(after, "surface:front lens") < after->allowed + 2.5);
    nw_ledger_free(after);
}

static void test_a_shield_and_less_sky_keep_a_lens_warmer(void **state) {
    (void)state;
    const char *const open[] = {"surfaces.front lens.strap=0 W",
                                "surfaces.front lens.sky_share=0.8"};
    const char *const deep[] = {"surfaces.front lens.strap=0 W",
                                "surfaces.front lens.sky_share=0.05"};
    struct nw_ledger *const a = ledger_of(open, 2);
    struct nw_ledger *const b = ledger_of(deep, 2);
    assert_true(margin_of(b, "surface:front lens") > margin_of(a, "surface:front lens") + 1.0);
    nw_ledger_free(a);
    nw_ledger_free(b);
}

/* Three hours: open for two, closed and covered for one. Outside 10 degC with a dew point of 5
 * degC: a lens at 8 degC stays 3 K above it; on the tube, at 3 degC, dew is 2 K too warm. */
static void test_a_log_fills_the_measured_column(void **state) {
    (void)state;
    struct nw_ledger *const ledger = ledger_of(NULL, 0);
    struct nw_buf csv;
    struct nw_table *table = NULL;
    struct nw_air_log log = {0};
    struct nw_rig *rig = NULL;
    struct nw_err err = {0};
    nw_buf_init(&csv, 20000);
    nw_buf_printf(&csv, "time,temperature_c,dew_point_c,room_c,room_humidity_percent,cover_c,"
                        "front lens_c,main tube_c,roof_open,covered\n");
    for (int i = 0; i < 180; i++) {
        const bool is_open = i < 120;
        nw_buf_printf(&csv, "2026-06-14T%02d:%02d:00Z,10,5,12,50,14,%s,%s,%d,%d\n", 10 + i / 60,
                      i % 60, is_open ? "8" : "1", is_open ? "3" : "1", is_open, !is_open);
    }
    assert_int_equal(nw_rig_read(DEMO, NULL, 0, &rig, &err), NW_OK);
    assert_int_equal(nw_table_parse("log", csv.data, csv.len, &table, &err), NW_OK);
    assert_int_equal(nw_air_log_read(table, rig, &log, &err), NW_OK);
    assert_true(isnan(ledger->measured));
    nw_ledger_damp_measured(ledger, rig, &log);
    check_near(nw_ledger_find(ledger, "surface:front lens")->measured, 3.0, 0.01, "8 less 5 degC");
    check_near(nw_ledger_find(ledger, "surface:main tube")->measured, -2.0, 0.01, "3 less 5 degC");
    assert_true(isnan(nw_ledger_find(ledger, "surface:guide lens")->measured)); /* no probe */
    /* the room at 12 degC and 50 %: dew point 1.9 degC (Magnus, WMO-No. 8); under the cover 14 */
    const double cover = 14.0 - (nw_air_dew_point_K(nw_air_vapour_Pa(285.15, 0.5)) - 273.15);
    check_near(nw_ledger_find(ledger, "cover")->measured, cover, 0.01, "14 degC less dew point");
    check_near(nw_ledger_find(ledger, "room_humidity")->measured, 50.0, 0.01, "as logged");
    check_near(ledger->measured, 3.0, 0.01, "the least of what is judged: no tube");
    assert_true(ledger->measured_sigma > 0.3 && ledger->measured_sigma < 0.5);
    assert_int_equal(ledger->why_null[0], 0);
    nw_air_log_done(&log);
    nw_table_free(table);
    nw_buf_done(&csv);
    nw_rig_free(rig);
    nw_ledger_free(ledger);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_least_lens_or_cover_decides_and_tubes_do_not),
        cmocka_unit_test(test_without_straps_in_humid_air_a_lens_gets_wet),
        cmocka_unit_test(test_the_advised_strap_does_what_is_foretold),
        cmocka_unit_test(test_a_shield_and_less_sky_keep_a_lens_warmer),
        cmocka_unit_test(test_a_log_fills_the_measured_column),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
