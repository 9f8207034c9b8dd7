/* test_rank.c - the k-th smallest against sorting. */
#include "check.h"
#include "star_field.h"

#include "image/measure_internal.h"

static int by_value(const void *a, const void *b) {
    const float p = *(const float *)a;
    const float q = *(const float *)b;
    return (p > q) - (p < q);
}

static void check_all_ranks(float *values, size_t n) {
    int32_t keys[300];
    assert_true(n <= 300);
    rank_keys(values, n, keys);
    float found[300];
    for (size_t k = 0; k < n; k++) {
        found[k] = rank_value(keys, n, k);
    }
    qsort(values, n, sizeof *values, by_value);
    for (size_t k = 0; k < n; k++) {
        assert_true(found[k] <= values[k] && found[k] >= values[k]);
    }
}

static void test_every_rank_is_that_of_sorting(void **state) {
    (void)state;
    gsl_rng *const rng = test_rng(1);
    float values[300];
    for (size_t n = 1; n <= 300; n = n * 3 / 2 + 1) {
        for (size_t i = 0; i < n; i++) {
            values[i] = (float)gsl_ran_gaussian(rng, 1e3);
        }
        check_all_ranks(values, n);
        for (size_t i = 0; i < n; i++) { /* many equal ones, all positive, as on the sky */
            values[i] = 1000.0F + (float)gsl_rng_uniform_int(rng, 12);
        }
        check_all_ranks(values, n);
        for (size_t i = 0; i < n; i++) { /* all negative, over many powers */
            values[i] = -(float)exp(gsl_ran_flat(rng, -80.0, 80.0));
        }
        check_all_ranks(values, n);
    }
    gsl_rng_free(rng);
}

static void test_extremes(void **state) {
    (void)state;
    float values[] = {INFINITY, -INFINITY, 0.0F, -0.0F, 3.4e38F, -3.4e38F, 1e-40F, -1e-40F, 1.0F};
    check_all_ranks(values, sizeof values / sizeof values[0]);
    float equal[] = {-7.0F, -7.0F, -7.0F};
    check_all_ranks(equal, 3);
    float infinite[] = {INFINITY, INFINITY};
    check_all_ranks(infinite, 2);
}

/* Falling, equal ones as they come, NaN last: against every pair. */
static void test_order_falls_and_keeps_equals(void **state) {
    (void)state;
    enum { N = 500 };
    gsl_rng *const rng = test_rng(2);
    float values[N];
    uint32_t order[N];
    uint64_t work[2 * N];
    for (int kind = 0; kind < 3; kind++) {
        for (size_t i = 0; i < N; i++) {
            values[i] =
                kind == 0 ? (float)gsl_ran_gaussian(rng, 1e3)
                : kind == 1
                    ? (float)gsl_rng_uniform_int(rng, 7)
                    : (float)(gsl_ran_gaussian(rng, 1.0) * exp(gsl_ran_flat(rng, -80.0, 80.0)));
        }
        if (kind == 2) {
            values[3] = INFINITY;
            values[4] = -INFINITY;
            values[5] = values[400] = NAN;
        }
        order_falling(values, N, order, work);
        bool is_seen[N] = {false};
        for (size_t k = 0; k < N; k++) {
            assert_true(order[k] < N && !is_seen[order[k]]);
            is_seen[order[k]] = true;
            const float before = k > 0 ? values[order[k - 1]] : INFINITY;
            const float here = values[order[k]];
            assert_true(before >= here || isnan(here));
            const bool is_equal = k > 0 && before <= here && before >= here;
            assert_true(!is_equal || order[k - 1] < order[k]);
        }
        assert_true(kind != 2 || (order[N - 2] == 5 && order[N - 1] == 400));
    }
    order_falling(values, 0, order, work);
    gsl_rng_free(rng);
}

static void test_median_of_nine_for_all_zeros_and_ones(void **state) {
    (void)state;
    for (unsigned bits = 0; bits < 512; bits++) {
        double values[9];
        int n_ones = 0;
        for (unsigned i = 0; i < 9; i++) {
            values[i] = bits >> i & 1u ? 7.0 : -3.0;
            n_ones += (int)(bits >> i & 1u);
        }
        check_near(rank_median_of_nine(values), n_ones >= 5 ? 7.0 : -3.0, 0.0, "counted");
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_median_of_nine_for_all_zeros_and_ones),
        cmocka_unit_test(test_order_falls_and_keeps_equals),
        cmocka_unit_test(test_every_rank_is_that_of_sorting),
        cmocka_unit_test(test_extremes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
