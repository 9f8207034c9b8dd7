/* test_live.c - alerts of a night: raised after so many, cleared below a lower limit, the same when
 * replayed. */
#include "book/live.h"
#include "check.h"

enum { MAX = 40 };

struct night {
    struct nw_live live;
    struct nw_live_sub subs[MAX];
    struct nw_live_guiding guiding[MAX];
};

/* n good subs of 300 s every 320 s. */
static void begin(struct night *night, size_t n) {
    *night = (struct night){.live = {.bytes_per_s = NAN}};
    night->live.subs = night->subs;
    night->live.guiding = night->guiding;
    night->live.n = n;
    for (size_t i = 0; i < n; i++) {
        night->subs[i] = (struct nw_live_sub){.t_start_utc_s = 1.8e9 + 320.0 * (double)i,
                                              .exposure_s = 300.0,
                                              .airmass = 1.0,
                                              .fwhm_px = 2.5,
                                              .foretold_px = NAN,
                                              .foretold_sigma_px = NAN,
                                              .scale_rad_px = NAN,
                                              .elongation = 1.03,
                                              .transmission = 1.0,
                                              .focuser_steps = 1000.0,
                                              .focuser_temperature_K = 280.0,
                                              .ra_rad = 0.0,
                                              .dec_rad = 0.0,
                                              .longitude_rad = NAN,
                                              .size_bytes = 52000000};
    }
}

static const struct nw_live_alert *only(const struct night *night, enum nw_live_kind kind) {
    const struct nw_live_alert *found = NULL;
    for (size_t i = 0; i < night->live.n_alerts; i++) {
        if (night->live.alerts[i].kind == kind) {
            assert_null(found);
            found = &night->live.alerts[i];
        }
    }
    return found;
}

static double end_of(const struct night *night, size_t i) {
    return night->subs[i].t_start_utc_s + 300.0;
}

static void test_a_good_night_is_quiet(void **state) {
    (void)state;
    static struct night night;
    begin(&night, MAX);
    for (size_t i = 0; i < MAX; i++) { /* sinking: wider by X^0.6, fainter by 0.2 mag an airmass */
        night.subs[i].airmass = 1.0 + 0.03 * (double)i;
        night.subs[i].fwhm_px = 2.5 * pow(night.subs[i].airmass, 0.6);
        night.subs[i].transmission = pow(10.0, -0.08 * (night.subs[i].airmass - 1.0));
    }
    nw_live_replay(&night.live);
    assert_int_equal(night.live.n_alerts, 0);
    check_near(night.live.exposure_h, MAX * 300.0 / 3600.0, 1e-9, "sum");
    check_near(night.live.usual_gap_s, 20.0, 1e-9, "every 320 s, 300 s long");
    check_near(night.live.bytes_per_s, MAX * 52e6 / (MAX * 320.0 - 20.0), 1.0, "bytes over span");
}

static void test_light_is_lost_and_comes_back(void **state) {
    (void)state;
    static struct night night;
    static const double LIGHT[] = {1.0,  1.0,  0.7,  1.0, 0.7,  0.75,
                                   0.85, 0.85, 0.95, 0.7, 0.95, 0.95};
    const size_t n = sizeof LIGHT / sizeof LIGHT[0];
    begin(&night, n);
    for (size_t i = 0; i < n; i++) {
        night.subs[i].transmission = LIGHT[i];
    }
    nw_live_replay(&night.live);
    const struct nw_live_alert *const alert = only(&night, NW_LIVE_LIGHT);
    assert_non_null(alert);
    /* one faint sub is none; the second of two raises; 0.85 is neither; one good one clears nothing
     * when a faint one follows */
    check_near(alert->t_raised_s, end_of(&night, 5), 1e-6, "second of two in a row");
    check_near(alert->t_cleared_s, end_of(&night, 11), 1e-6, "second of two in a row");
    check_near(alert->value, 0.75, 1e-12, "the sub that raised it");
}

