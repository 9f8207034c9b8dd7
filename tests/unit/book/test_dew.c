/* test_dew.c - dew that is near: margins out of the book, the line and when it reaches nothing, the
 * alert's limits, light lost at the same time. */
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <sqlite3.h>

#include "air/air.h"
#include "book/live.h"
#include "book_support.h"

enum { MAX = 400 };
static const double START_S = 1.8e9;

struct night {
    struct nw_live live;
    struct nw_live_climate rows[MAX];
    struct nw_live_sub subs[8];
};

/* n rows every 2 minutes: margin falling at a rate, from a value. */
static void begin(struct night *night, size_t n, double from_K, double rate_K_h, int surface) {
    *night = (struct night){.live = {.climate = night->rows,
                                     .n_climate = n,
                                     .n_surfaces = 1,
                                     .surfaces = {"front lens"},
                                     .has_climate = true,
                                     .has_humidity = true}};
    for (size_t i = 0; i < n; i++) {
        const double t_s = 120.0 * (double)i;
        night->rows[i] = (struct nw_live_climate){START_S + t_s, from_K + rate_K_h * t_s / 3600.0,
                                                  surface, false};
    }
}

static const struct nw_live_alert *alert_of(struct night *night, enum nw_live_kind kind) {
    nw_live_replay(&night->live);
    for (size_t i = 0; i < night->live.n_alerts; i++) {
        if (night->live.alerts[i].kind == kind) {
            return &night->live.alerts[i];
        }
    }
    return NULL;
}

static void test_a_falling_margin_is_told_an_hour_before(void **state) {
    (void)state;
    static struct night night;
    struct nw_live_dew dew;
    begin(&night, 60, 5.0, -2.0, 0); /* used up after 2.5 h; two hours of rows */
    const struct nw_live_alert *const alert = alert_of(&night, NW_LIVE_DEW);
    assert_non_null(alert);
    /* under an hour from 1.5 h on, at which it is an hour: 1 h 32 min is the first, 34 the second
     */
    check_near(alert->t_raised_s, START_S + 94.0 * 60.0, 1.0, "by hand");
    assert_non_null(strstr(alert->text, "front lens"));
    assert_non_null(strstr(alert->text, "-2.0 K an hour: at this rate dew at about 10:30 UTC"));
    nw_live_dew_of(&night.live, &dew);
    check_near(dew.dew_s, START_S + 9000.0, 1e-3, "5 K at 2 K an hour");
    check_near(dew.margin_K, 5.0 - 2.0 * 59.0 / 30.0, 1e-9, "no noise: on the line");
    check_near(dew.rate_sigma_K_s, 0.0, 1e-9, "no noise");
}

/* Newton's law of cooling, 25 minutes, out of a room 10 K warmer: it ends 3 K above the dew point
 * and is never wet, though it falls by 20 K an hour at first. */
static void test_what_settles_is_not_called_wet(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 90, 0.0, 0.0, 0);
    for (size_t i = 0; i < 90; i++) {
        night.rows[i].margin_K = 3.0 + 10.0 * exp(-120.0 * (double)i / 1500.0) +
                                 (i % 3 ? 0.02 : -0.04); /* a thermometer of two digits */
    }
    assert_null(alert_of(&night, NW_LIVE_DEW));
}

static void test_two_limits_keep_it_from_chattering(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 120, 1.5, 0.0, 0);
    for (size_t i = 0; i < 120; i++) { /* 1.5 K: neither; 0.8: on; 1.5: stays; 2.5: off */
        night.rows[i].margin_K = i < 20 ? 1.5 : i < 40 ? 0.8 : i < 70 ? 1.5 : 2.5;
        night.rows[i].margin_K += i % 2 ? 0.05 : -0.05;
    }
    night.rows[30].margin_K = NAN; /* the roof shut for a moment */
    const struct nw_live_alert *const alert = alert_of(&night, NW_LIVE_DEW);
    size_t n = 0;
    for (size_t i = 0; i < night.live.n_alerts; i++) {
        n += night.live.alerts[i].kind == NW_LIVE_DEW ? 1 : 0;
    }
    assert_int_equal(n, 1);
    assert_true(alert->t_raised_s >= START_S + 20.0 * 120.0);
    assert_true(alert->t_raised_s <= START_S + 32.0 * 120.0);
    assert_true(alert->t_cleared_s >= START_S + 70.0 * 120.0);
    begin(&night, 120, 3.5, 0.0, 0);
    assert_null(alert_of(&night, NW_LIVE_DEW)); /* dry enough */
    begin(&night, 120, 2.5, 0.0, NW_LIVE_AIR);
    assert_non_null(alert_of(&night, NW_LIVE_DEW)); /* but not for glass that nobody measures */
    assert_non_null(strstr(alert_of(&night, NW_LIVE_DEW)->text, "no surface is logged"));
}

