/* test_ways.c - Ways round, time to safe, cables and apertures, against closed forms and against
 * judging every part of a way by itself. */
#include "bodies.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "mount/ways.h"

#define DEG NW_RAD_PER_DEG

/* A long tube and its pier, a wall in the east. */
enum { N_BODIES = 4 };
static void observatory(struct nw_body bodies[N_BODIES]) {
    bodies[0] = round_body(NW_RIDES_TUBE, NW_SHAPE_TUBE, 0, 5.0, 1.2, 0.16);
    bodies[0].at_m[2] = VAL(0.26);
    bodies[1] = weight_body(10.0, 0.08, -0.3, -0.4, -0.1);
    bodies[2] = round_body(NW_RIDES_GROUND, NW_SHAPE_CYLINDER, 2, 100.0, 1.4, 0.3);
    bodies[2].at_m[2] = VAL(-0.95);
    bodies[3] = box_body(NW_RIDES_GROUND, 100.0, 0.1, 4.0, 2.0);
    bodies[3].at_m[0] = VAL(0.75);
    bodies[3].at_m[2] = VAL(-1.3);
}

static double judge_parts(const struct nw_clearance *model, const struct nw_pose *from,
                          const struct nw_pose *to, const struct nw_way *way) {
    struct nw_pose at = *from;
    double turn = 0.0;
    for (size_t i = 0; i <= way->n_via; i++) {
        const struct nw_pose next = i < way->n_via ? way->via[i] : *to;
        struct nw_slew part;
        nw_clearance_slew(model, &at, &next, &part);
        assert_true(part.is_contact_free && part.is_proven);
        const struct nw_turns turns = nw_mount_turns(48.0 * DEG, &at, &next);
        turn += fmax(turns.polar_rad, turns.dec_rad);
        at = next;
    }
    return turn;
}

/* Each part of a way is free by the judgement of slews; one is found for most that need it. */
static void test_every_part_of_a_way_round_is_free(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 2);
    struct nw_body bodies[N_BODIES];
    observatory(bodies);
    struct nw_clearance *const model = model_of(bodies, N_BODIES, 48.0);
    int n_blocked = 0;
    int n_round = 0;
    for (int k = 0; k < 14; k++) {
        const struct nw_pose from = {gsl_ran_flat(rng, -2.5, 2.5), gsl_ran_flat(rng, -0.6, 1.5),
                                     (enum nw_side)(k % 2)};
        const struct nw_pose to = {gsl_ran_flat(rng, -2.5, 2.5), gsl_ran_flat(rng, -0.6, 1.5),
                                   (enum nw_side)(k / 2 % 2)};
        struct nw_slew slew;
        struct nw_way way;
        nw_clearance_slew(model, &from, &to, &slew);
        nw_clearance_way(model, &from, &to, true, &way);
        if (nw_clearance_at(model, &from).distance_m <= 0.0 ||
            nw_clearance_at(model, &to).distance_m <= 0.0) {
            assert_false(way.is_found);
            continue;
        }
        if (slew.is_contact_free && slew.is_proven) {
            assert_true(way.is_found && way.n_via == 0);
            continue;
        }
        n_blocked++;
        n_round += way.is_found;
        if (way.is_found) {
            check_near(way.turn_rad, judge_parts(model, &from, &to, &way), 1e-9,
                       "sum of the larger turns");
        }
    }
    assert_true(n_blocked > 2 && 2 * n_round > n_blocked);
    nw_clearance_free(model);
    gsl_rng_free(rng);
}

