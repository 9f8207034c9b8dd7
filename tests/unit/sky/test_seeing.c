/* test_seeing.c - seeing scaling, r0, and the wander of an aperture */
#include "sky/sky.h"

#include "check.h"

#define AS NW_ARCSEC_PER_RAD

static void test_seeing_scales_with_airmass_and_wavelength(void **state) {
    (void)state;
    check_near(nw_sky_seeing_at(1.0, 2.0, 500e-9), 1.515717, 1e-6, "REFERENCES IMG-15");
    check_near(nw_sky_seeing_at(1.0, 1.0, 700e-9), 0.934920, 1e-6, "REFERENCES IMG-15");
    check_near(nw_sky_seeing_at(1.2, 1.5, 650e-9), 1.452270, 1e-5, "REFERENCES IMG-16");
    assert_true(isnan(nw_sky_seeing_at(1.0, 0.5, 500e-9)));
    assert_true(isnan(nw_sky_seeing_at(1.0, NAN, 500e-9)));
    assert_true(isnan(nw_sky_seeing_at(-1.0, 1.0, 500e-9)));
}

static void test_r0_of_seeing(void **state) {
    (void)state;
    check_near(nw_sky_r0_of_seeing_m(1.0 / AS, 500e-9, INFINITY), 0.100643, 1e-6,
               "REFERENCES IMG-14");
    check_near(nw_sky_r0_of_seeing_m(2.0 / AS, 500e-9, NAN), 0.05032, 1e-5, "REFERENCES IMG-28");
    /* FWHM falls as lambda^-0.2: the same air seen at 700 nm has the same r0 at 500 nm */
    check_near(nw_sky_r0_of_seeing_m(nw_sky_seeing_at(1.0 / AS, 1.0, 700e-9), 700e-9, INFINITY),
               0.100643, 1e-6, "REFERENCES IMG-14, IMG-15");
    const double kolmogorov = 0.97586343 * 500e-9 / 0.1;
    check_near(nw_sky_fwhm_of_r0_rad(0.1, 500e-9, 25.0) / kolmogorov, 0.833208, 1e-5,
               "REFERENCES IMG-17");
    check_near(nw_sky_fwhm_of_r0_rad(0.1, 500e-9, 10.0) / kolmogorov, 0.759147, 1e-5,
               "REFERENCES IMG-17");
    for (double r0 = 0.03; r0 < 0.5; r0 *= 1.3) {
        const double fwhm = nw_sky_fwhm_of_r0_rad(r0, 500e-9, 25.0);
        check_near(nw_sky_r0_of_seeing_m(fwhm, 500e-9, 25.0), r0, 1e-9, "there and back");
    }
    assert_true(isnan(nw_sky_r0_of_seeing_m(0.0, 500e-9, 25.0)));
    assert_true(isnan(nw_sky_r0_of_seeing_m(1e-5, 500e-9, -1.0)));
    assert_true(isnan(nw_sky_fwhm_of_r0_rad(NAN, 500e-9, 25.0)));
}

static void test_tilt_of_a_short_exposure(void **state) {
    (void)state;
    const double d = 0.1;
    const double r0 = 0.05032;
    const double rms = nw_sky_tilt_rms_rad(d, r0, 500e-9, INFINITY, 10.0, 0.0);
    const double unit = 500e-9 / d * pow(d / r0, 5.0 / 6.0);
    check_near(rms * rms / (unit * unit), 0.1698, 5e-4, "REFERENCES IMG-27, G-tilt");
    check_near(rms * AS, 0.7532, 1e-3, "REFERENCES IMG-28");
    check_near(nw_sky_tilt_rms_rad(0.115, r0, 500e-9, INFINITY, 0.0, 0.0) * AS, 0.74, 0.01,
               "OBSERVABILITY 1: D 115 mm, 2.0 arcsec");
    check_near(nw_sky_tilt_rms_rad(d, r0 * pow(1.4, 1.2), 700e-9, INFINITY, 0.0, 0.0), rms,
               1e-6 * rms, "the wavelength cancels");
    check_near(nw_sky_tilt_rms_rad(2 * d, r0, 500e-9, INFINITY, 0.0, 0.0) / rms,
               pow(2.0, -1.0 / 6.0), 1e-4, "sigma ~ D^(-1/6) without outer scale");
}

static void test_tilt_averaged_over_an_exposure(void **state) {
    (void)state;
    static const struct {
        double t_s, arcsec;
    } rows[] = {{0, 0.370}, {0.1, 0.240}, {1, 0.106}, {2, 0.076}, {5, 0.048}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        const double got = nw_sky_tilt_rms_rad(0.1, 0.1, 500e-9, 25.0, 10.0, rows[i].t_s) * AS;
        /* 2 % of the value, plus half of the last printed digit */
        check_near(got, rows[i].arcsec, 0.02 * rows[i].arcsec + 0.0005, "REFERENCES IMG-29");
    }
    /* guide aperture 60 mm, 2 s, 2 arcsec seeing. A grid of 48 angles misses the narrow cross-wind
     * ridge and gives 0.081 at 20 m/s; 6001 angles crowded towards it give what stands here. */
    const double r0 = 0.97586 * 500e-9 * AS / 2.0;
    check_near(nw_sky_tilt_rms_rad(0.06, r0, 500e-9, 25.0, 20.0, 2.0) * AS, 0.0959, 0.0005,
               "direct double sum (numpy, 1500 x 6001 points)");
    check_near(nw_sky_tilt_rms_rad(0.06, r0, 500e-9, 25.0, 5.0, 2.0) * AS, 0.1897, 0.0009,
               "direct double sum (numpy, 1500 x 6001 points)");
}

static void test_tilt_falls_steadily_with_exposure(void **state) {
    (void)state;
    /* the series for sinc^2 changes its form at 2 pi f v T = 60: no step may show */
    double last = nw_sky_tilt_rms_rad(0.1, 0.1, 500e-9, 25.0, 10.0, 1e-4);
    for (double t = 1e-3; t < 300.0; t *= 1.5) {
        const double now = nw_sky_tilt_rms_rad(0.1, 0.1, 500e-9, 25.0, 10.0, t);
        assert_true(now < last);
        last = now;
    }
    /* far beyond the outer scale the wander of a frozen flow averages as T^-1/2 */
    check_near(nw_sky_tilt_rms_rad(0.1, 0.1, 500e-9, 25.0, 10.0, 800.0) /
                   nw_sky_tilt_rms_rad(0.1, 0.1, 500e-9, 25.0, 10.0, 200.0),
               0.5, 0.01, "closed form: mean sinc^2 -> 1/(pi a)");
    assert_true(isnan(nw_sky_tilt_rms_rad(0.0, 0.1, 500e-9, 25.0, 10.0, 1.0)));
    assert_true(isnan(nw_sky_tilt_rms_rad(0.1, 0.1, 500e-9, 25.0, NAN, 1.0)));
    assert_true(isnan(nw_sky_tilt_rms_rad(0.1, 0.1, 500e-9, 0.0, 10.0, 1.0)));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_seeing_scales_with_airmass_and_wavelength),
        cmocka_unit_test(test_r0_of_seeing),
        cmocka_unit_test(test_tilt_of_a_short_exposure),
        cmocka_unit_test(test_tilt_averaged_over_an_exposure),
        cmocka_unit_test(test_tilt_falls_steadily_with_exposure),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
