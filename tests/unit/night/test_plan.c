/* test_plan.c - targets read, light, windows, the order of a night, season: sources, geometry,
 * edges */
#include "night/night.h"
#include "sky/spectrum.h"

#include "check.h"

#define DEG NW_RAD_PER_DEG
#define RIG NW_SOURCE_ROOT "/data/demo/minimal.yaml"

static struct nw_targets *targets_of(const char *body) {
    char text[4000];
    struct nw_targets *targets = NULL;
    struct nw_err err = {0};
    (void)snprintf(text, sizeof text, "nightwright-targets: 1\n%s", body);
    if (nw_targets_parse("t.yaml", text, strlen(text), &targets, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    return targets;
}

static void check_refused(const char *text, const char *want) {
    struct nw_targets *targets = NULL;
    struct nw_err err = {0};
    assert_int_not_equal(nw_targets_parse("t.yaml", text, strlen(text), &targets, &err), NW_OK);
    if (!strstr(err.text, want)) {
        fail_msg("got '%s', want '%s'", err.text, want);
    }
}

static void test_what_a_targets_file_may_not_say(void **state) {
    (void)state;
    check_refused("targets: {}\n", "nightwright-targets: 1");
    check_refused("nightwright-targets: 1\n", "no target in it");
    check_refused("nightwright-targets: 1\ntargets: {}\n", "no target in it");
    check_refused("nightwright-targets: 1\nhabits: {dithr: 3 s}\ntargets: {a: {goals: {x: 1 h}}}\n",
                  "t.yaml:2:10: dithr: unknown key, did you mean dither");
    check_refused("nightwright-targets: 1\ntargets:\n  a: {goals: {x: 1 kg}}\n", "t.yaml:3:15: x");
    check_refused("nightwright-targets: 1\ntargets:\n  a: {ra: 10 deg, goals: {x: 1 h}}\n",
                  "ra and dec belong together");
    check_refused("nightwright-targets: 1\ntargets:\n  a: {ra: 1, dec: 95, goals: {x: 1 h}}\n",
                  "outside -90 to 90");
    check_refused("nightwright-targets: 1\ntargets:\n  a: {}\n", "expected goals by filter");
    check_refused("nightwright-targets: 1\ntargets:\n  a: {priority: 7, goals: {x: 1 h}}\n",
                  "expected 1 (first) to 5 (last)");
    check_refused("nightwright-targets: 1\nhorizon: [[9 deg]]\ntargets: {a: {goals: {x: 1 h}}}\n",
                  "expected pairs of azimuth and altitude");
}

static void test_horizon_between_its_points(void **state) {
    (void)state;
    struct nw_targets *const t = targets_of("horizon: [[90 deg, 10 deg], [270 deg, 30 deg]]\n"
                                            "targets: {a: {goals: {x: 1 h}}}\n");
    check_near(nw_targets_horizon_rad(t, 90 * DEG) / DEG, 10, 1e-9, "as given");
    check_near(nw_targets_horizon_rad(t, 180 * DEG) / DEG, 20, 1e-9, "half way");
    check_near(nw_targets_horizon_rad(t, 0.0) / DEG, 20, 1e-9, "half way across north");
    check_near(nw_targets_horizon_rad(t, 315 * DEG) / DEG, 25, 1e-9, "a quarter across north");
    nw_targets_free(t);
}

/* The minimal rig at 45 north, longitude 0, and a list; the caller frees through `night`. */
struct night {
    struct nw_rig *rig;
    struct nw_targets *targets;
    struct nw_night_input input;
};

static void begin(struct night *n, const char *date, const char *list) {
    static const char *const SET[] = {"site.latitude=45 deg", "site.longitude=0 deg",
                                      "site.sky_brightness=21.5 mag/arcsec2"};
    struct nw_err err = {0};
    *n = (struct night){0};
    if (nw_rig_read(RIG, SET, 3, &n->rig, &err) != NW_OK) {
        fail_msg("%s", err.text);
    }
    n->targets = targets_of(list);
    n->input = (struct nw_night_input){.rig = n->rig,
                                       .setup = &n->rig->setups[0],
                                       .targets = n->targets,
                                       .focus_interval_s = 3600.0,

                                       .focus_run_s = 120.0};
    assert_int_equal(nw_time_read_iso(date, 0.0, &n->input.date_s, NULL), NW_OK);
}

static void end(struct night *n) {
    nw_targets_free(n->targets);
    nw_rig_free(n->rig);
}

#define F "none"
static const char *const WINTER = "2026-01-15T00:00:00Z";

static void test_light_by_the_formulas(void **state) {
    (void)state;
    struct night n;
    begin(&n, WINTER, "targets: {a: {ra: 0, dec: 0, goals: {" F ": 1 h}}}\n");
    const struct nw_filter filter = {
        .centre_m = {.v = 545e-9}, .width_m = {.v = 88e-9}, .transmission = {.v = 1.0}};
    struct nw_setup s = n.rig->setups[0];
    s.telescope.aperture_m.v = 0.1;
    s.telescope.obstruction.v = 0.0;
    s.telescope.transmission.v = 1.0;
    s.camera.quantum_efficiency.v = 0.5;
    s.camera.pixel_m.v = 3.76e-6;
    s.camera.read_noise_e.v = 1.5;
    s.camera.dark_e_per_s.v = 0.0;
    s.focal_length_m.v = 0.53;
    s.binning.v = 1.0;
    s.sub_length_s.v = 600.0;
    s.camera.full_scale_e.v = 60000.0;
    n.input.setup = &s;
    struct nw_night_light light =
        nw_night_light_of(&n.input, &filter, NULL, nw_sky_nl_of_mag(21.0));
    const struct nw_sky_passband v = {.centre_m = 545e-9, .width_m = 88e-9};
    const double colour =
        nw_sky_dark_factor(&v, nw_sky_nl_of_mag(n.rig->site.sky_brightness_mag_arcsec2.v));
    check_near(light.sky_e_s_px, 0.293264 * colour, 3e-5, "REFERENCES PHO-06, flat light");
    /* t = R^2/((2e+e^2)B) = 74.9 s at the least (PHO-10); with 8 s of overhead t/(t+8) B/(B+R^2/t)
     * is 0.9377 at 240 s, 0.9497 at 300 s, 0.9744 at 600 s, of which 97 % is 0.9452 */
    check_near(light.sub_s, 300.0, 0.0, "closed form");
    const double loss = (2.25 / 300.0) / (light.sky_e_s_px + 2.25 / 300.0);
    check_near(light.read_loss, loss, 1e-12, "closed form");
    const struct nw_night_light moon =
        nw_night_light_of(&n.input, &filter, NULL, nw_sky_nl_of_mag(18.0));
    assert_true(moon.sub_s < light.sub_s);
    s.camera.full_scale_e.v = 4.0 * 600.0; /* sky of 4.65 e/s: a tenth of it is full in 52 s */
    check_near(nw_night_light_of(&n.input, &filter, NULL, nw_sky_nl_of_mag(18.0)).sub_s, 45.0, 0.0,
               "room for stars");
    s.camera.full_scale_e.v = 60000.0;
    const double t1 = nw_night_exposure_s(&n.input, &filter, 24.0, 5.0);
    const double t2 = nw_night_exposure_s(&n.input, &filter, 24.0, 10.0);
    check_near(t2 / t1, 4.0, 1e-9, "SNR grows as the root of time");
    end(&n);
}

static void test_a_night_of_two_targets(void **state) {
    (void)state;
    struct night n;
    /* in mid-January at midnight about 7.6 h culminates: one target before it, one after */
    begin(&n, WINTER,
          "habits: {targets_a_night: 2}\n"
          "targets:\n"
          "  early: {ra: 03:00:00, dec: 40, rotation: 10 deg, goals: {" F ": 3 h}}\n"
          "  late: {ra: 12:00:00, dec: 40, goals: {" F ": 3 h}}\n"
          "  south: {ra: 7:00:00, dec: -80, goals: {" F ": 3 h}}\n");
    struct nw_plan *plan = NULL;
    assert_int_equal(nw_plan_new(&n.input, &plan, NULL), NW_OK);
    assert_int_equal(plan->n_order, 2);
    assert_string_equal(plan->targets[plan->order[0]].target->name, "early");
    assert_string_equal(plan->targets[plan->order[1]].target->name, "late");
    assert_true(plan->targets[2].never_rises);
    assert_int_equal(plan->targets[2].most, NW_BAR_LOW);
    assert_true(plan->n_blocks >= 2);
    for (size_t i = 0; i < plan->n_blocks; i++) {
        const struct nw_night_block *const b = &plan->blocks[i];
        assert_true(b->start_s >= plan->dark.start_s - NW_SLOT_s);
        assert_true(b->end_s <= plan->dark.end_s + NW_SLOT_s && b->end_s > b->start_s);
        assert_true(b->altitude_start_rad >= 30 * DEG && b->altitude_end_rad >= 30 * DEG);
        assert_true((double)b->subs * b->exposure_s <= b->end_s - b->start_s);
        assert_true(i == 0 || b->start_s >= plan->blocks[i - 1].end_s);
        /* without outlines a flip is taken at the meridian: east of the pier looks west */
        assert_true(b->side == NW_SIDE_EAST || b->side == NW_SIDE_WEST);
    }
    for (size_t i = 0; i < plan->n_targets; i++) {
        assert_true(plan->targets[i].given_s <= plan->targets[i].usable_s);
    }
    for (size_t i = 0; i < plan->n_switches; i++) {
        const struct nw_night_switch *const s = &plan->switches[i];
        assert_true(i == 0 || s->t_s >= plan->switches[i - 1].t_s);
        if (strcmp(s->load, "caps") == 0 && strcmp(s->action, "off") == 0) {
            assert_true(s->t_s >= plan->sunset_s); /* the Sun and no open aperture */
        }
    }
    nw_plan_free(plan);
    end(&n);
}

static void test_clouds_move_the_plan(void **state) {
    (void)state;
    struct night n;
    begin(&n, WINTER,
          "habits: {targets_a_night: 1}\n"
          "targets:\n"
          "  early: {ra: 03:00:00, dec: 40, goals: {" F ": 9 h}}\n"
          "  late: {ra: 12:00:00, dec: 40, goals: {" F ": 9 h}}\n");
    struct nw_plan *plan = NULL;
    const double midnight = n.input.date_s + 86400.0;
    const double t_s[] = {midnight - 43200, midnight - 1, midnight, midnight + 43200};
    const double early[] = {1, 1, 0, 0};
    const double late[] = {0, 0, 1, 1};
    struct nw_forecast forecast = {t_s, early, 4};
    n.input.forecast = &forecast;
    assert_int_equal(nw_plan_new(&n.input, &plan, NULL), NW_OK);
    assert_string_equal(plan->targets[plan->order[0]].target->name, "early");
    assert_true(plan->stop_s < midnight + 1800 && plan->stop_s > midnight - 7200);
    nw_plan_free(plan);
    forecast.clear = late;
    assert_int_equal(nw_plan_new(&n.input, &plan, NULL), NW_OK);
    assert_string_equal(plan->targets[plan->order[0]].target->name, "late");
    nw_plan_free(plan);
    end(&n);
}

static void test_no_darkness_is_refused_in_words(void **state) {
    (void)state;
    struct night n;
    begin(&n, "2026-06-21T00:00:00Z", "targets: {a: {ra: 0, dec: 80, goals: {" F ": 1 h}}}\n");
    n.rig->site.latitude_rad.v = 60.0 * DEG;
    struct nw_plan *plan = NULL;
    struct nw_err err = {0};
    assert_int_equal(nw_plan_new(&n.input, &plan, &err), NW_DATA);
    assert_non_null(
        strstr(err.text, "no darkness in the night of 2026-06-21 at latitude 60.00 deg"));
    assert_non_null(strstr(err.text, "the Sun sinks to -6.6 deg")); /* 60 + 23.44 - 90 */
    end(&n);
}

static void test_season_is_the_sum_of_its_nights(void **state) {
    (void)state;
    struct night n;
    begin(&n, WINTER,
          "targets:\n"
          "  winter: {ra: 06:00:00, dec: 20, moon: {lit: 0.3}, goals: {" F ": 9 h}}\n"
          "  summer: {ra: 18:00:00, dec: 20, goals: {" F ": 9 h}}\n"
          "  never: {ra: 6:00:00, dec: -80, goals: {" F ": 9 h}}\n");
    struct nw_season_row rows[3];
    size_t dark = 0;
    assert_int_equal(nw_season(&n.input, 120, rows, &dark, NULL), NW_OK);
    assert_int_equal(dark, 120);
    assert_true(rows[0].nights > 20 && !rows[0].is_all_year && rows[0].moonless > 0);
    assert_true(rows[0].moonless <= rows[0].nights);
    assert_true(rows[1].is_all_year); /* its season is only beginning */
    assert_true(rows[0].last_s < n.input.date_s + 119.0 * 86400.0);
    assert_int_equal(rows[2].nights, 0);
    check_near(rows[2].available_s, 0.0, 0.0, "never above 30 deg at 45 north");
    struct nw_season_row half[2][3];
    assert_int_equal(nw_season(&n.input, 60, half[0], &dark, NULL), NW_OK);
    n.input.date_s += 60.0 * 86400.0;
    assert_int_equal(nw_season(&n.input, 60, half[1], &dark, NULL), NW_OK);
    for (int i = 0; i < 3; i++) {
        check_near(rows[i].available_s, half[0][i].available_s + half[1][i].available_s, 1e-6,
                   "sum of its parts");
    }
    end(&n);
}

/* Jupiter by astropy's built-in ephemeris (get_body, ephemeris="builtin"): 2026-01-19 00:00 UTC at
 * RA 7 h 21 min, dec +22.5 deg; new Moon. */
static void test_a_bright_planet_bars_its_field(void **state) {
    (void)state;
    struct night n;
    begin(&n, "2026-01-18T00:00:00Z",
          "targets:\n"
          "  beside: {ra: 07:21:00, dec: 22.5, goals: {" F ": 3 h}}\n"
          "  clear: {ra: 08:00:00, dec: 22.5, goals: {" F ": 3 h}}\n");
    struct nw_plan *plan = NULL;
    assert_int_equal(nw_plan_new(&n.input, &plan, NULL), NW_OK);
    assert_int_equal(plan->targets[0].most, NW_BAR_PLANET);
    check_near(plan->targets[0].usable_s, 0.0, 0.0, "Jupiter is in the field all night");
    assert_true(plan->targets[1].usable_s > 4.0 * 3600.0);
    nw_plan_free(plan);
    end(&n);
}

static const struct nw_night_switch *find_switch(const struct nw_plan *plan, const char *load) {
    for (size_t i = 0; i < plan->n_switches; i++) {
        if (strcmp(plan->switches[i].load, load) == 0) {
            return &plan->switches[i];
        }
    }
    return NULL;
}

/* Bodies without a panel among them: flats come from the sky at dawn, before the Sun. */
static void test_flats_from_the_sky_without_a_panel(void **state) {
    (void)state;
    struct night n;
    struct nw_body tube = {.name = "main tube", .hinge = -1};
    begin(&n, "2026-01-18T00:00:00Z",
          "targets:\n  clear: {ra: 08:00:00, dec: 22.5, goals: {" F ": 3 h}}\n");
    struct nw_plan *plan = NULL;
    assert_int_equal(nw_plan_new(&n.input, &plan, NULL), NW_OK);
    assert_non_null(find_switch(plan, "light panel"));
    assert_null(find_switch(plan, "twilight flats"));
    nw_plan_free(plan);
    n.rig->bodies = &tube;
    n.rig->n_bodies = 1;
    assert_int_equal(nw_plan_new(&n.input, &plan, NULL), NW_OK);
    const struct nw_night_switch *flats = find_switch(plan, "twilight flats");
    assert_non_null(flats);
    assert_null(find_switch(plan, "light panel"));
    assert_true(flats->t_s > plan->dark.end_s && flats->t_s < plan->sunrise_s);
    nw_plan_free(plan);
    n.rig->bodies = NULL;
    n.rig->n_bodies = 0;
    end(&n);
}

static void test_the_earths_clock_is_the_rigs(void **state) {
    (void)state;
    struct night n;
    begin(&n, "2026-01-18T00:00:00Z", "targets: {a: {ra: 1, dec: 1, goals: {" F ": 1 h}}}\n");
    assert_true(isnan(nw_sky_observer_of(n.rig).ut1_utc_s));
    n.rig->site.ut1_utc_s.v = 0.4;
    check_near(nw_sky_observer_of(n.rig).ut1_utc_s, 0.4, 0.0, "as given");
    end(&n);
}

static void test_the_moon_bars_what_its_rule_says(void **state) {
    (void)state;
    struct night n;
    /* full Moon of 2026-01-03; on the 4th it stands in Cancer, near RA 8 h, all night */
    begin(&n, "2026-01-04T00:00:00Z",
          "targets:\n"
          "  far: {ra: 03:00:00, dec: 40, moon: {separation: 30 deg}, goals: {" F ": 3 h}}\n"
          "  near: {ra: 08:00:00, dec: 20, moon: {separation: 60 deg}, goals: {" F ": 3 h}}\n"
          "  dark: {ra: 03:00:00, dec: 40, moon: {lit: 0.5}, goals: {" F ": 3 h}}\n"
          "  glow: {ra: 03:00:00, dec: 40, moon: {above: 90 deg}, goals: {" F ": 3 h}}\n");
    struct nw_plan *plan = NULL;
    assert_int_equal(nw_plan_new(&n.input, &plan, NULL), NW_OK);
    assert_true(plan->moon_lit > 0.95);
    assert_int_equal(plan->targets[1].most, NW_BAR_MOON);
    assert_true(plan->targets[0].usable_s > 3.0 * 3600.0);
    assert_true(plan->targets[1].usable_s < 0.2 * plan->targets[0].usable_s);
    assert_true(plan->targets[2].usable_s < 0.5 * plan->targets[0].usable_s);
    /* its light counts whatever the rule: an hour brings less than an hour */
    assert_true(plan->targets[3].could_s < 0.8 * plan->targets[3].usable_s);
    nw_plan_free(plan);
    end(&n);
}

static void test_panels_of_a_mosaic(void **state) {
    (void)state;
    struct night n;
    begin(&n, WINTER,
          "targets: {a: {ra: 10 deg, dec: 0 deg, mosaic: {columns: 2, rows: 1, overlap: 0.2}, "
          "goals: {" F ": 1 h}}}\n");
    double p[NW_NIGHT_PANELS][2];
    const struct nw_setup *const s = n.input.setup;
    const double wide = (double)s->camera.width_px / s->binning.v * nw_setup_scale_rad(s);
    const double apart = 0.8 * wide;
    /* north up: +x is west, so the first of two lies east; on the equator plain angles */
    assert_int_equal(nw_night_panels(s, &n.targets->items[0], 0.0, p), 2);
    check_near(p[0][0] - p[1][0], 2.0 * atan(0.5 * apart), 1e-9, "gnomonic, closed form");
    check_near(p[0][1], 0.0, 1e-9, "along the equator");
    /* +y to the east: +x is north */
    assert_int_equal(nw_night_panels(s, &n.targets->items[0], 90 * DEG, p), 2);
    check_near(p[1][1] - p[0][1], 2.0 * atan(0.5 * apart), 1e-9, "gnomonic, closed form");
    end(&n);
}

static void test_the_sun_by_day(void **state) {
    (void)state;
    struct night n;
    begin(&n, "2026-06-21T00:00:00Z", "targets: {a: {goals: {" F ": 1 h}}}\n");
    struct nw_solar_card card;
    assert_int_equal(nw_solar_card_of(n.rig, n.input.date_s, &card, NULL), NW_OK);
    check_near(card.highest_rad / DEG, 90.0 - 45.0 + 23.44, 0.02, "solstice noon at 45 north");
    assert_true(card.rise_s < card.from_s && card.from_s < card.transit_s);
    assert_true(card.transit_s < card.to_s && card.to_s < card.set_s);
    end(&n);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_what_a_targets_file_may_not_say),
        cmocka_unit_test(test_horizon_between_its_points),
        cmocka_unit_test(test_light_by_the_formulas),
        cmocka_unit_test(test_a_night_of_two_targets),
        cmocka_unit_test(test_clouds_move_the_plan),
        cmocka_unit_test(test_no_darkness_is_refused_in_words),
        cmocka_unit_test(test_a_bright_planet_bars_its_field),
        cmocka_unit_test(test_flats_from_the_sky_without_a_panel),
        cmocka_unit_test(test_the_earths_clock_is_the_rigs),
        cmocka_unit_test(test_the_moon_bars_what_its_rule_says),
        cmocka_unit_test(test_panels_of_a_mosaic),
        cmocka_unit_test(test_the_sun_by_day),
        cmocka_unit_test(test_season_is_the_sum_of_its_nights),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
