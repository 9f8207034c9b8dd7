/* test_pose.c - Attitudes: directions against worked values, frames against simple geometry. */
#include "bodies.h"

#define DEG NW_RAD_PER_DEG

static void check_column(double m[3][3], int column, double x, double y, double z, double tol,
                         const char *source) {
    check_near(m[0][column], x, tol, source);
    check_near(m[1][column], y, tol, source);
    check_near(m[2][column], z, tol, source);
}

static void test_directions_of_hour_angle_and_declination(void **state) {
    (void)state;
    static const struct {
        double ha_deg, dec_deg, east, north, up;
    } rows[] = {{0, 0, 0, -0.766044, 0.642788},
                {90, 0, -1, 0, 0},
                {0, 90, 0, 0.642788, 0.766044},
                {45, 20, -0.664463, -0.289162, 0.689111}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        for (int side = 0; side < 2; side++) {
            const struct nw_pose pose = {rows[i].ha_deg * DEG, rows[i].dec_deg * DEG,
                                         (enum nw_side)side};
            struct nw_mount_frames frames = nw_mount_frames_at(50.0 * DEG, &pose);
            check_column(frames.tube, 0, rows[i].east, rows[i].north, rows[i].up, 1e-6,
                         "REFERENCES MEC-02");
        }
    }
}

static void test_declination_axis(void **state) {
    (void)state;
    const struct nw_pose pose = {45.0 * DEG, 20.0 * DEG, NW_SIDE_WEST};
    struct nw_mount_frames frames = nw_mount_frames_at(50.0 * DEG, &pose);
    check_column(frames.tube, 2, -0.707107, 0.541675, -0.454519, 1e-6, "REFERENCES MEC-03");
}

/* Seen from behind: on the meridian the tube stands east or west by name, in both hemispheres. */
static void test_the_tube_stands_where_its_side_says(void **state) {
    (void)state;
    for (int south = 0; south < 2; south++) {
        const double latitude = south ? -32.0 * DEG : 48.0 * DEG;
        for (int side = 0; side < 2; side++) {
            const struct nw_pose pose = {0.0, 0.1, (enum nw_side)side};
            struct nw_mount_frames frames = nw_mount_frames_at(latitude, &pose);
            check_column(frames.axis, 2, side == NW_SIDE_EAST ? 1.0 : -1.0, 0, 0, 1e-12,
                         "level shaft on the meridian");
            check_column(frames.axis, 0, 0.0, south ? -cos(32 * DEG) : cos(48 * DEG),
                         south ? sin(32 * DEG) : sin(48 * DEG), 1e-12,
                         "the pole above the horizon");
        }
    }
}

static void test_weights_hang_low_when_the_tube_looks_across(void **state) {
    (void)state;
    for (int south = 0; south < 2; south++) {
        const double latitude = south ? -32.0 * DEG : 48.0 * DEG;
        /* a star in the west (H = 3 h) seen by the tube from the east side: saddle end is high */
        const struct nw_pose pose = {45.0 * DEG, 0.0, NW_SIDE_EAST};
        struct nw_mount_frames frames = nw_mount_frames_at(latitude, &pose);
        assert_true(frames.axis[2][2] > 0.4);
    }
}

static void test_frames_are_right_handed_and_square(void **state) {
    (void)state;
    for (int i = 0; i < 200; i++) {
        const struct nw_pose pose = {0.37 * i, 1.5 * sin(0.7 * i), (enum nw_side)(i % 2)};
        const struct nw_mount_frames f = nw_mount_frames_at(1.2 * sin(1.3 * i), &pose);
        for (int which = 0; which < 2; which++) {
            const double(*const m)[3] = which ? f.tube : f.axis;
            const double det = m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) -
                               m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0]) +
                               m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
            check_near(det, 1.0, 1e-12, "rotation");
            for (int p = 0; p < 3; p++) {
                for (int q = 0; q < 3; q++) {
                    double dot = 0.0;
                    for (int k = 0; k < 3; k++) {
                        dot += m[k][p] * m[k][q];
                    }
                    check_near(dot, p == q ? 1.0 : 0.0, 1e-12, "rotation");
                }
            }
        }
    }
}

/* A panel over the front lens, hinged at its upper rim, opened by 90 deg and by 270 deg. */
static void test_a_hinge_turns_right_handed(void **state) {
    (void)state;
    struct nw_body panel = box_body(NW_RIDES_TUBE, 1.0, 0.02, 0.16, 0.16);
    panel.at_m[0] = VAL(0.4);
    panel.hinge = 1;
    panel.hinge_at_m[0] = VAL(0.4);
    panel.hinge_at_m[1] = VAL(0.0);
    panel.hinge_at_m[2] = VAL(0.08);
    panel.hinge_open_rad = VAL(NW_PI / 2.0);
    double at[3];
    double turn[3][3];
    nw_body_place(&panel, true, at, turn);
    /* about +y: z -> x; from the hinge the middle was at -z, so it goes to -x: along the tube */
    check_near(at[0], 0.32, 1e-12, "simple geometry");
    check_near(at[2], 0.08, 1e-12, "simple geometry");
    panel.hinge_open_rad = VAL(1.5 * NW_PI);
    nw_body_place(&panel, true, at, turn);
    check_near(at[0], 0.48, 1e-12, "simple geometry");
    nw_body_place(&panel, false, at, turn);
    check_near(at[0], 0.4, 0.0, "closed is as described");
    check_near(turn[0][0], 1.0, 0.0, "closed is as described");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_directions_of_hour_angle_and_declination),
        cmocka_unit_test(test_declination_axis),
        cmocka_unit_test(test_the_tube_stands_where_its_side_says),
        cmocka_unit_test(test_weights_hang_low_when_the_tube_looks_across),
        cmocka_unit_test(test_frames_are_right_handed_and_square),
        cmocka_unit_test(test_a_hinge_turns_right_handed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
