/* stats.c - see stats.h.
 * Idea: one selection does all order statistics; sums run in double over the array as it lies. */
#include "base/stats.h"

#include <assert.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

#include "base/constants.h"

enum { SAMPLE_ABOVE = 600, SCANS_MAX = 24 }; /* SCANS_MAX n comparisons: never met by chance */

#define SELECT_T double
#define KEY(x) (x)
#define SELECT select_value
#define PARTITION partition_value
#define HEAP_SORT heap_sort_value
#define SIFT sift_value
#include "base/stats_select.h"

#define SELECT_T double
#define KEY(x) fabs((x)-centre)
#define SELECT select_distance
#define PARTITION partition_distance
#define HEAP_SORT heap_sort_distance
#define SIFT sift_distance
#include "base/stats_select.h"

#define SELECT_T float
#define KEY(x) (x)
#define SELECT select_float
#define PARTITION partition_float
#define HEAP_SORT heap_sort_float
#define SIFT sift_float
#include "base/stats_select.h"

static void select_nth(double *values, size_t n, size_t k) {
    select_value(values, 0, (ptrdiff_t)n - 1, (ptrdiff_t)k, 0.0, SCANS_MAX * (ptrdiff_t)n);
}

/* median |x - centre|; the values are only reordered. */
static double median_distance(double *values, size_t n, double centre) {
    const size_t half = n / 2;
    select_distance(values, 0, (ptrdiff_t)n - 1, (ptrdiff_t)half, centre, SCANS_MAX * (ptrdiff_t)n);
    const double upper = fabs(values[half] - centre);
    if (n % 2 == 1) {
        return upper;
    }
    double below = 0.0;
    for (size_t i = 0; i < half; i++) {
        below = fmax(below, fabs(values[i] - centre));
    }
    return below + 0.5 * (upper - below);
}

double nw_stat_median(double *values, size_t n) {
    assert(n >= 1);
    const size_t half = n / 2;
    select_nth(values, n, half);
    if (n % 2 == 1) {
        return values[half];
    }
    double below = values[0];
    for (size_t i = 1; i < half; i++) {
        below = values[i] > below ? values[i] : below;
    }
    return below + 0.5 * (values[half] - below);
}

float nw_stat_median_f(float *values, size_t n) {
    assert(n >= 1);
    const size_t half = n / 2;
    select_float(values, 0, (ptrdiff_t)n - 1, (ptrdiff_t)half, 0.0, SCANS_MAX * (ptrdiff_t)n);
    if (n % 2 == 1) {
        return values[half];
    }
    float below = values[0];
    for (size_t i = 1; i < half; i++) {
        below = values[i] > below ? values[i] : below;
    }
    return (float)(0.5 * ((double)below + (double)values[half]));
}

double nw_stat_quantile(double *values, size_t n, double p) {
    assert(n >= 1 && p >= 0.0 && p <= 1.0);
    const double place = (double)(n - 1) * p; /* Hyndman & Fan 1996, Am. Stat. 50, 361, type 7 */
    size_t low = (size_t)floor(place);
    low = low < n ? low : n - 1;
    select_nth(values, n, low);
    const double weight = place - (double)low;
    if (low + 1 >= n || !(weight > 0.0)) {
        return values[low];
    }
    double above = values[low + 1];
    for (size_t i = low + 2; i < n; i++) {
        above = values[i] < above ? values[i] : above;
    }
    return values[low] + weight * (above - values[low]);
}

double nw_stat_mad_sigma(double *values, size_t n, double *ret_median) {
    const double median = nw_stat_median(values, n);
    if (ret_median) {
        *ret_median = median;
    }
    return NW_SIGMA_PER_MAD * median_distance(values, n, median);
}

static int by_value(const void *a, const void *b) {
    const double x = *(const double *)a;
    const double y = *(const double *)b;
    return (x > y) - (x < y);
}

void nw_stat_sort(double *values, size_t n) {
    qsort(values, n, sizeof *values, by_value);
}

double nw_stat_mean(const double *values, size_t n) {
    assert(n >= 1);
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum += values[i];
    }
    return sum / (double)n;
}

double nw_stat_sd(const double *values, size_t n, double mean) {
    if (n < 2) {
        return (double)NAN;
    }
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        sum += (values[i] - mean) * (values[i] - mean);
    }
    return sqrt(sum / (double)(n - 1));
}

double nw_stat_clipped_mean(double *values, size_t n, double k, double *ret_sd, size_t *ret_n) {
    assert(n >= 1 && k > 0.0);
    size_t n_kept = n;
    for (size_t n_before = 0; n_before != n_kept;) { /* n_kept only falls, so this ends */
        n_before = n_kept;
        const double median = nw_stat_median(values, n_kept);
        double sigma = NW_SIGMA_PER_MAD * median_distance(values, n_kept, median);
        if (!(sigma > 0.0)) { /* more than half are equal: the MAD says nothing */
            sigma = nw_stat_sd(values, n_kept, nw_stat_mean(values, n_kept));
        }
        for (size_t i = 0; i < n_kept;) {
            if (fabs(values[i] - median) > k * sigma) {
                const double swap = values[i];
                values[i] = values[--n_kept];
                values[n_kept] = swap;
            } else {
                i++;
            }
        }
    }
    const double mean = nw_stat_mean(values, n_kept);
    if (ret_sd) {
        *ret_sd = nw_stat_sd(values, n_kept, mean);
    }
    if (ret_n) {
        *ret_n = n_kept;
    }
    return mean;
}

void nw_stat_biweight(double *values, size_t n, double *ret_location, double *ret_scale) {
    const double median = nw_stat_median(values, n);
    const double mad = median_distance(values, n, median);
    double sum_w = 0.0;
    double sum_wd = 0.0;
    double above = 0.0;
    double below = 0.0;
    for (size_t i = 0; i < n && mad > 0.0; i++) {
        const double d = values[i] - median;
        const double u6 = d / (6.0 * mad);
        const double u9 = d / (9.0 * mad);
        if (fabs(u6) < 1.0) { /* Beers et al. 1990, eq. 5 */
            const double w = (1.0 - u6 * u6) * (1.0 - u6 * u6);
            sum_w += w;
            sum_wd += w * d;
        }
        if (fabs(u9) < 1.0) { /* Beers et al. 1990, eq. 9 */
            const double v = 1.0 - u9 * u9;
            above += d * d * v * v * v * v;
            below += v * (1.0 - 5.0 * u9 * u9);
        }
    }
    if (ret_location) {
        *ret_location = sum_w > 0.0 ? median + sum_wd / sum_w : median;
    }
    if (ret_scale) {
        *ret_scale = mad > 0.0 ? sqrt((double)n * above) / fabs(below) : 0.0;
    }
}
