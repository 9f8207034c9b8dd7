/* test_tilt.c - the spectrum of the image motion against its known integrals and slopes */
#include "sky/tilt.h"

#include "check.h"

/* Integral over frequency of the mean of both axes, times sinc^2 of an exposure. */
static double rms(const struct nw_tilt_aperture *a, double r0_m, double path_m) {
    enum { N = 4000 };
    const double low = log(1e-7);
    const double step = (log(200.0) - low) / N;
    double sum = 0.0;
    for (int i = 0; i < N; i++) {
        const double f = exp(low + step * (i + 0.5));
        const double x = NW_PI * f * path_m;
        const double sinc = x > 1e-9 ? sin(x) / x : 1.0;
        const struct nw_tilt_power p = nw_sky_tilt_power(f, a);
        sum += 0.5 * (p.along_rad2_m + p.across_rad2_m) * sinc * sinc * f * step;
    }
    return sqrt(sum * pow(r0_m, -5.0 / 3.0));
}

static void test_integral_is_the_rms_of_sky(void **state) {
    (void)state;
    const struct nw_tilt_aperture a = {.aperture_m = 0.1, .outer_scale_m = 25.0};
    static const double paths_m[] = {0.0, 0.05, 1.0, 10.0, 50.0};
    for (size_t i = 0; i < sizeof paths_m / sizeof *paths_m; i++) {
        const double want = nw_sky_tilt_rms_rad(0.1, 0.1, 500e-9, 25.0, 10.0, paths_m[i] / 10.0);
        check_near(rms(&a, 0.1, paths_m[i]) / want, 1.0, 2e-3,
                   "nw_sky_tilt_rms_rad: another order of integration; REFERENCES IMG-29");
    }
}

static double slope(double f, const struct nw_tilt_aperture *a, bool across) {
    const struct nw_tilt_power p = nw_sky_tilt_power(f, a);
    const struct nw_tilt_power q = nw_sky_tilt_power(2.0 * f, a);
    return log2(across ? q.across_rad2_m / p.across_rad2_m : q.along_rad2_m / p.along_rad2_m);
}

static void test_slopes_of_the_inertial_range(void **state) {
    (void)state;
    const struct nw_tilt_aperture a = {.aperture_m = 0.1, .outer_scale_m = INFINITY};
    check_near(slope(1e-4, &a, true), -2.0 / 3.0, 0.01,
               "Conan et al. 1995: f^(-2/3) (from memory), closed form");
    check_near(slope(1e-4, &a, false), -2.0 / 3.0, 0.01, "closed form: same power of f, no window");
    /* int fy^2 (1+fy^2)^(-11/6) / int (1+fy^2)^(-11/6) = B(3/2, 1/3) / B(1/2, 4/3) = 3/2 */
    const struct nw_tilt_power p = nw_sky_tilt_power(1e-4, &a);
    check_near(p.across_rad2_m / p.along_rad2_m, 1.5, 0.02, "closed form, beta functions");
}

static void test_a_hole_in_the_aperture_takes_little(void **state) {
    (void)state;
    const struct nw_tilt_aperture full = {.aperture_m = 0.2, .outer_scale_m = 25.0};
    const struct nw_tilt_aperture ring = {
        .aperture_m = 0.2, .obstruction = 0.35, .outer_scale_m = 25.0};
    /* the low frequencies do not see the aperture at all */
    check_near(nw_sky_tilt_power(0.01, &ring).across_rad2_m /
                   nw_sky_tilt_power(0.01, &full).across_rad2_m,
               1.0, 0.01, "closed form: window 1 for f << 1/D");
    const struct nw_tilt_aperture bad = {.aperture_m = 0.2, .obstruction = 1.0};
    assert_true(isnan(nw_sky_tilt_power(0.1, &bad).along_rad2_m));
    assert_true(isnan(nw_sky_tilt_power(0.0, &full).along_rad2_m));
    assert_true(isnan(nw_sky_tilt_power(NAN, &full).across_rad2_m));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_integral_is_the_rms_of_sky),
        cmocka_unit_test(test_slopes_of_the_inertial_range),
        cmocka_unit_test(test_a_hole_in_the_aperture_takes_little),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
