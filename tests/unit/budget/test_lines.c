/* test_lines.c - each line of the star-width budget against its formula, its sign and its limits.
 */
#include <math.h>

#include "check.h"

#include "budget/star_internal.h"
#include "sky/sky.h"
#include "star_rig.h"

#define AS TEST_ARCSEC

static double width(enum nw_star_line_id id, const struct star_point *point) {
    struct star_line line;
    star_line_build(id, point, &line);
    return line.width_rad / AS;
}

static struct star_point point_of(const struct nw_rig *rig, const struct nw_setup *setup) {
    struct star_point point;
    star_point_of(rig, setup, &point);
    return point;
}

static void test_air_above_follows_airmass_and_wavelength(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    rig.site.seeing_rad.v = 1.2 * AS;
    rig.site.outer_scale_m.v = NAN;
    setup.airmass.v = 1.5;
    setup.filter.centre_m.v = 650e-9;
    const struct star_point point = point_of(&rig, &setup);
    check_near(width(NW_STAR_AIR_ABOVE, &point), 1.452270, 1e-4, "REFERENCES IMG-16");
    struct star_line line;
    star_line_build(NW_STAR_AIR_ABOVE, &point, &line);
    check_near(nw_otf_alone_rad(&line.parts[0]) / AS, 1.452270, 1e-3, "its profile is as wide");
}

static void test_focus_counts_magnification_squared(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    setup.focuser.repeatability_m.v = 0.0;
    struct star_point point = point_of(&rig, &setup);
    point.focus_phase = 1.0;
    /* 0.69 m x 23.6e-6 x 1.3 K/h x 1.5 h = 31.8 um at the objective's focus, 20.3 at the sensor */
    const double drift = 0.69 * 23.6e-6 * 1.3 * 1.5 * 0.64;
    check_near(width(NW_STAR_FOCUS, &point), drift * 0.115 / (0.644 * 0.644) / AS, 1e-9,
               "disc d D / f^2, REFERENCES FOC-05, m^2");
    point.focus_phase = NAN;
    check_near(width(NW_STAR_FOCUS, &point), drift * 0.115 / (0.644 * 0.644) / AS / sqrt(3.0), 5e-3,
               "uniform from 0 to its largest: rms is 1/sqrt 3");
    point.p[STAR_P_TEMPERATURE_RATE].v = 0.0;
    point.p[STAR_P_REPEATABILITY].v = 10e-6;
    const double riding = width(NW_STAR_FOCUS, &point);
    check_near(riding, 10e-6 * 0.64 * 0.115 / (0.644 * 0.644) / AS, 1e-9,
               "three-point Gauss-Hermite keeps the variance");
    point.corrector_rides = false;
    check_near(width(NW_STAR_FOCUS, &point) / riding, 1.0 / 0.64, 1e-9,
               "the camera alone moves: travel counts once");
    point.p[STAR_P_COMPENSATION].v = 1.0;
    point.p[STAR_P_TEMPERATURE_RATE].v = -1.0;
    check_near(width(NW_STAR_FOCUS, &point) / riding, 1.0 / 0.64, 1e-9, "fully compensated drift");
}

static void test_depth_of_focus_makes_the_disc_of_two_airy_units(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    struct star_point point = point_of(&rig, &setup);
    const double n = 0.644 / 0.115;
    point.p[STAR_P_TILT].v = point.p[STAR_P_ASTIGMATISM].v = 0.0;
    point.p[STAR_P_CURVATURE].v = 3.0 * nw_optics_depth_of_focus_m(550e-9, n);
    const struct star_field_blur blur = star_field_blur(&point);
    /* in the middle the surface lies 1/3 of the curvature off: 2 lambda N^2 -> disc 2 lambda / D */
    check_near(blur.centre_rad, 2.0 * 550e-9 / 0.115, 1e-12, "FOC-01 with FOC-05");
}

static void test_tilt_is_corner_to_corner(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    struct star_point point = point_of(&rig, &setup);
    point.p[STAR_P_CURVATURE].v = point.p[STAR_P_ASTIGMATISM].v = 0.0;
    for (double direction = 0.0; direction < 6.3; direction += 0.5) {
        point.p[STAR_P_TILT_DIRECTION].v = direction;
        const struct star_field_blur blur = star_field_blur(&point);
        check_near(blur.corner_rad / (0.8 * 22.5e-6 * 0.115 / (0.644 * 0.644)), 1.0, 1e-9,
                   "definition: 2 (|a| W + |b| H) / diagonal; corner zones lie at 0.8");
        check_near(blur.centre_rad, 0.0, 1e-15, "the middle is sharp");
        assert_true(blur.median_rad > 0.0 && blur.median_rad < blur.corner_rad);
    }
}

