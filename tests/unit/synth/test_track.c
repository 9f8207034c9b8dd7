/* test_track.c - Geometry of the simulated mount: against published drift and rotation of a pole
 * that is off, and against simple geometry. */
#include "support.h"

#include <math.h>

#define DEG NW_RAD_PER_DEG

/* A scene of nothing but a place, a field and an axis. */
static struct synth_scene scene_of(double latitude_deg, double dec_deg, double hour_h) {
    struct synth_scene scene = {.dec_rad = dec_deg * DEG, .hour_angle_rad = hour_h * 15.0 * DEG};
    scene.place.latitude_rad = latitude_deg * DEG;
    scene.air = (struct nw_air_state){101325.0, 283.15, 0.5};
    scene.mount.polar_azimuth_rad = scene.mount.polar_altitude_rad = NAN;
    return scene;
}

/* Drift since the start in arcsec: east without guiding, north with right ascension guided; turn of
 * the field then, north through east. */
static void after(const struct synth_scene *scene, double hours, double ret_en[2],
                  double *ret_turn_arcmin) {
    struct synth_track track;
    const double middle[2] = {0.0, 0.0};
    const double t_s = hours * 3600.0; /* POL: hours of the clock, 15.041 deg of hour angle */
    nw_synth_track_init(scene, &track);
    nw_synth_track_at(&track, t_s, 0.0, middle, ret_en);
    double behind = 0.0;
    for (int i = 0; i < 4; i++) {
        double at[2];
        nw_synth_track_at(&track, t_s, behind, middle, at);
        behind -= at[0] / cos(scene->dec_rad);
        ret_en[1] = at[1];
    }
    double start[4];
    double end[4];
    nw_synth_track_turn(&track, 0.0, 0.0, start);
    nw_synth_track_turn(&track, t_s, behind, end);
    *ret_turn_arcmin = 0.5 * (end[1] - end[2] - start[1] + start[2]) / ARCSEC / 60.0;
    ret_en[0] /= ARCSEC;
    ret_en[1] /= ARCSEC;
}

