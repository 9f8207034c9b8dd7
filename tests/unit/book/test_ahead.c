/* test_ahead.c - the contact that lies ahead: its time against looking at every minute of the
 * tracking, the alert 20 minutes before, what a flip does, what is not known. */
#include "../mount/bodies.h"
#include "book/ahead.h"
#include "sky/sky.h"

#define DEG NW_RAD_PER_DEG

static const struct nw_place PLACE = {48.0 * DEG, 11.0 * DEG, 500.0};
static const double START_S = 1.8e9;

/* Tube with camera, weights, pier. */
static struct nw_clearance *observatory(double sigma_m) {
    struct nw_body bodies[4];
    bodies[0] = round_body(NW_RIDES_TUBE, NW_SHAPE_TUBE, 0, 5.0, 0.8, 0.14);
    bodies[0].at_m[2] = VAL(0.26);
    bodies[0].diameter_m.sigma = sigma_m;
    nw_text_copy(bodies[0].name, sizeof bodies[0].name, "main tube");
    bodies[1] = round_body(NW_RIDES_TUBE, NW_SHAPE_CYLINDER, 0, 1.5, 0.15, 0.17);
    bodies[1].at_m[0] = VAL(-0.5);
    bodies[1].at_m[2] = VAL(0.26);
    bodies[1].diameter_m.sigma = sigma_m;
    nw_text_copy(bodies[1].name, sizeof bodies[1].name, "camera");
    bodies[2] = weight_body(10.0, 0.08, -0.3, -0.4, -0.1);
    bodies[3] = round_body(NW_RIDES_GROUND, NW_SHAPE_CYLINDER, 2, 100.0, 1.2, 0.2);
    bodies[3].at_m[2] = VAL(-0.9);
    nw_text_copy(bodies[3].name, sizeof bodies[3].name, "pier");
    return model_of(bodies, 4, 48.0);
}

struct night {
    struct nw_live live;
    struct nw_live_sub subs[4];
};

/* Four subs of a target at an hour angle at the end of the last. */
static double begin(struct night *night, double ha_h, double dec_deg, const char *side) {
    *night = (struct night){.live = {.subs = night->subs, .n = 4}};
    const double end_s = START_S + 3.0 * 320.0 + 300.0;
    /* Meeus 1998, Astronomical Algorithms, eq. 12.4: mean sidereal time at Greenwich */
    const double d = end_s / 86400.0 + 2440587.5 - 2451545.0;
    const double sidereal = (280.46061837 + 360.98564736629 * d) * DEG + PLACE.longitude_rad;
    for (size_t i = 0; i < 4; i++) {
        night->subs[i] = (struct nw_live_sub){.t_start_utc_s = START_S + 320.0 * (double)i,
                                              .exposure_s = 300.0,
                                              .airmass = 1.2,
                                              .fwhm_px = 2.5,
                                              .foretold_px = NAN,
                                              .elongation = 1.0,
                                              .transmission = 1.0,
                                              .focuser_steps = NAN,
                                              .longitude_rad = PLACE.longitude_rad,
                                              .ra_rad = sidereal - ha_h * 15.0 * DEG,
                                              .dec_rad = dec_deg * DEG};
        nw_text_copy(night->subs[i].tube_side, sizeof night->subs[i].tube_side, side);
    }
    nw_live_replay(&night->live);
    return end_s;
}

/* How far from contact the tube is at a moment of the tracking. */
static double distance_at(const struct nw_clearance *model, const struct night *night, double t_s,
                          enum nw_side side) {
    struct nw_pointing p;
    struct nw_err err = {0};
    assert_int_equal(
        nw_sky_pointing(night->subs[3].ra_rad, night->subs[3].dec_rad, t_s, &PLACE, NULL, &p, &err),
        NW_OK);
    const struct nw_pose pose = {p.hour_angle_rad, p.dec_rad, side};
    return nw_clearance_at(model, &pose).distance_m;
}

static void test_the_contact_is_where_looking_finds_it(void **state) {
    (void)state;
    struct nw_clearance *const model = observatory(0.0);
    size_t n_contacts = 0;
    for (int step = 0; step < 7; step++) {
        const double dec_deg = -20.0 + 15.0 * step;
        struct night night;
        struct nw_ahead_range range = {.is_there = false};
        struct nw_live_contact c;
        const double now_s = begin(&night, -1.0, dec_deg, "west"); /* the usual side in the east */
        nw_ahead_contact(&night.live, now_s, &PLACE, model, &range, &c);
        assert_string_equal(c.why_null, "");
        assert_false(c.is_east || c.is_side_assumed || c.is_side_unusual);
        check_near(c.ha_rad / DEG, -15.0, 0.6, "as set; precession from 2000 is within 0.5 deg");
        double first_s = NAN; /* by looking every 20 s of the way, to 7 h */
        for (double t_s = now_s; t_s < now_s + 7.0 * 3600.0 && isnan(first_s); t_s += 20.0) {
            struct nw_pointing p;
            (void)!nw_sky_pointing(night.subs[3].ra_rad, night.subs[3].dec_rad, t_s, &PLACE, NULL,
                                   &p, NULL);
            if (p.altitude_rad < 0.0) {
                break;
            }
            first_s = distance_at(model, &night, t_s, NW_SIDE_WEST) <= 0.0 ? t_s : NAN;
        }
        assert_int_equal(isnan(first_s), isnan(c.contact_s));
        if (isfinite(first_s)) {
            n_contacts++;
            check_near(c.contact_s, first_s - 10.0, 13.0, "every 20 s; 0.01 deg are 2.4 s");
            check_near(c.sure_s, c.contact_s, 3.0, "no errors: sure up to the contact");
            check_near((c.contact_ha_rad - c.ha_rad) / NW_SIDEREAL_RATE_RAD_S, c.contact_s - now_s,
                       1e-3, "the sidereal rate");
        }
    }
    assert_true(n_contacts >= 3);
    nw_clearance_free(model);
}

