/* Contracts of base/statistics.h. Figures of R 4 (quantile type 7, mad) where named. */
#include "base/statistics.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void check_near(double value, double expected)
{
    if (!(fabs(value - expected) < 1e-9))
        fail_msg("%.12g instead of %.12g", value, expected);
}

static void the_median_of_an_even_number_lies_between_the_middle_two(void **state)
{
    double odd[] = {5.0, 1.0, 4.0, 2.0, 3.0};
    double even[] = {9.0, 1.0, 2.0, 4.0};

    (void)state;
    check_near(statistics_median(odd, 5), 3.0);
    check_near(statistics_median(even, 4), 3.0);
    check_near(statistics_median(NULL, 0), 0.0);
}

/* Type 7 by hand (Hyndman and Fan, Am. Stat. 50:361-365, 1996): place (n - 1) q between order statistics. */
static void quantiles_are_those_of_type_seven(void **state)
{
    double values[] = {15.0, 20.0, 35.0, 40.0, 50.0};
    double four[] = {4.0, 1.0, 3.0, 2.0};

    (void)state;
    check_near(statistics_quantile(values, 5, 0.4), 29.0);
    check_near(statistics_quantile(values, 5, 0.0), 15.0);
    check_near(statistics_quantile(values, 5, 1.0), 50.0);
    check_near(statistics_quantile(four, 4, 0.25), 1.75);
    check_near(statistics_quantile(four, 0, 0.5), 0.0);
}

static void the_upper_value_of_a_quantile_is_one_of_the_values(void **state)
{
    double values[] = {15.0, 20.0, 35.0, 40.0, 50.0};
    double three[] = {3.0, 1.0, 2.0};

    (void)state;
    check_near(statistics_upper(values, 5, 0.75), 40.0);
    check_near(statistics_upper(values, 5, 0.8), 50.0);
    check_near(statistics_upper(three, 3, 0.75), 3.0);
    check_near(statistics_upper(three, 0, 0.75), 0.0);
}

/* Median 3, deviations 2 1 0 1 97: their median is 1. */
static void one_wild_value_does_not_move_the_spread(void **state)
{
    double values[] = {1.0, 2.0, 3.0, 4.0, 100.0};
    double alone[] = {7.0};

    (void)state;
    check_near(statistics_spread(values, 5), 1.4826);
    check_near(statistics_spread(alone, 1), 0.0);
    check_near(statistics_spread(NULL, 0), 0.0);
}

static void order_does_not_matter(void **state)
{
    double rising[101];
    double mixed[101];

    (void)state;
    for (int i = 0; i < 101; i++) {
        rising[i] = i;
        mixed[i] = (i * 37) % 101; /* 37 and 101 are prime: each value once */
    }
    check_near(statistics_quantile(rising, 101, 0.9), 90.0);
    check_near(statistics_quantile(mixed, 101, 0.9), 90.0);
    check_near(statistics_median(mixed, 101), 50.0);
}

static int by_value(const void *one, const void *other)
{
    double a = *(const double *)one;
    double b = *(const double *)other;

    return (a > b) - (a < b);
}

/* Few values among many equal ones, rising, falling and mixed: each order statistic is the sorted one. */
static void every_rank_is_that_of_the_sorted_values(void **state)
{
    enum { MOST = 60 };

    (void)state;
    for (int n = 1; n <= MOST; n++)
        for (int kind = 0; kind < 4; kind++) {
            double values[MOST];
            double sorted[MOST];

            for (int i = 0; i < n; i++)
                values[i] = kind == 0 ? i : kind == 1 ? -i : kind == 2 ? (i * 37) % 61 : (i * 37) % 4;
            memcpy(sorted, values, sizeof sorted);
            qsort(sorted, (size_t)n, sizeof *sorted, by_value);
            for (int rank = 0; rank < n; rank++)
                check_near(statistics_quantile(values, (size_t)n, n > 1 ? rank / (n - 1.0) : 1.0),
                           sorted[rank]);
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_median_of_an_even_number_lies_between_the_middle_two),
        cmocka_unit_test(quantiles_are_those_of_type_seven),
        cmocka_unit_test(the_upper_value_of_a_quantile_is_one_of_the_values),
        cmocka_unit_test(one_wild_value_does_not_move_the_spread),
        cmocka_unit_test(order_does_not_matter),
        cmocka_unit_test(every_rank_is_that_of_the_sorted_values),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
