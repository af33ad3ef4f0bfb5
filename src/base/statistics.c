#include "base/statistics.h"

#include <math.h>

static void swap(double *a, double *b)
{
    double kept = *a;

    *a = *b;
    *b = kept;
}

/* Puts the value of rank k in its place, none above it before it, none below it behind it (Hoare, Comm. ACM
 * 4:321, 1961). */
static void select_rank(double *values, size_t n, size_t k)
{
    size_t first = 0;
    size_t last = n - 1;

    while (last > first) {
        double middle = values[first + (last - first) / 2];
        double pivot = fmax(fmin(values[first], middle), fmin(fmax(values[first], middle), values[last]));
        size_t low = first;
        size_t high = last;

        for (;;) {
            while (values[low] < pivot)
                low++;
            while (values[high] > pivot)
                high--;
            if (low >= high)
                break;
            swap(&values[low++], &values[high--]);
        }
        if (k <= high)
            last = high;
        else
            first = high + 1;
    }
}

/* The value so far between those of ranks k and k + 1. */
static double between_ranks(double *values, size_t n, size_t k, double part)
{
    double next = HUGE_VAL;

    select_rank(values, n, k);
    if (k + 1 == n)
        return values[k];
    for (size_t i = k + 1; i < n; i++)
        next = values[i] < next ? values[i] : next;
    return (1.0 - part) * values[k] + part * next;
}

double statistics_quantile(double *values, size_t n, double quantile)
{
    double place = n > 0 ? quantile * (double)(n - 1) : 0.0;
    size_t rank = (size_t)place;

    return n > 0 ? between_ranks(values, n, rank, place - (double)rank) : 0.0;
}

double statistics_upper(double *values, size_t n, double quantile)
{
    return n > 0 ? between_ranks(values, n, (size_t)ceil(quantile * (double)(n - 1)), 0.0) : 0.0;
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
