/* test_clearance.c - Distances, ranges, slews and sight lines of a mount, against closed forms on
 * simple geometry and against looking everywhere. */
#include "bodies.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include "mount/clearance.h"

#define DEG NW_RAD_PER_DEG

/* A small observatory: tube with camera, weights, pier, wall in the east. */
enum { N_BODIES = 5 };
static void observatory(struct nw_body bodies[N_BODIES]) {
    bodies[0] = round_body(NW_RIDES_TUBE, NW_SHAPE_TUBE, 0, 5.0, 0.8, 0.14);
    bodies[0].at_m[2] = VAL(0.26);
    bodies[1] = round_body(NW_RIDES_TUBE, NW_SHAPE_CYLINDER, 0, 1.5, 0.15, 0.17);
    bodies[1].at_m[0] = VAL(-0.5);
    bodies[1].at_m[2] = VAL(0.26);
    bodies[2] = weight_body(10.0, 0.08, -0.3, -0.4, -0.1);
    bodies[3] = round_body(NW_RIDES_GROUND, NW_SHAPE_CYLINDER, 2, 100.0, 1.2, 0.2);
    bodies[3].at_m[2] = VAL(-0.9);
    bodies[4] = box_body(NW_RIDES_GROUND, 100.0, 0.1, 4.0, 2.0);
    bodies[4].at_m[0] = VAL(1.2);
    bodies[4].at_m[2] = VAL(-1.2);
}

/* A wall so large that the distance is that of a plane: support of a cylinder in closed form. */
static void test_distance_to_a_plane(void **state) {
    (void)state;
    struct nw_body bodies[2] = {round_body(NW_RIDES_TUBE, NW_SHAPE_CYLINDER, 0, 5.0, 0.9, 0.15),
                                box_body(NW_RIDES_GROUND, 1.0, 0.2, 60.0, 60.0)};
    bodies[0].at_m[0] = VAL(0.07);
    bodies[0].at_m[1] = VAL(-0.11);
    bodies[0].at_m[2] = VAL(0.25);
    bodies[1].at_m[0] = VAL(2.1); /* face at x = 2 m east */
    struct nw_clearance *const model = model_of(bodies, 2, -32.0);
    for (int i = 0; i < 300; i++) {
        const struct nw_pose pose = {0.61 * i, 1.5 * sin(0.37 * i), (enum nw_side)(i % 2)};
        const struct nw_mount_frames f = nw_mount_frames_at(-32.0 * DEG, &pose);
        const double east = f.tube[0][0] * 0.07 - f.tube[0][1] * 0.11 + f.tube[0][2] * 0.25;
        const double along = f.tube[0][0];
        const double extent = 0.45 * fabs(along) + 0.075 * sqrt(fmax(0.0, 1.0 - along * along));
        check_near(nw_clearance_at(model, &pose).distance_m, 2.0 - east - extent, 1e-6,
                   "support function of a cylinder");
    }
    nw_clearance_free(model);
}

static void test_error_along_the_line(void **state) {
    (void)state;
    struct nw_body bodies[2] = {round_body(NW_RIDES_TUBE, NW_SHAPE_CYLINDER, 0, 5.0, 0.9, 0.15),
                                box_body(NW_RIDES_GROUND, 1.0, 0.2, 60.0, 60.0)};
    bodies[0].at_m[2] = VAL(0.25);
    bodies[1].at_m[0] = VAL(2.1);
    bodies[0].at_m[2].sigma = 0.004; /* saddle east on the meridian: z is east */
    bodies[0].diameter_m.sigma = 0.006;
    bodies[0].at_m[0].sigma = 0.5; /* across the line: does not count */
    bodies[1].length_m.sigma = 0.002;
    struct nw_clearance *const model = model_of(bodies, 2, 48.0);
    const struct nw_pose pose = {0.0, 20.0 * DEG, NW_SIDE_EAST};
    check_near(nw_clearance_at(model, &pose).sigma_m, sqrt(16.0 + 9.0 + 1.0) * 1e-3, 1e-6,
               "place 4 mm, half of 6 mm, half of 2 mm");
    nw_clearance_free(model);
}