/* sigma of the rate and the interval of the time against the scatter of many nights. */
static void test_the_interval_covers(void **state) {
    (void)state;
    static struct night night;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    enum { TRIALS = 500 };
    size_t n_inside = 0;
    size_t n = 0;
    gsl_rng_set(rng, 3);
    for (size_t k = 0; k < TRIALS; k++) {
        struct nw_live_dew dew;
        begin(&night, 16, 2.5, -2.0, 0);
        for (size_t i = 0; i < 16; i++) {
            night.rows[i].margin_K += gsl_ran_gaussian(rng, 0.05);
        }
        nw_live_dew_of(&night.live, &dew);
        if (isfinite(dew.dew_s)) {
            n++;
            const double truth_s = START_S + 4500.0;
            n_inside += dew.dew_from_s <= truth_s && truth_s <= dew.dew_until_s ? 1 : 0;
        }
    }
    gsl_rng_free(rng);
    assert_true(n > 450); /* noise makes a few look as if they slowed down */
    /* two sigmas with 14 degrees of freedom (Student's t): 93.5 %; within 3.5 sigmas of it */
    assert_in_range(1000 * n_inside / n, 896, 974);
}

static void test_dew_and_light_are_told_together(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 60, 5.0, -2.0, 0);
    night.live.subs = night.subs;
    night.live.n = 8;
    for (size_t i = 0; i < 8; i++) {
        night.subs[i] = (struct nw_live_sub){.t_start_utc_s = START_S + 4000.0 + 320.0 * (double)i,
                                             .exposure_s = 300.0,
                                             .airmass = 1.0,
                                             .fwhm_px = 2.5,
                                             .foretold_px = NAN,
                                             .elongation = 1.0,
                                             .focuser_steps = NAN,
                                             .transmission = i < 4 ? 1.0 : 0.7};
    }
    const struct nw_live_alert *const light = alert_of(&night, NW_LIVE_LIGHT);
    const struct nw_live_alert *const dew = alert_of(&night, NW_LIVE_DEW);
    assert_non_null(strstr(light->text, "look at the glass before the sky"));
    assert_non_null(strstr(dew->text, "light fell to 70 %"));
    for (size_t i = 0; i < 8; i++) { /* the same loss four hours later is the sky's affair */
        night.subs[i].t_start_utc_s += 4.0 * 3600.0;
    }
    night.rows[59].margin_K = 9.0;
    for (size_t i = 50; i < 60; i++) {
        night.rows[i].margin_K = 9.0;
    }
    assert_null(strstr(alert_of(&night, NW_LIVE_LIGHT)->text, "glass"));
}

static void test_what_cannot_be_told_is_said(void **state) {
    (void)state;
    static struct night night;
    struct nw_live_dew dew;
    begin(&night, 0, 0.0, 0.0, 0);
    night.live.has_climate = false;
    nw_live_dew_of(&night.live, &dew);
    assert_string_equal(dew.why_null, "no climate log of this night");
    night.live.has_climate = true;
    night.live.has_humidity = false;
    nw_live_dew_of(&night.live, &dew);
    assert_non_null(strstr(dew.why_null, "no humidity"));
    begin(&night, 4, 3.0, -1.0, 0);
    nw_live_dew_of(&night.live, &dew);
    assert_string_equal(dew.why_null, "");
    assert_true(isnan(dew.rate_K_s) && isnan(dew.dew_s)); /* four rows are no trend */
}

/* ---- Out of the book ------------------------------------------------------------------------ */

