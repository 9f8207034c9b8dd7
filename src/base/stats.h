/* stats.h - robust statistics. NaN values are the caller's to leave out; n >= 1 is asserted. */
#ifndef NW_STATS_H
#define NW_STATS_H

#include <stddef.h>

/* Medians and percentiles reorder the array (selection, O(n)). Even n: mean of the middle two.
 * quantile: linear interpolation, 0 <= p <= 1 (Hyndman & Fan 1996, type 7). */
double nw_stat_median(double *values, size_t n);
double nw_stat_quantile(double *values, size_t n, double p);
float nw_stat_median_f(float *values, size_t n);

/* 1.4826 * median |x - median|: sigma of a Gaussian. Reorders. REFERENCES CMB-05. *ret_median may
 * be NULL. */
double nw_stat_mad_sigma(double *values, size_t n, double *ret_median);

void nw_stat_sort(double *values, size_t n); /* ascending */

double nw_stat_mean(const double *values, size_t n);
double nw_stat_sd(const double *values, size_t n, double mean); /* n - 1; NaN for n < 2 */

/* Mean after clipping at `k` robust sigmas (MAD) about the median, to convergence; where more than
 * half of the values are equal, so that the MAD is 0, the standard deviation serves. The kept ones
 * come first: values[0 .. *ret_n). *ret_sd is theirs (n - 1), narrowed by the clipping. Either
 * pointer may be NULL. */
double nw_stat_clipped_mean(double *values, size_t n, double k, double *ret_sd, size_t *ret_n);

/* Biweight location and scale, c = 6 and 9 (Beers, Flynn & Gebhardt 1990, AJ 100, 32). MAD 0: the
 * median and 0. Either result pointer may be NULL. Reorders. */
void nw_stat_biweight(double *values, size_t n, double *ret_location, double *ret_scale);

#endif