/* A panel opened by a right angle about a hinge along y at (0.5, 0, 0.3), seen from a wall towards
 * +z: its thickness direction has turned, and the angle's error works over the lever. */
static void test_error_of_an_opened_panel(void **state) {
    (void)state;
    struct nw_body bodies[2] = {box_body(NW_RIDES_TUBE, 0.5, 0.02, 0.2, 0.2),
                                box_body(NW_RIDES_GROUND, 1.0, 0.2, 60.0, 60.0)};
    bodies[0].at_m[0] = VAL(0.5);
    bodies[0].at_m[2] = VAL(0.2);
    bodies[0].hinge = 1;
    bodies[0].hinge_at_m[0] = VAL(0.5);
    bodies[0].hinge_at_m[1] = VAL(0.0);
    bodies[0].hinge_at_m[2] = VAL(0.3);
    bodies[0].hinge_open_rad = VAL(NW_PI / 2.0); /* z to x: middle (0.4, 0, 0.3), flat along x */
    bodies[1].at_m[0] = VAL(2.1);
    for (int i = 0; i < 3; i++) {
        bodies[1].at_m[i].sigma = 0.0;
    }
    struct nw_err err;
    struct nw_clearance *model = NULL;
    const struct nw_pose pose = {0.0, 20.0 * DEG, NW_SIDE_EAST}; /* z is east */
    const double lever = 0.2; /* from the hinge to the far edge, along x */
    bodies[0].hinge_open_rad.sigma = 0.02;
    bodies[0].length_m.sigma = 0.004; /* was along x, is along z now */
    bodies[0].at_m[0].sigma = 0.003;  /* so is the place */
    bodies[0].at_m[2].sigma = 0.5;    /* turned out of the line, together with ... */
    bodies[0].hinge_at_m[0].sigma = 0.0;
    bodies[0].hinge_at_m[2].sigma = 0.001;
    bodies[0].hinge_open_rad.v = NW_PI / 2.0 + 1e-6; /* so that the far edge is the nearest */
    assert_int_equal(nw_clearance_new(bodies, 2, 48.0 * DEG, true, &model, &err), NW_OK);
    const struct nw_contact c = nw_clearance_at(model, &pose);
    check_near(c.distance_m, 2.0 - 0.3 - 0.01, 1e-5, "half the thickness above the hinge");
    check_near(c.sigma_m, sqrt(pow(lever * 0.02, 2.0) + 4e-6 + 9e-6 + 1e-6), 2e-4,
               "angle over its lever, half the thickness, place, hinge");
    check_near(c.margin_m, c.distance_m - 1.645 * c.sigma_m, 1e-12, "normal quantile");
    nw_clearance_free(model);
}

/* What is sure is never farther than what can be reached, and the margin is gone where it ends. */
static void test_sure_ranges_end_where_the_margin_does(void **state) {
    (void)state;
    struct nw_body bodies[N_BODIES];
    observatory(bodies);
    for (size_t i = 0; i < N_BODIES; i++) {
        for (int k = 0; k < 3; k++) {
            bodies[i].at_m[k].sigma = 0.01;
        }
    }
    struct nw_clearance *const model = model_of(bodies, 4, -32.0);
    int n = 0;
    for (int d = -80; d <= 50; d += 10) {
        struct nw_reach r;
        nw_clearance_reach(model, d * DEG, NW_SIDE_EAST, 0.0, &r);
        if (!r.is_reachable || r.min_end != NW_END_CONTACT) {
            continue;
        }
        assert_true(r.sure_min_rad > r.ha_min_rad && r.sure_max_rad <= r.ha_max_rad);
        const struct nw_pose at = {r.sure_min_rad - 0.02 * DEG, d * DEG, NW_SIDE_EAST};
        const struct nw_contact c = nw_clearance_margin_at(model, &at);
        assert_true(c.margin_m <= 1e-4 && c.distance_m > 0.0);
        /* brute force over all pairs is what `at` gives when there is one pair: the least margin is
         * never more than that of the nearest pair */
        assert_true(c.margin_m <= nw_clearance_at(model, &at).margin_m + 1e-12);
        n++;
    }
    assert_true(n >= 3);
    nw_clearance_free(model);
}