static void put_double(unsigned char *to, double value) {
    uint64_t bits = 0;
    memcpy(&bits, &value, sizeof bits);
    for (unsigned i = 0; i < 8; i++) {
        to[i] = (unsigned char)(bits >> (8 * i));
    }
}

static void put_float(unsigned char *to, double value) {
    const float single = (float)value;
    uint32_t bits = 0;
    memcpy(&bits, &single, sizeof bits);
    for (unsigned i = 0; i < 4; i++) {
        to[i] = (unsigned char)(bits >> (8 * i));
    }
}

static void test_margins_come_out_of_the_book(void **state) {
    const struct place *const place = *state;
    enum { ROWS = 3, COLUMNS = 6, BYTES = 8 + 4 * COLUMNS };
    unsigned char blob[ROWS * BYTES];
    const double vapour_Pa = nw_air_saturation_water_Pa(283.15); /* a dew point of 10 degC */
    for (size_t i = 0; i < ROWS; i++) {
        /* air, vapour, room, front lens, main tube, roof: shut in the last row */
        const double values[COLUMNS] = {288.15, vapour_Pa, 270.0,
                                        285.15, 286.15,    i == 2 ? 0.0 : 1.0};
        put_double(blob + BYTES * i, START_S + 120.0 * (double)i);
        for (size_t k = 0; k < COLUMNS; k++) {
            put_float(blob + BYTES * i + 8 + 4 * k, values[k]);
        }
    }
    write_frame(place, "a.fits", &(struct words){.date = "2027-01-15T08:00:00", .use = "LIGHT"});
    take_all(place);
    char path[200];
    sqlite3 *db = NULL;
    sqlite3_stmt *insert = NULL;
    assert_int_equal(sqlite3_open(in(place, "book.sqlite", path), &db), SQLITE_OK);
    assert_int_equal(
        sqlite3_exec(db,
                     "INSERT INTO content VALUES (99, randomblob(32), 'climate-log', 1, 0.0, '')",
                     NULL, NULL, NULL),
        SQLITE_OK);
    assert_int_equal(
        sqlite3_prepare_v2(
            db,
            "INSERT INTO climate_run (content_id, number, night_id, start_utc_s, end_utc_s, "
            "n_samples, gap_s, columns, samples) VALUES (99, 1, (SELECT max(id) FROM night), 1, 2, "
            "3, 0, 'air_K' || char(10) || 'vapour_Pa' || char(10) || 'room_K' || char(10) || "
            "'front lens_K' || char(10) || 'main tube_K' || char(10) || 'roof_open' || char(10), "
            "?1)",
            -1, &insert, NULL),
        SQLITE_OK);
    assert_int_equal(sqlite3_bind_blob(insert, 1, blob, sizeof blob, SQLITE_STATIC), SQLITE_OK);
    assert_int_equal(sqlite3_step(insert), SQLITE_DONE);
    assert_int_equal(sqlite3_finalize(insert), SQLITE_OK);
    assert_int_equal(sqlite3_close(db), SQLITE_OK);
    struct nw_live *const live = calloc(1, sizeof *live);
    struct nw_err err = {0};
    assert_non_null(live);
    ok(nw_live_read(place->book, NULL, NULL, live, &err), &err);
    assert_int_equal(live->n_climate, ROWS);
    assert_true(live->has_climate && live->has_humidity);
    assert_string_equal(live->surfaces[live->climate[0].surface], "front lens");
    check_near(live->climate[0].margin_K, 2.0, 2e-4,
               "12 degC above a dew point of 10; the room, "
               "which is colder, is not under the sky");
    check_near(live->climate[1].t_utc_s, START_S + 120.0, 1e-9, "as logged");
    assert_true(isnan(live->climate[2].margin_K));
    nw_live_done(live);
    free(live);
}

#define in_place(test) cmocka_unit_test_setup_teardown(test, place_setup, place_teardown)

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_falling_margin_is_told_an_hour_before),
        cmocka_unit_test(test_what_settles_is_not_called_wet),
        cmocka_unit_test(test_two_limits_keep_it_from_chattering),
        cmocka_unit_test(test_the_interval_covers),
        cmocka_unit_test(test_dew_and_light_are_told_together),
        cmocka_unit_test(test_what_cannot_be_told_is_said),
        in_place(test_margins_come_out_of_the_book),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