static const struct nw_live_alert *alert_at(struct night *night, double now_s,
                                            const struct nw_live_contact *c) {
    nw_live_replay(&night->live);
    nw_live_tick(&night->live, &(struct nw_live_clock){now_s, -1.0, false, c});
    for (size_t i = 0; i < night->live.n_alerts; i++) {
        if (night->live.alerts[i].kind == NW_LIVE_CONTACT) {
            return &night->live.alerts[i];
        }
    }
    return NULL;
}

static void test_it_is_told_twenty_minutes_before_what_is_sure(void **state) {
    (void)state;
    struct nw_clearance *const model = observatory(0.01);
    struct night night;
    struct nw_ahead_range range = {.is_there = false};
    struct nw_live_contact c;
    const double end_s = begin(&night, 0.2, 40.0, "west");
    nw_ahead_contact(&night.live, end_s, &PLACE, model, &range, &c);
    assert_true(isfinite(c.contact_s));
    assert_true(c.sure_s < c.contact_s); /* 10 mm of error are minutes */
    assert_true(c.is_side_unusual);      /* west of the pier, past the meridian */
    const double sure_s = c.sure_s;
    const double moments[] = {sure_s - 1260.0, sure_s - 1140.0, sure_s + 600.0};
    for (size_t i = 0; i < 3; i++) {
        nw_ahead_contact(&night.live, moments[i], &PLACE, model, &range, &c);
        check_near(c.sure_s, sure_s, 1.0, "the same contact whenever it is asked for");
        const struct nw_live_alert *const alert = alert_at(&night, moments[i], &c);
        assert_int_equal(alert != NULL, i > 0);
        if (alert) {
            check_near(alert->t_raised_s, sure_s - 1200.0, 1.0, "20 minutes before");
            assert_non_null(strstr(alert->text, "pier"));
            assert_non_null(strstr(alert->text, "a flip clears it"));
            assert_non_null(strstr(alert->text, "Watch stops nothing"));
        }
    }
    /* the night is long over: the mount may stand anywhere */
    nw_ahead_contact(&night.live, end_s + 7.0 * 3600.0, &PLACE, model, &range, &c);
    assert_null(alert_at(&night, end_s + 7.0 * 3600.0, &c));
    /* after the flip the contact is gone */
    nw_text_copy(night.subs[3].tube_side, sizeof night.subs[3].tube_side, "east");
    nw_ahead_contact(&night.live, moments[1], &PLACE, model, &range, &c);
    assert_null(alert_at(&night, moments[1], &c));
    nw_clearance_free(model);
}

static void test_a_side_that_is_not_said_is_the_usual_one_at_the_start(void **state) {
    (void)state;
    struct nw_clearance *const model = observatory(0.0);
    struct night night;
    struct nw_ahead_range range = {.is_there = false};
    struct nw_live_contact c;
    double now_s = begin(&night, 0.1, 25.0, ""); /* began 21 minutes earlier, before the meridian */
    nw_ahead_contact(&night.live, now_s, &PLACE, model, &range, &c);
    assert_true(c.is_side_assumed && !c.is_east);
    now_s = begin(&night, 1.0, 25.0, "");
    nw_ahead_contact(&night.live, now_s, &PLACE, model, &range, &c);
    assert_true(c.is_side_assumed && c.is_east);
    nw_clearance_free(model);
}

static void test_nothing_known_is_said(void **state) {
    (void)state;
    struct nw_clearance *const model = observatory(0.0);
    struct night night;
    struct nw_ahead_range range = {.is_there = false};
    struct nw_live_contact c;
    const double now_s = begin(&night, 0.0, 25.0, "west");
    nw_ahead_contact(&night.live, now_s, &PLACE, NULL, &range, &c);
    assert_non_null(strstr(c.why_null, "no outlines"));
    assert_null(alert_at(&night, now_s, &c));
    night.subs[3].ra_rad = NAN;
    nw_ahead_contact(&night.live, now_s, &PLACE, model, &range, &c);
    assert_non_null(strstr(c.why_null, "do not say where the telescope points"));
    night.live.n = 0;
    nw_ahead_contact(&night.live, now_s, &PLACE, model, &range, &c);
    assert_string_equal(c.why_null, "no sub yet");
    nw_clearance_free(model);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_contact_is_where_looking_finds_it),
        cmocka_unit_test(test_it_is_told_twenty_minutes_before_what_is_sure),
        cmocka_unit_test(test_a_side_that_is_not_said_is_the_usual_one_at_the_start),
        cmocka_unit_test(test_nothing_known_is_said),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