/* East and west are mirror images when nothing stands to one side. */
static void test_sides_mirror_each_other(void **state) {
    (void)state;
    struct nw_body bodies[N_BODIES];
    observatory(bodies);
    struct nw_clearance *const model = model_of(bodies, 4, -32.0); /* without the wall */
    int n_contacts = 0;
    for (int d = -80; d <= 50; d += 10) {
        struct nw_reach east;
        struct nw_reach west;
        nw_clearance_reach(model, d * DEG, NW_SIDE_EAST, 0.0, &east);
        nw_clearance_reach(model, d * DEG, NW_SIDE_WEST, 0.0, &west);
        assert_int_equal(east.is_reachable, west.is_reachable);
        if (!east.is_reachable) {
            continue;
        }
        check_near(east.ha_min_rad, -west.ha_max_rad, 2e-4, "mirror, to the step at contact");
        check_near(east.ha_max_rad, -west.ha_min_rad, 2e-4, "mirror, to the step at contact");
        n_contacts += east.min_end == NW_END_CONTACT;
    }
    assert_true(n_contacts >= 3); /* camera or tube against the pier, past the meridian */
    nw_clearance_free(model);
}

/* Everything inside the range is clear, by looking; just past a contact it is not. */
static void test_no_contact_is_jumped_over(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 3);
    for (int rig = 0; rig < 25; rig++) {
        struct nw_body bodies[N_BODIES];
        observatory(bodies);
        bodies[0].length_m = VAL(gsl_ran_flat(rng, 0.5, 1.3));
        bodies[1].at_m[0] = VAL(gsl_ran_flat(rng, -0.8, -0.4));
        bodies[3].diameter_m = VAL(gsl_ran_flat(rng, 0.1, 0.5));
        bodies[4].at_m[0] = VAL(gsl_ran_flat(rng, 0.7, 1.5));
        bodies[4].at_m[2] = VAL(gsl_ran_flat(rng, -1.3, -0.7));
        const double latitude = gsl_ran_flat(rng, -60.0, 60.0);
        struct nw_clearance *const model = model_of(bodies, N_BODIES, latitude);
        for (int k = 0; k < 6; k++) {
            struct nw_reach limit;
            const double dec = gsl_ran_flat(rng, -80.0, 80.0) * DEG;
            const enum nw_side side = (enum nw_side)(k % 2);
            nw_clearance_reach(model, dec, side, 0.0, &limit);
            for (int i = 0; limit.is_reachable && i < 300; i++) {
                const double ha = gsl_ran_flat(rng, limit.ha_min_rad, limit.ha_max_rad);
                const struct nw_contact c =
                    nw_clearance_at(model, &(struct nw_pose){ha, dec, side});
                assert_true(c.distance_m > 0.0);
                assert_true(c.distance_m > limit.least.distance_m - 0.03);
            }
            if (limit.is_reachable && limit.max_end == NW_END_CONTACT) {
                const struct nw_pose past = {limit.ha_max_rad + 0.0101 * DEG, dec, side};
                assert_true(nw_clearance_at(model, &past).distance_m <= 1e-4);
                assert_true(limit.at_max.distance_m <= 0.0);
            }
        }
        nw_clearance_free(model);
    }
    gsl_rng_free(rng);
}

