#ifndef AFTERFLASH_BASE_STATISTICS_H
#define AFTERFLASH_BASE_STATISTICS_H

#include <stddef.h>

/** The median of n >= 1 values; reorders them. 0 for n = 0. */
double statistics_median(double *values, size_t n);

/** The quantile (0..1) of n >= 1 values, linear between order statistics (R's type 7); reorders them. 0 for n
 * = 0. */
double statistics_quantile(double *values, size_t n, double quantile);

/** The least of n >= 1 values that is not below their quantile (0..1), one of the values itself; reorders
 * them. 0 for n = 0. */
double statistics_upper(double *values, size_t n, double quantile);

/** 1.4826 times the median absolute deviation from the median: a standard deviation that
 *  outliers do not move; reorders and overwrites the values. 0 for n = 0. */
double statistics_spread(double *values, size_t n);

#endif
