#include "base/statistics.h"

#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>

double statistics_quantile(double *values, size_t n, double quantile)
{
    if (n == 0)
        return 0.0;
    gsl_sort(values, 1, n);
    return gsl_stats_quantile_from_sorted_data(values, 1, n, quantile);
}

double statistics_median(double *values, size_t n)
{
    return statistics_quantile(values, n, 0.5);
}

double statistics_spread(double *values, size_t n)
{
    double median = statistics_median(values, n);

    for (size_t i = 0; i < n; i++)
        values[i] = fabs(values[i] - median);
    return 1.4826 * statistics_median(values, n);
}