static void test_width_against_what_was_foretold(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 12);
    for (size_t i = 0; i < 12; i++) {
        night.subs[i].foretold_px = 2.4;
        night.subs[i].foretold_sigma_px = 0.2;
        night.subs[i].fwhm_px = i >= 4 && i < 8 ? 2.9 : 2.5; /* over 2.8, under 2.6 */
    }
    nw_live_replay(&night.live);
    const struct nw_live_alert *const alert = only(&night, NW_LIVE_WIDTH);
    assert_non_null(alert);
    check_near(alert->t_raised_s, end_of(&night, 6), 1e-6, "third of three");
    check_near(alert->t_cleared_s, end_of(&night, 10), 1e-6, "third of three");
    check_near(alert->limit, 2.8, 1e-12, "foretold and two sigmas");
}

static void test_width_without_a_rig_is_held_against_the_night_itself(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 20);
    for (size_t i = 12; i < 20; i++) {
        night.subs[i].fwhm_px = 2.5 * 1.35;
    }
    nw_live_replay(&night.live);
    const struct nw_live_alert *const alert = only(&night, NW_LIVE_WIDTH);
    assert_non_null(alert);
    check_near(alert->t_raised_s, end_of(&night, 14), 1e-6, "third of three");
    assert_true(isnan(alert->t_cleared_s));
}

static void test_a_focus_run_ends_the_drift(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 24);
    for (size_t i = 0; i < 24; i++) {
        const size_t since = i < 16 ? i : i - 16;
        night.subs[i].focuser_steps = i < 16 ? 1000.0 : 1012.0;
        night.subs[i].focuser_temperature_K = 280.0 - 0.1 * (double)i;
        night.subs[i].fwhm_px = 2.5 * (1.0 + 0.02 * (double)since);
    }
    nw_live_replay(&night.live);
    const struct nw_live_alert *const alert = only(&night, NW_LIVE_FOCUS);
    assert_non_null(alert);
    /* mean of three against the first three: 1 + 0.02 (i - 1) over 1.02, above 1.15 from i = 10 on
     * (1.18 / 1.02 = 1.157); raised by the second in a row */
    check_near(alert->t_raised_s, end_of(&night, 11), 1e-6, "by hand");
    check_near(alert->t_cleared_s, night.subs[16].t_start_utc_s, 1e-6, "the run");
    assert_non_null(strstr(alert->text, "K"));
}

static void test_long_stars_and_guiding(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 10);
    for (size_t i = 3; i < 7; i++) {
        night.subs[i].elongation = 1.2;
    }
    night.live.n_guiding = 12;
    for (size_t i = 0; i < 12; i++) {
        night.guiding[i] =
            (struct nw_live_guiding){1.8e9 + 600.0 * (double)i, i == 6 || i == 7 ? 5e-6 : 2e-6};
    }
    nw_live_replay(&night.live);
    check_near(only(&night, NW_LIVE_SHAPE)->t_raised_s, end_of(&night, 5), 1e-6, "third of three");
    check_near(only(&night, NW_LIVE_SHAPE)->t_cleared_s, end_of(&night, 9), 1e-6, "third of three");
    check_near(only(&night, NW_LIVE_GUIDING)->t_raised_s, 1.8e9 + 4200.0, 1e-6, "second of two");
    check_near(only(&night, NW_LIVE_GUIDING)->t_cleared_s, 1.8e9 + 5400.0, 1e-6, "second of two");
}