/* The whole box of a slew, by dense sampling: never nearer than what was found, less 5 mm. */
static void test_slews_by_looking_everywhere(void **state) {
    (void)state;
    gsl_rng *const rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 11);
    struct nw_body bodies[N_BODIES];
    observatory(bodies);
    struct nw_clearance *const model = model_of(bodies, N_BODIES, 48.0);
    int n_free = 0;
    int n_contact = 0;
    for (int k = 0; k < 40; k++) {
        /* one side, so that the box is one of hour angle and declination */
        const struct nw_pose from = {gsl_ran_flat(rng, -1.0, 3.0), gsl_ran_flat(rng, -0.5, 1.5),
                                     NW_SIDE_EAST};
        const struct nw_pose to = {gsl_ran_flat(rng, -1.0, 3.0), gsl_ran_flat(rng, -0.5, 1.5),
                                   NW_SIDE_EAST};
        struct nw_slew slew;
        nw_clearance_slew(model, &from, &to, &slew);
        double least = INFINITY;
        for (int i = 0; i <= 40; i++) {
            for (int j = 0; j <= 40; j++) {
                const struct nw_pose pose = {from.ha_rad + (to.ha_rad - from.ha_rad) * i / 40.0,
                                             from.dec_rad + (to.dec_rad - from.dec_rad) * j / 40.0,
                                             NW_SIDE_EAST};
                least = fmin(least, nw_clearance_at(model, &pose).distance_m);
            }
        }
        if (slew.is_contact_free) {
            n_free++;
            assert_true(slew.is_proven);
            assert_true(least > 0.0);
            assert_true(slew.least.distance_m < least + 0.005);
        } else {
            n_contact++;
            assert_true(slew.least.distance_m <= 0.0);
        }
    }
    assert_true(n_free > 5 && n_contact > 5);
    nw_clearance_free(model);
    gsl_rng_free(rng);
}

/* A flip on the meridian turns both axes: half a turn about the polar axis, and over the pole. */
static void test_turns_of_a_flip(void **state) {
    (void)state;
    for (int south = 0; south < 2; south++) {
        const double sign = south ? -1.0 : 1.0;
        const struct nw_pose from = {0.0, sign * 50.0 * DEG, NW_SIDE_WEST};
        const struct nw_pose to = {0.0, sign * 50.0 * DEG, NW_SIDE_EAST};
        const struct nw_turns turns = nw_mount_turns(sign * 40.0 * DEG, &from, &to);
        check_near(turns.polar_rad, NW_PI, 1e-12, "half a turn");
        check_near(turns.dec_rad, 80.0 * DEG, 1e-12, "twice the distance from the pole");
    }
}

/* A tube whose axis passes the crossing of the axes, and a wall with a level top edge. */
static void test_sight_over_a_wall(void **state) {
    (void)state;
    const double distance = 3.0;
    const double height = 1.0;
    const double radius = 0.075;
    struct nw_body bodies[3] = {round_body(NW_RIDES_TUBE, NW_SHAPE_TUBE, 0, 5.0, 0.6, 2.0 * radius),
                                box_body(NW_RIDES_GROUND, 1.0, 0.1, 30.0, 4.0),
                                round_body(NW_RIDES_GROUND, NW_SHAPE_CYLINDER, 2, 1.0, 0.5, 0.1)};
    bodies[1].at_m[0] = VAL(distance + 0.05); /* its near face, east */
    bodies[1].at_m[2] = VAL(height - 2.0);
    bodies[2].at_m[2] = VAL(-3.0);
    struct nw_clearance *const model = model_of(bodies, 3, -32.0);
    const struct nw_sight east = nw_clearance_sight(model, 0, NW_PI / 2.0);
    const double edge = atan2(height, distance);
    check_near(east.half_rad, edge, 0.06 * DEG, "line of sight over the near edge");
    check_near(east.whole_rad, edge + asin(radius / hypot(height, distance)), 0.06 * DEG,
               "the edge touches the light column");
    check_near(east.none_rad, edge - asin(radius / hypot(height, distance)), 0.2 * DEG,
               "the other side of the column; 99 % of a disc is 0.97 of its height");
    const struct nw_pose at_edge = nw_mount_pose_of(-32.0 * DEG, edge, NW_PI / 2.0);
    check_near(nw_clearance_hidden(model, 0, &at_edge), 0.5, 0.02, "half a disc, 96 points");
    const struct nw_sight west = nw_clearance_sight(model, 0, 1.5 * NW_PI);
    check_near(west.whole_rad, -NW_PI / 2.0, 0.0, "nothing in the way");
    nw_clearance_free(model);
}

