/* test_stats.c - order statistics against sorting, robust scales against published values. */
#include "base/stats.h"

#include <stdbool.h>

#include "base/constants.h"
#include "check.h"

enum { N_MAX = 20000, N_SHAPES = 8 };

/* A small generator of our own: the values must be the same on every machine. Numbers: Knuth,
 * TAOCP vol. 2, sec. 3.3.4, table 1, line 26 (MMIX). */
static double uniform(uint64_t *seed) {
    *seed = *seed * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (double)(*seed >> 11) * 0x1p-53;
}

/* Orders that trouble selection: random, few values, all equal, sorted, reversed, organ pipe,
 * sawtooth, one outlier. */
static double shaped(int shape, size_t i, size_t n, uint64_t *seed) {
    const double x = (double)i;
    switch (shape) {
    case 0:
        return uniform(seed) - 0.5;
    case 1:
        return floor(4.0 * uniform(seed));
    case 2:
        return 5.0;
    case 3:
        return x;
    case 4:
        return -x;
    case 5:
        return i < n / 2 ? x : (double)(n - i);
    case 6:
        return (double)(i % 17);
    default:
        return i == n / 3 ? 1e300 : -0.25;
    }
}

static int compare(const void *a, const void *b) {
    const double left = *(const double *)a;
    const double right = *(const double *)b;
    return (left > right) - (left < right);
}

static double sorted_quantile(const double *sorted, size_t n, double p) {
    const double place = (double)(n - 1) * p;
    const size_t low = (size_t)place;
    const size_t high = low + 1 < n ? low + 1 : low;
    return sorted[low] + (place - (double)low) * (sorted[high] - sorted[low]);
}

static void test_median_and_quantile_agree_with_sorting(void **state) {
    (void)state;
    static double values[N_MAX];
    static double sorted[N_MAX];
    static float floats[N_MAX];
    static const size_t sizes[] = {1, 2, 3, 4, 5, 10, 599, 600, 601, 602, 603, 2000, 19999, N_MAX};
    static const double fractions[] = {0.0, 0.01, 0.25, 0.5, 0.9, 0.999, 1.0};
    uint64_t seed = 20260514;
    for (size_t k = 0; k < sizeof sizes / sizeof sizes[0]; k++) {
        const size_t n = sizes[k];
        for (int shape = 0; shape < N_SHAPES; shape++) {
            for (size_t i = 0; i < n; i++) {
                sorted[i] = (double)(float)shaped(shape, i, n, &seed);
                sorted[i] = isfinite(sorted[i]) ? sorted[i] : 1e30;
                values[i] = sorted[i];
                floats[i] = (float)sorted[i];
            }
            qsort(sorted, n, sizeof *sorted, compare);
            const double want = sorted_quantile(sorted, n, 0.5);
            check_near(nw_stat_median(values, n), want, 0.0, "brute force: qsort");
            check_near((double)nw_stat_median_f(floats, n), want, 1e-7 * fabs(want),
                       "brute force: qsort, float rounding");
            for (size_t f = 0; f < sizeof fractions / sizeof fractions[0]; f++) {
                const double q = sorted_quantile(sorted, n, fractions[f]);
                check_near(nw_stat_quantile(values, n, fractions[f]), q, 1e-15 * fabs(q),
                           "brute force: qsort");
            }
            qsort(values, n, sizeof *values, compare); /* reordered, not changed */
            assert_memory_equal(values, sorted, n * sizeof *values);
        }
    }
}

static void test_quantile_interpolates_as_type_7(void **state) {
    (void)state;
    double values[] = {4.0, 1.0, 3.0, 2.0};
    /* R: quantile(1:4, c(.25, .5, .9), type = 7) -> 1.75 2.50 3.70 */
    check_near(nw_stat_quantile(values, 4, 0.25), 1.75, 1e-15, "Hyndman & Fan 1996, type 7");
    check_near(nw_stat_quantile(values, 4, 0.50), 2.50, 1e-15, "Hyndman & Fan 1996, type 7");
    check_near(nw_stat_quantile(values, 4, 0.90), 3.70, 1e-15, "Hyndman & Fan 1996, type 7");
}

static void test_robust_scales_have_their_published_values(void **state) {
    (void)state;
    double values[] = {100.0, 9.0, 1.0, 8.0, 2.0, 7.0, 3.0, 6.0, 4.0, 5.0};
    const size_t n = 10;
    double median = 0.0;
    double location = 0.0;
    double scale = 0.0;
    const double mean = nw_stat_mean(values, n);
    check_near(mean, 14.5, 1e-12, "REFERENCES CMB-05");
    check_near(nw_stat_sd(values, n, mean), 30.15239, 1e-5, "REFERENCES CMB-05");
    check_near(nw_stat_mad_sigma(values, n, &median), 3.706506, 1e-5, "REFERENCES CMB-05");
    check_near(median, 5.5, 0.0, "REFERENCES CMB-05");
    nw_stat_biweight(values, n, &location, &scale);
    check_near(location, 5.059648, 1e-5, "REFERENCES CMB-05, astropy biweight_location");
    check_near(scale, 2.864536, 1e-5, "REFERENCES CMB-05, astropy biweight_scale");
    nw_stat_biweight(values, n, NULL, NULL);
    check_near(NW_SIGMA_PER_MAD, 1.482602219, 1e-9, "REFERENCES CMB-01");
}