static void test_what_only_the_clock_tells(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 10);
    nw_live_replay(&night.live);
    const double end_s = night.live.t_last_end_s;
    /* due: 300 s of exposure, two gaps of 20 s, 120 s of patience */
    nw_live_tick(&night.live, &(struct nw_live_clock){end_s + 459.0, -1.0, false, NULL});
    assert_null(only(&night, NW_LIVE_STOPPED));
    nw_live_tick(&night.live, &(struct nw_live_clock){end_s + 461.0, -1.0, false, NULL});
    check_near(only(&night, NW_LIVE_STOPPED)->t_raised_s, end_s + 460.0, 1e-6, "by hand");
    nw_live_replay(&night.live);
    nw_live_tick(&night.live, &(struct nw_live_clock){end_s + 86400.0, -1.0, false, NULL});
    assert_null(only(&night, NW_LIVE_STOPPED)); /* the night is over */
    const double per_h = night.live.bytes_per_s * 3600.0;
    nw_live_tick(&night.live, &(struct nw_live_clock){end_s, 10.5 * per_h, false, NULL});
    assert_null(only(&night, NW_LIVE_DISK));
    nw_live_tick(&night.live,
                 &(struct nw_live_clock){end_s, 10.5 * per_h, true, NULL}); /* hysteresis */
    assert_non_null(only(&night, NW_LIVE_DISK));
}

/* Sidereal time equals right ascension on the meridian (definition): 19 minutes before it the alert
 * is on, 21 minutes before and after it is not. */
static void test_the_meridian_comes(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 3);
    night.subs[2].longitude_rad = 0.3;
    nw_live_replay(&night.live);
    const double now_s = night.live.t_last_end_s;
    static const struct {
        double minutes;
        bool is_on;
    } rows[] = {{19.0, true}, {21.0, false}, {-1.0, false}, {1.0, true}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        /* Meeus 1998, Astronomical Algorithms, eq. 12.4: mean sidereal time at Greenwich */
        const double d = now_s / 86400.0 + 2440587.5 - 2451545.0;
        const double sidereal_deg = 280.46061837 + 360.98564736629 * d;
        night.subs[2].ra_rad =
            sidereal_deg * NW_RAD_PER_DEG + 0.3 + rows[i].minutes * 60.0 * NW_SIDEREAL_RATE_RAD_S;
        nw_live_replay(&night.live);
        nw_live_tick(&night.live, &(struct nw_live_clock){now_s, -1.0, false, NULL});
        assert_int_equal(only(&night, NW_LIVE_MERIDIAN) != NULL, rows[i].is_on);
    }
}

static void test_nothing_known_tells_nothing(void **state) {
    (void)state;
    static struct night night;
    begin(&night, 8);
    for (size_t i = 0; i < 8; i++) {
        night.subs[i] = (struct nw_live_sub){.t_start_utc_s = 1.8e9 + (double)i,
                                             .exposure_s = NAN,
                                             .airmass = NAN,
                                             .fwhm_px = NAN,
                                             .foretold_px = NAN,
                                             .elongation = NAN,
                                             .transmission = NAN,
                                             .focuser_steps = NAN,
                                             .ra_rad = NAN,
                                             .longitude_rad = NAN};
    }
    nw_live_replay(&night.live);
    nw_live_tick(&night.live, &(struct nw_live_clock){1.8e9 + 60.0, -1.0, false, NULL});
    assert_int_equal(night.live.n_alerts, 0);
    night.live.n = 0;
    nw_live_replay(&night.live);
    nw_live_tick(&night.live, &(struct nw_live_clock){1.8e9, 1.0, false, NULL});
    assert_int_equal(night.live.n_alerts, 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_good_night_is_quiet),
        cmocka_unit_test(test_light_is_lost_and_comes_back),
        cmocka_unit_test(test_width_against_what_was_foretold),
        cmocka_unit_test(test_width_without_a_rig_is_held_against_the_night_itself),
        cmocka_unit_test(test_a_focus_run_ends_the_drift),
        cmocka_unit_test(test_long_stars_and_guiding),
        cmocka_unit_test(test_what_only_the_clock_tells),
        cmocka_unit_test(test_the_meridian_comes),
        cmocka_unit_test(test_nothing_known_tells_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
