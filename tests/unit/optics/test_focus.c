/* test_focus.c - scale, defocus, depth of focus: published values and a ray trace. */
#include <math.h>

#include "check.h"
#include "optics/optics.h"

static void test_scale(void **state) {
    (void)state;
    check_near(nw_optics_scale_rad_px(3.76e-6, 0.530) * NW_ARCSEC_PER_RAD, 1.463313, 1e-6,
               "IMG-02");
    check_near(nw_optics_scale_rad_px(2.9e-6, 0.240) * NW_ARCSEC_PER_RAD, 2.492366, 1e-6, "IMG-02");
    check_near(nw_optics_scale_rad_px(3.76e-6, 0.450) * NW_ARCSEC_PER_RAD, 1.72, 5e-3,
               "common practice, no source");
    check_near(nw_optics_scale_rad_px(5.86e-6, 0.372) * NW_ARCSEC_PER_RAD, 3.25, 5e-3,
               "common practice, no source: 60 mm f/6.2");
    check_near(nw_optics_scale_rad_px(5.86e-6, 0.354) * NW_ARCSEC_PER_RAD, 3.4, 2e-2,
               "common practice, no source: 60 mm f/5.9");
}

static void test_depth_and_disc(void **state) {
    (void)state;
    check_near(nw_optics_depth_of_focus_m(550e-9, 5.0), 27.5e-6, 1e-15, "REFERENCES FOC-01");
    check_near(nw_optics_depth_of_focus_m(550e-9, 7.0), 53.9e-6, 1e-15, "REFERENCES FOC-01");
    check_near(nw_optics_defocus_disc_rad(100e-6, 5.0, 0.5) * NW_ARCSEC_PER_RAD, 8.25059, 1e-5,
               "REFERENCES FOC-05");
    check_near(nw_optics_defocus_disc_rad(-100e-6, 5.0, 0.5) * NW_ARCSEC_PER_RAD, 8.25059, 1e-5,
               "either side of focus");
    check_near(nw_optics_defocus_disc_rad(20.5076e-6, 5.0, 1.0) * 1.0, 4.10153e-6, 1e-10,
               "REFERENCES FOC-11");
}

/* Where the paraxial axial ray crosses behind two thin lenses: height 1 on the objective (f1), the
 * corrector (f2) at distance a behind it. Distance from the corrector to the focus. */
static double back_focus(double f1, double f2, double a) {
    const double slope1 = -1.0 / f1;
    const double height2 = 1.0 + slope1 * a;
    const double slope2 = slope1 - height2 / f2;
    return -height2 / slope2;
}

static void test_travel_counts_magnification_squared_by_ray_trace(void **state) {
    (void)state;
    /* 805 mm objective; a positive lens inside its focus: 0.8 x (reducer); a negative one: 1.5 x */
    const double f1 = 0.805;
    const struct {
        double f2, s; /* s: object distance of the corrector, from it to the objective's focus */
    } rows[] = {{0.275, 0.06875}, {-0.15, 0.05}};
    for (int i = 0; i < 2; i++) {
        const double a = f1 - rows[i].s;
        const double bf = back_focus(f1, rows[i].f2, a);
        const double m = bf / rows[i].s;
        const double step = 1e-5;
        /* the corrector and the sensor, bf behind it, move out together by `step` */
        const double defocus = bf - back_focus(f1, rows[i].f2, a + step);
        check_near(defocus / step, m * m, 1e-3 * m * m, "ray trace of two thin lenses");
        check_near(nw_optics_defocus_per_travel(m, true), m * m, 1e-12,
                   "longitudinal magnification");
        /* the tube grows by `step` in front of both: the same as moving both out */
        check_near(bf - back_focus(f1, rows[i].f2, a + step), m * m * step, 1e-3 * m * m * step,
                   "thermal growth of the tube");
    }
    check_near(rows[0].f2 > 0 ? back_focus(f1, 0.275, f1 - 0.06875) / 0.06875 : 0.0, 0.8, 1e-9,
               "thin lens");
    check_near(nw_optics_defocus_per_travel(0.8, true), 0.64, 1e-12, "m^2");
    check_near(nw_optics_defocus_per_travel(0.8, false), 1.0, 1e-12, "the camera alone moves");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_scale),
        cmocka_unit_test(test_depth_and_disc),
        cmocka_unit_test(test_travel_counts_magnification_squared_by_ray_trace),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