/* A slew along the meridian past a direction 10 deg to its side, and one that stops short of it. */
static void test_nearest_direction_of_a_slew(void **state) {
    (void)state;
    const struct nw_pose from = {0.0, -40.0 * DEG, NW_SIDE_EAST};
    const struct nw_pose to = {0.0, 40.0 * DEG, NW_SIDE_EAST};
    const double past = nw_mount_nearest_rad(48.0 * DEG, &from, &to, 10.0 * DEG, 0.0);
    assert_true(past <= 10.0 * DEG && past > 9.6 * DEG);
    const double ahead = nw_mount_nearest_rad(48.0 * DEG, &from, &to, 0.0, 70.0 * DEG);
    assert_true(ahead <= 30.0 * DEG && ahead > 29.6 * DEG);
    check_near(nw_mount_nearest_rad(-32.0 * DEG, &from, &to, 0.0, 12.3 * DEG), 0.0, 0.0,
               "over the direction itself");
}

static void test_joined_pairs_are_left_out_and_listed(void **state) {
    (void)state;
    struct nw_body bodies[3] = {box_body(NW_RIDES_TUBE, 1.0, 0.1, 0.4, 0.02),
                                round_body(NW_RIDES_AXIS, NW_SHAPE_CYLINDER, 2, 5.0, 0.3, 0.12),
                                round_body(NW_RIDES_GROUND, NW_SHAPE_CYLINDER, 2, 9.0, 1.0, 0.2)};
    bodies[0].at_m[2] = VAL(0.165); /* 5 mm above the end of the housing, always */
    bodies[2].at_m[2] = VAL(-1.5);
    struct nw_clearance *const model = model_of(bodies, 3, 40.0);
    size_t a = 9;
    size_t b = 9;
    assert_true(nw_clearance_joined(model, 0, &a, &b));
    assert_int_equal(a, 0);
    assert_int_equal(b, 1);
    assert_false(nw_clearance_joined(model, 1, &a, &b));
    nw_clearance_free(model);
    struct nw_clearance *none = NULL;
    struct nw_err err;
    assert_int_equal(nw_clearance_new(bodies, 1, 0.7, false, &none, &err), NW_DATA);
    assert_non_null(strstr(err.text, "no two outlines"));
}

static void test_below_the_horizon_is_not_reached(void **state) {
    (void)state;
    struct nw_body bodies[N_BODIES];
    observatory(bodies);
    struct nw_clearance *const model = model_of(bodies, 4, 48.0);
    struct nw_reach limit;
    nw_clearance_reach(model, -60.0 * DEG, NW_SIDE_EAST, 0.0, &limit);
    assert_false(limit.is_reachable);
    nw_clearance_reach(model, 0.0, NW_SIDE_EAST, 0.0, &limit);
    assert_int_equal(limit.max_end, NW_END_HORIZON);
    check_near(limit.ha_max_rad, NW_PI / 2.0, 1e-9, "the equator sets at 6 h");
    double map[8 * 5];
    nw_clearance_map(model, NW_SIDE_EAST, 0.0, 8, 5, 1, map);
    assert_true(isnan(map[0]));            /* south pole of the sky at 48 deg north */
    assert_true(isfinite(map[4 * 5 + 4])); /* north pole */
    nw_clearance_free(model);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_distance_to_a_plane),
        cmocka_unit_test(test_error_along_the_line),
        cmocka_unit_test(test_error_of_an_opened_panel),
        cmocka_unit_test(test_sure_ranges_end_where_the_margin_does),
        cmocka_unit_test(test_sides_mirror_each_other),
        cmocka_unit_test(test_no_contact_is_jumped_over),
        cmocka_unit_test(test_slews_by_looking_everywhere),
        cmocka_unit_test(test_turns_of_a_flip),
        cmocka_unit_test(test_sight_over_a_wall),
        cmocka_unit_test(test_nearest_direction_of_a_slew),
        cmocka_unit_test(test_joined_pairs_are_left_out_and_listed),
        cmocka_unit_test(test_below_the_horizon_is_not_reached),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