static void test_motion_lies_along_the_axes_of_the_sky(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    rig.mount.motion_ra_rad.v = 1.0 * AS;
    rig.mount.motion_dec_rad.v = 0.0;
    struct star_point point = point_of(&rig, &setup);
    struct star_line line;
    star_line_build(NW_STAR_MOTION, &point, &line);
    check_near(line.parts[0].p[0] / (AS * AS), 1.0, 1e-9, "north up: right ascension along x");
    check_near(line.parts[0].p[2], 0.0, 1e-20, "north up: right ascension along x");
    point.p[STAR_P_CAMERA_ANGLE].v = 0.5 * NW_PI;
    star_line_build(NW_STAR_MOTION, &point, &line);
    check_near(line.parts[0].p[2] / (AS * AS), 1.0, 1e-9, "east up: right ascension along y");
    point.p[STAR_P_CAMERA_ANGLE].v = 0.25 * NW_PI;
    star_line_build(NW_STAR_MOTION, &point, &line);
    /* +y towards north-east, +x towards north-west: east is (-1, 1)/sqrt 2 */
    check_near(line.parts[0].p[1] / (AS * AS), -0.5, 1e-9, "east lies between -x and +y");
    check_near(width(NW_STAR_MOTION, &point), NW_FWHM_PER_SIGMA / sqrt(2.0), 1e-9, "rms of axes");
}

static void test_dispersion_is_that_of_the_table(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    setup.airmass.v = 2.0;
    setup.filter.centre_m.v = 550e-9;
    setup.filter.width_m.v = 100e-9;
    rig.site.pressure_Pa.v = 79993.4; /* 600 mmHg, 7 degC, 8 mmHg of vapour */
    rig.site.temperature_K.v = 280.15;
    const struct star_point point = point_of(&rig, &setup);
    struct star_line line;
    star_line_build(NW_STAR_DISPERSION, &point, &line);
    const double length = hypot(line.parts[0].p[0], line.parts[0].p[1]) / AS;
    /* 5000 A against 5500 and 6000: -0.331, -0.581; the line of equal variance is 1.5 % shorter
     * than the ends lie apart when n(lambda) bends so */
    check_near(length, 0.581, 0.02, "REFERENCES ATM-01.3");
    check_near(line.parts[0].p[0], 0.0, 1e-12, "along the vertical: declination on the meridian");
}

static void test_weakest_input_and_sigma(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    const struct star_point point = point_of(&rig, &setup);
    assert_int_equal(star_line_provenance(NW_STAR_AIR_ABOVE, &point), NW_FROM_ASSUMED);
    assert_int_equal(star_line_provenance(NW_STAR_PIXEL, &point), NW_FROM_GIVEN);
    check_near(star_line_sigma(NW_STAR_DECENTRE, &point) / AS, 0.2, 1e-9, "its only input");
    check_near(star_line_sigma(NW_STAR_PIXEL, &point) / width(NW_STAR_PIXEL, &point) / AS,
               0.004 / 0.644, 1e-4, "relative error of the focal length");
}

static void test_scaling_a_line_scales_its_profile(void **state) {
    (void)state;
    struct nw_rig rig;
    struct nw_setup setup;
    test_star_rig(&rig, &setup);
    (void)snprintf(setup.resampling, sizeof setup.resampling, "lanczos3");
    const struct star_point point = point_of(&rig, &setup);
    for (int id = 0; id < NW_STAR_N_LINES; id++) {
        struct star_line a;
        struct star_line b;
        star_line_build((enum nw_star_line_id)id, &point, &a);
        star_line_build((enum nw_star_line_id)id, &point, &b);
        if (a.n == 0) {
            continue;
        }
        star_line_scale(&b, 1.7);
        check_near(b.width_rad / a.width_rad, 1.7, 1e-12, "scaling");
        if (a.parts[0].kind == NW_OTF_DISC || a.parts[0].kind == NW_OTF_DISCS) {
            a.parts[0].p[1] = b.parts[0].p[1] = 0.0; /* the aperture does not grow with them */
        }
        const double fx = 0.11 / AS;
        const double fy = 0.07 / AS;
        check_near(nw_otf_value(&b.parts[0], fx, fy), nw_otf_value(&a.parts[0], 1.7 * fx, 1.7 * fy),
                   1e-9, "T(1.7 f)");
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_air_above_follows_airmass_and_wavelength),
        cmocka_unit_test(test_focus_counts_magnification_squared),
        cmocka_unit_test(test_depth_of_focus_makes_the_disc_of_two_airy_units),
        cmocka_unit_test(test_tilt_is_corner_to_corner),
        cmocka_unit_test(test_motion_lies_along_the_axes_of_the_sky),
        cmocka_unit_test(test_dispersion_is_that_of_the_table),
        cmocka_unit_test(test_weakest_input_and_sigma),
        cmocka_unit_test(test_scaling_a_line_scales_its_profile),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