static void test_clipping_takes_the_outlier(void **state) {
    (void)state;
    double values[] = {10.1, 9.9, 10.0, 13.0, 10.2, 9.8, 10.05, 9.95};
    double median = 0.0;
    double sd = 0.0;
    size_t n_kept = 0;
    check_near(nw_stat_mad_sigma(values, 8, &median), 0.1482602, 1e-6, "REFERENCES CMB-07");
    check_near(median, 10.025, 1e-12, "REFERENCES CMB-07");
    check_near(nw_stat_clipped_mean(values, 8, 3.0, &sd, &n_kept), 10.0, 1e-6, "REFERENCES CMB-07");
    assert_int_equal(n_kept, 7);
    check_near(sd, sqrt(0.105 / 6.0), 1e-12, "sum of squares of the seven about 10, by hand");
    check_near(values[7], 13.0, 0.0, "the clipped one goes behind the kept ones");
    double nine[] = {1, 2, 3, 4, 5, 6, 7, 8, 9, 100};
    check_near(nw_stat_clipped_mean(nine, 10, 3.0, NULL, &n_kept), 5.0, 0.0,
               "CMB-06: nine are kept, mean 5");
    assert_int_equal(n_kept, 9);
}

static void test_a_mad_of_zero_does_not_clip_everything(void **state) {
    (void)state;
    double values[] = {7, 7, 7, 7, 7, 8, 6, 7, 7, 7};
    size_t n_kept = 0;
    double scale = 1.0;
    double location = 0.0;
    check_near(nw_stat_clipped_mean(values, 10, 3.0, NULL, &n_kept), 7.0, 1e-15,
               "two values of 10, one step away, are within 3 sd");
    assert_int_equal(n_kept, 10);
    nw_stat_biweight(values, 10, &location, &scale);
    check_near(location, 7.0, 0.0, "the median where the MAD is 0");
    check_near(scale, 0.0, 0.0, "0 where the MAD is 0");
    double one[] = {3.0};
    check_near(nw_stat_clipped_mean(one, 1, 3.0, &scale, &n_kept), 3.0, 0.0, "a single value");
    assert_true(isnan(scale));
}

static void test_scales_of_a_gaussian_are_its_sigma(void **state) {
    (void)state;
    static double values[N_MAX];
    uint64_t seed = 42;
    for (size_t i = 0; i < N_MAX; i++) { /* Box & Muller 1958, Ann. Math. Stat. 29, 610 */
        const double r = sqrt(-2.0 * log(1.0 - uniform(&seed)));
        values[i] = 100.0 + 3.0 * r * cos(2.0 * NW_PI * uniform(&seed));
    }
    double location = 0.0;
    double scale = 0.0;
    /* standard errors at n = 20000: MAD 1.17 / sqrt(n), biweight scale 0.76 / sqrt(n): 4 of them */
    check_near(nw_stat_mad_sigma(values, N_MAX, NULL), 3.0, 4 * 3.0 * 1.17 / sqrt(N_MAX),
               "fixed seed, Gaussian");
    nw_stat_biweight(values, N_MAX, &location, &scale);
    check_near(scale, 3.0, 4 * 3.0 * 0.76 / sqrt(N_MAX), "fixed seed, Gaussian");
    check_near(location, 100.0, 4 * 3.0 / sqrt(N_MAX), "fixed seed, Gaussian");
}

static void test_nan_among_the_values_ends_and_stays_inside(void **state) {
    (void)state;
    static double values[N_MAX];
    uint64_t seed = 7;
    for (size_t i = 0; i < N_MAX; i++) {
        values[i] = uniform(&seed) < 0.3 ? (double)NAN : uniform(&seed);
    }
    (void)nw_stat_median(values, N_MAX); /* wrong by contract, but no overrun (sanitizers) */
    (void)nw_stat_clipped_mean(values, N_MAX, 3.0, NULL, NULL);
    assert_true(isnan(nw_stat_sd(values, 1, 0.0)));
}

static void test_sorted_values_ascend_and_are_the_same_ones(void **state) {
    (void)state;
    double values[] = {3.0, -1.0, 2.5, -1.0, INFINITY, 0.0};
    const double want[] = {-1.0, -1.0, 0.0, 2.5, 3.0, INFINITY};
    nw_stat_sort(values, 6);
    assert_memory_equal(values, want, sizeof want);
    nw_stat_sort(values, 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_median_and_quantile_agree_with_sorting),
        cmocka_unit_test(test_quantile_interpolates_as_type_7),
        cmocka_unit_test(test_robust_scales_have_their_published_values),
        cmocka_unit_test(test_clipping_takes_the_outlier),
        cmocka_unit_test(test_sorted_values_ascend_and_are_the_same_ones),
        cmocka_unit_test(test_a_mad_of_zero_does_not_clip_everything),
        cmocka_unit_test(test_scales_of_a_gaussian_are_its_sigma),
        cmocka_unit_test(test_nan_among_the_values_ends_and_stays_inside),
    };
    return cmocka_run_group_tests_name("base_stats", tests, NULL, NULL);
}