/* One axis: the larger turn over the rate; probability of two normal times. */
static void test_time_to_safe_in_closed_form(void **state) {
    (void)state;
    struct nw_body bodies[N_BODIES];
    observatory(bodies);
    bodies[0].length_m = VAL(0.3); /* touches nothing, nor do the weights */
    bodies[2].at_m[2] = VAL(-1.3);
    struct nw_clearance *const model = model_of(bodies, 3, 48.0);
    const struct nw_pose park = {90.0 * DEG, 90.0 * DEG, NW_SIDE_EAST};
    const struct nw_safe_times times = {.rate_rad_s = {2.0 * DEG, 0.2 * DEG, NW_FROM_GIVEN},
                                        .reaction_s = {60.0, 20.0, NW_FROM_GIVEN},
                                        .roof_s = {40.0, 5.0, NW_FROM_GIVEN},
                                        .warning_s = {200.0, 50.0, NW_FROM_GIVEN},
                                        .hand_s = {100.0, 30.0, NW_FROM_GIVEN}};
    struct nw_safe safe;
    struct nw_err err;
    assert_int_equal(nw_clearance_safe(model, NULL, &park, &times, 0.0, &safe, &err), NW_OK);
    assert_int_equal(safe.n_blocked, 0);
    assert_int_equal(safe.n_ordered, 0);
    const struct nw_turns turns = nw_mount_turns(48.0 * DEG, &safe.slowest.pose, &park);
    const double slew_s = fmax(turns.polar_rad, turns.dec_rad) / (2.0 * DEG);
    check_near(safe.slowest.slew_s, slew_s, 1e-9, "turn over rate");
    check_near(safe.slowest.total_s, 60.0 + slew_s + 40.0, 1e-9, "sum");
    const double sigma = sqrt(400.0 + pow(0.1 * slew_s, 2.0) + 25.0);
    check_near(safe.slowest.total_sigma_s, sigma, 1e-9, "10 % of the slew, and the others");
    check_near(safe.slowest.in_time, gsl_cdf_gaussian_P(200.0 - 100.0 - slew_s, hypot(sigma, 50.0)),
               1e-9, "difference of two normal times");
    check_near(safe.by_hand_in_time,
               gsl_cdf_gaussian_P(200.0 - 160.0, sqrt(400.0 + 900.0 + 2500.0)), 1e-9,
               "difference of two normal times");
    assert_true(safe.in_time_mean > safe.slowest.in_time && safe.median_s < safe.slowest.total_s);
    assert_true(safe.n_tried > 200);
    struct nw_safe_times unknown = times;
    unknown.warning_s = (struct nw_val){NAN, NAN, NW_FROM_UNKNOWN};
    assert_int_equal(nw_clearance_safe(model, NULL, &park, &unknown, 0.0, &safe, &err), NW_OK);
    assert_true(isnan(safe.slowest.in_time) && isnan(safe.in_time_mean));
    assert_true(isnan(safe.by_hand_in_time));
    nw_clearance_free(model);
}

/* A ceiling that the upright tube reaches and the level one does not. */
static void test_the_roof_closes_over_low_attitudes(void **state) {
    (void)state;
    struct nw_body bodies[N_BODIES];
    observatory(bodies);
    bodies[3] = box_body(NW_RIDES_GROUND, 100.0, 4.0, 4.0, 0.1);
    bodies[3].at_m[2] = VAL(0.55);
    bodies[3].stands = NW_STANDS_ROOF_CLOSED;
    struct nw_clearance *const model = model_of(bodies, 3, 48.0);
    struct nw_clearance *const roofed = model_of(bodies, 4, 48.0);
    const struct nw_pose park = {-90.0 * DEG, 0.0, NW_SIDE_WEST};
    const struct nw_safe_times times = {.rate_rad_s = VAL(2.0 * DEG),
                                        .reaction_s = VAL(60.0),
                                        .roof_s = {NAN, NAN, NW_FROM_UNKNOWN},
                                        .warning_s = VAL(200.0),
                                        .hand_s = {NAN, NAN, NW_FROM_UNKNOWN}};
    struct nw_safe safe;
    struct nw_err err;
    assert_int_equal(nw_clearance_safe(model, roofed, &park, &times, 0.0, &safe, &err), NW_OK);
    assert_true(safe.n_roof_free > 0 && safe.n_roof_free < safe.n_tried);
    assert_true(nw_clearance_margin_at(roofed, &safe.roof_touched).margin_m <= 0.0);
    nw_clearance_free(model);
    nw_clearance_free(roofed);
}

