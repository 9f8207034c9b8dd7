/* test_power.c - logarithm and power of many values against the C library; the sums of a profile
 * fit against differences of the pixel integral. */
#include "check.h"
#include "star_field.h"

#include "image/power.h"
#include "image/profile_internal.h"

static void test_logarithm_against_libm(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(1);
    for (int k = 0; k < 200000; k++) {
        const double u = exp(gsl_ran_flat(rng, 0.0, k % 2 == 0 ? 5.0 : 690.0));
        check_near(power_log(u), log(u), 1e-13 + 2e-16 * log(u), "C library");
    }
    check_near(power_log(1.0), 0.0, 0.0, "exact");
    check_near(power_log(1.0 + 1e-12), 1e-12, 1e-15, "series; 1 + 1e-12 as rounded");
    gsl_rng_free(rng);
}

static void test_exponential_against_libm(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(2);
    for (int k = 0; k < 200000; k++) {
        const double y = gsl_ran_flat(rng, 0.0, k % 2 == 0 ? 5.0 : 700.0);
        check_near(power_exp_minus(y) / exp(-y), 1.0, 1e-12, "C library");
    }
    check_near(power_exp_minus(0.0), 1.0, 0.0, "exact");
    check_near(power_exp_minus(1e6) / exp(-700.0), 1.0, 1e-12, "beyond 700 as for 700");
    gsl_rng_free(rng);
}

/* Gradient of chi2 (weights held) from the sums against central differences of the model, for each
 * of the three ways to take the pixel's average. bound: of a derivative, in the length of its
 * column and the residuals'. */
static void check_gradient(struct profile p, double bound) {
    static struct window w;
    static struct profile_weights before;
    static struct profile_weights own;
    gsl_rng *const rng = test_rng(3);
    w = (struct window){.x0 = 3, .y0 = -2, .side = 17, .noise_adu = 3.0};
    const struct field field = {.pixel_width = 1.0, .variance_per_adu = 0.5};
    for (int i = 0; i < 17 * 17; i++) {
        const double dx = w.x0 + i % 17 - p.x;
        const int row = i / 17;
        const double dy = w.y0 + row - p.y;
        w.px[i] = (float)(950.0 * profile_pixel(&p, dx, dy, 1.0) + gsl_ran_gaussian(rng, 5.0));
    }
    w.px[40] = NAN;
    struct normal_equations s;
    profile_sums(&w, &p, &field, PROFILE_N, NULL, &before, &s);
    assert_int_equal(s.n_px, 17 * 17 - 1);
    double *const parameter[PROFILE_N] = {&p.amplitude, &p.x,   &p.y,   &p.cxx,
                                          &p.cxy,       &p.cyy, &p.sky, &p.beta};
    for (int k = 0; k < PROFILE_N; k++) {
        const double middle = *parameter[k];
        const double h = 1e-6 * fmax(fabs(middle), 0.1);
        struct normal_equations low;
        struct normal_equations high;
        *parameter[k] = middle - h;
        profile_sums(&w, &p, &field, PROFILE_N, &before, &own, &low);
        *parameter[k] = middle + h;
        profile_sums(&w, &p, &field, PROFILE_N, &before, &own, &high);
        *parameter[k] = middle;
        const double slope = (high.chi2_before - low.chi2_before) / (2.0 * h);
        check_near(-2.0 * s.b[k], slope, bound * sqrt(s.a[k][k] * s.chi2) + 1e-5 * fabs(slope),
                   "central difference");
    }
    gsl_rng_free(rng);
}

static void test_gradient_against_differences(void **state) {
    (void)state;
    const struct profile nodes = {900.0, 11.2, 5.7, 0.33, 0.05, 0.4, 4.0, 2.6};
    const struct profile series = {900.0, 11.2, 5.7, 0.13, 0.02, 0.16, 4.0, 2.6};
    const struct profile middle = {900.0, 11.2, 5.7, 0.004, 0.001, 0.0045, 4.0, 2.6};
    check_gradient(nodes, 1e-4);
    check_gradient(series, 3e-4);
    check_gradient(middle, 1e-4);
}

/* The average over a pixel against 64 x 64 midpoints, along a line from the star outwards (the
 * mixed term counts on it), for cores of all curvatures and all wings: of the peak, to the error
 * that profile_pixel_rule promises. */
static void test_average_against_brute_force(void **state) {
    (void)state;
    enum { N = 64 };
    static const double CURVATURES[] = {0.01, 0.029, 0.031, 0.3, 0.99, 1.01, 3.0};
    for (size_t k = 0; k < sizeof CURVATURES / sizeof CURVATURES[0]; k++) {
        for (double beta = 1.5; beta < 30.0; beta *= 1.5) {
            const double c = CURVATURES[k] / beta;
            const struct profile p = {.cxx = 0.4 * c, .cxy = 0.1 * c, .cyy = 0.6 * c, .beta = beta};
            for (int place = 0; place < 12; place++) {
                const double x0 = 0.37 * place;
                const double y0 = 0.29 * place;
                double sum = 0.0;
                for (int node = 0; node < N * N; node++) {
                    const int row = node / N;
                    const double x = x0 + (node % N + 0.5) / N - 0.5;
                    const double y = y0 + (row + 0.5) / N - 0.5;
                    sum += pow(1.0 + p.cxx * x * x + 2.0 * p.cxy * x * y + p.cyy * y * y, -beta);
                }
                check_near(profile_pixel(&p, x0, y0, 1.0), sum / (N * N),
                           CURVATURES[k] < 0.03 ? 3e-3 : 1e-3, "brute force, 64 x 64 midpoints");
            }
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_logarithm_against_libm),
        cmocka_unit_test(test_exponential_against_libm),
        cmocka_unit_test(test_gradient_against_differences),
        cmocka_unit_test(test_average_against_brute_force),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