static void test_drift_and_rotation_of_a_pole_that_is_off(void **state) {
    (void)state;
    static const struct {
        double dec_deg, towards_h, from_h, to_h, drift_arcsec, rotation_arcmin, tolerance;
        const char *source;
    } rows[] = {
        {30.0, 0.0, -6.0, -5.0, 77.862, 0.19658, 0.003, "REFERENCES POL-04, rigorous"},
        {0.0, 6.0, 0.0, 1.0, 77.853, 0.1713, 0.003, "REFERENCES POL-04.2"},
        {60.0, 0.0, 0.0, 2.0, -40.503, 5.0234, 0.003, "REFERENCES POL-04.3, rigorous"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct synth_scene scene = scene_of(40.0, rows[i].dec_deg, rows[i].from_h);
        scene.mount.polar_error_rad = 5.0 * 60.0 * ARCSEC;
        scene.mount.polar_angle_rad = rows[i].towards_h * 15.0 * DEG;
        double en[2];
        double turn = 0.0;
        after(&scene, rows[i].to_h - rows[i].from_h, en, &turn);
        check_near(en[1], rows[i].drift_arcsec, rows[i].tolerance * fabs(rows[i].drift_arcsec),
                   rows[i].source);
        /* the table gives the size; the tangent plane's own turn by a drift of 80 arcsec in right
         * ascension is below 1 % of it. Sign: the camera turns with the axis, the stars against */
        check_near(-turn, rows[i].rotation_arcmin, 0.02 * rows[i].rotation_arcmin, rows[i].source);
    }
}

static void test_a_perfect_mount_without_air_stands_still(void **state) {
    (void)state;
    const struct synth_scene scene = scene_of(-32.0, -52.0, -3.0);
    struct synth_track track;
    nw_synth_track_init(&scene, &track);
    const double offset[2] = {0.01, -0.005};
    double at[2];
    double turn[4];
    nw_synth_track_at(&track, 7200.0, 0.0, offset, at);
    nw_synth_track_turn(&track, 7200.0, 0.0, turn);
    check_near(at[0], 0.01, 1e-12, "nothing moves");
    check_near(at[1], -0.005, 1e-12, "nothing moves");
    check_near(turn[0], 1.0, 1e-5, "gnomonic: 1 + h^2/3");
    check_near(turn[1], 0.0, 1e-9, "nothing turns");
}

/* An axis that lags by a moves the stars east by a cos dec and turns north towards west by a sin
 * dec: on the northern sky east of the middle north leans back to the middle. */
static void test_lag_of_the_axis(void **state) {
    (void)state;
    const struct synth_scene scene = scene_of(45.0, 50.0, 2.0);
    struct synth_track track;
    nw_synth_track_init(&scene, &track);
    const double middle[2] = {0.0, 0.0};
    double at[2];
    double turn[4];
    nw_synth_track_at(&track, 100.0, 1e-4, middle, at);
    nw_synth_track_turn(&track, 100.0, 1e-4, turn);
    check_near(at[0], 1e-4 * cos(50.0 * DEG), 1e-8, "closed form");
    check_near(turn[1], -1e-4 * sin(50.0 * DEG), 1e-8, "closed form: convergence of meridians");
    check_near(turn[2], 1e-4 * sin(50.0 * DEG), 1e-8, "closed form: a turn");
}

/* On the meridian the air lifts a star along declination only and changes nothing in the first
 * instant; in the west it lags behind the sky: the star seems to drift up, against its setting. */
static void test_air_lifts_towards_the_zenith(void **state) {
    (void)state;
    struct synth_scene scene = scene_of(45.0, 0.0, 3.0);
    double en[2];
    double turn = 0.0;
    scene.mount.refraction = 1.0;
    after(&scene, 0.5, en, &turn);
    /* by the formula: R(z2) - R(z1) along the vertical, whose position angle is q */
    double lift[2][2];
    for (int i = 0; i < 2; i++) {
        const double hour = 3.0 * 15.0 * DEG + i * 1800.0 * NW_SIDEREAL_RATE_RAD_S;
        const double up = cos(45.0 * DEG) * cos(hour); /* sin of the altitude at declination 0 */
        const double z = acos(up);
        double r = 0.0;
        for (int k = 0; k < 5; k++) {
            r = nw_sky_refraction_rad(z - r, 550e-9, &scene.air);
        }
        const double q = atan2(sin(hour), tan(45.0 * DEG)); /* at declination 0 */
        lift[i][0] = r * sin(q);
        lift[i][1] = r * cos(q);
    }
    check_near(en[0], (lift[1][0] - lift[0][0]) / ARCSEC, 0.05,
               "R(z) along the vertical, eraRefco");
    check_near(en[1], (lift[1][1] - lift[0][1]) / ARCSEC, 0.05,
               "R(z) along the vertical, eraRefco");
    assert_true(en[0] > 5.0);
}

/* The rules of every drift alignment: star near the meridian drifts south: the axis points too far
 * east; star in the east drifts north: it points too high (north of the equator). South of it the
 * upper end is the other one: the same faults drift the other way. */
static void test_signs_of_azimuth_and_altitude(void **state) {
    (void)state;
    for (int south = 0; south < 2; south++) {
        const double sign = south ? -1.0 : 1.0;
        double en[2];
        double turn = 0.0;
        struct synth_scene scene = scene_of(sign * 40.0, 0.0, 0.0);
        scene.mount.polar_azimuth_rad = 10.0 * 60.0 * ARCSEC;
        nw_synth_aim_axis(&scene);
        check_near(scene.mount.polar_error_rad / ARCSEC / 60.0, 10.0 * cos(40.0 * DEG), 0.01,
                   "POL-02: azimuth moves the pole by cos latitude of it");
        after(&scene, 0.1, en, &turn);
        assert_true(sign * en[1] < -5.0);
        scene = scene_of(sign * 40.0, 0.0, -6.0);
        scene.mount.polar_altitude_rad = 10.0 * 60.0 * ARCSEC;
        nw_synth_aim_axis(&scene);
        check_near(scene.mount.polar_error_rad / ARCSEC / 60.0, 10.0, 1e-6, "definition");
        after(&scene, 0.1, en, &turn);
        assert_true(sign * en[1] > 5.0);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_drift_and_rotation_of_a_pole_that_is_off),
        cmocka_unit_test(test_a_perfect_mount_without_air_stands_still),
        cmocka_unit_test(test_lag_of_the_axis),
        cmocka_unit_test(test_air_lifts_towards_the_zenith),
        cmocka_unit_test(test_signs_of_azimuth_and_altitude),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