/* From a point below the crossing of the axes to the saddle: longest when the saddle stands
 * highest, cos(latitude) of its length up; the law of cosines. */
static void test_reach_of_a_cable(void **state) {
    (void)state;
    const struct nw_cable cable = {
        .end = {{.rides = NW_RIDES_GROUND, .at_m = {VAL(0.0), VAL(0.0), VAL(-0.8)}},
                {.rides = NW_RIDES_TUBE, .at_m = {VAL(0.0), VAL(0.0), VAL(0.25)}}},
        .length_m = {1.0, 0.01, NW_FROM_GIVEN}};
    struct nw_reach limits[2 * 7];
    for (int i = 0; i < 14; i++) {
        limits[i] =
            (struct nw_reach){.is_reachable = i > 0, .ha_min_rad = -NW_PI, .ha_max_rad = NW_PI};
    }
    struct nw_cable_need need;
    const double latitude = -32.0 * DEG;
    nw_cable_need_of(&cable, latitude, limits, 7, &need);
    const double longest = sqrt(0.64 + 0.0625 + 2.0 * 0.8 * 0.25 * cos(latitude));
    check_near(need.longest_m, longest, 1e-9, "law of cosines, saddle up");
    check_near(need.spare_m, 1.0 - longest, 1e-9, "length less distance");
    check_near(need.spare_sure_m, 1.0 - longest - 1.645 * 0.01, 1e-9, "places without error");
    /* too short while the saddle's turn from its highest is less than this, by the same law */
    const double taut = acos((pow(1.0 - 0.01645, 2.0) - 0.7025) / (0.4 * cos(latitude))) / NW_PI;
    check_near((double)need.n_taut / (double)need.n_tried, taut, 0.01, "share of a full turn");
}

static void test_apertures_and_where_sunlight_reaches_the_lens(void **state) {
    (void)state;
    struct nw_body bodies[4];
    bodies[0] = round_body(NW_RIDES_TUBE, NW_SHAPE_TUBE, 0, 5.0, 0.7, 0.132);
    bodies[0].shield_m = VAL(0.2);
    nw_text_copy(bodies[0].name, sizeof bodies[0].name, "main");
    bodies[1] = round_body(NW_RIDES_TUBE, NW_SHAPE_TUBE, 0, 2.0, 0.3, 0.06);
    bodies[1].shield_m = (struct nw_val){NAN, NAN, NW_FROM_UNKNOWN};
    nw_text_copy(bodies[1].name, sizeof bodies[1].name, "finder");
    bodies[2] = round_body(NW_RIDES_TUBE, NW_SHAPE_CYLINDER, 0, 1.0, 0.1, 0.1); /* a camera */
    bodies[3] = bodies[1];
    nw_text_copy(bodies[3].name, sizeof bodies[3].name, "guide");
    struct nw_setup setup = {.n_capped = 1, .n_sun_filtered = 1};
    nw_text_copy(setup.capped[0], NW_NAME_SIZE, "guide");
    nw_text_copy(setup.sun_filtered[0], NW_NAME_SIZE, "main");
    struct nw_aperture found[8];
    assert_int_equal(nw_mount_apertures(&setup, bodies, 4, 8, found), 3);
    assert_int_equal(found[0].front, NW_FRONT_FILTERED);
    assert_int_equal(found[1].front, NW_FRONT_OPEN);
    assert_int_equal(found[2].front, NW_FRONT_CAPPED);
    check_near(found[0].stay_away_rad, atan(0.132 / 0.2), 1e-12,
               "edge to the far side of the lens");
    check_near(found[1].stay_away_rad, NW_PI / 2.0, 0.0, "depth unknown: anywhere in front");
    assert_false(found[1].is_depth_known);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_part_of_a_way_round_is_free),
        cmocka_unit_test(test_time_to_safe_in_closed_form),
        cmocka_unit_test(test_the_roof_closes_over_low_attitudes),
        cmocka_unit_test(test_reach_of_a_cable),
        cmocka_unit_test(test_apertures_and_where_sunlight_reaches_the_lens),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
