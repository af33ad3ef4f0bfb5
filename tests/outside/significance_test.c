/* The test of significance of a peak against SciPy, and against figures in print:
 *   limits of a spectrum estimate of 2, 7 and 9 degrees of freedom: example results of the NAG C Library,
 * g13cbc and g13cac
 *   upper critical values of chi-square: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4
 * Welch's average of K spectra has 2 K degrees of freedom; freedom is half of them. */
#include "../support/outside.h"
#include "measure/spectrum.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void assert_relative(double value, double wanted, double relative)
{
    if (!(fabs(value - wanted) <= relative * fabs(wanted)))
        fail_msg("%.12g instead of %.12g", value, wanted);
}

/* Chance that one value with that many degrees of freedom reaches `ratio` times the background. */
static double chance(double degrees, double ratio)
{
    const struct spectrum_background background = {.level = 1.0, .freedom = 0.5 * degrees};

    return spectrum_false_alarm(&background, 1.0, ratio, 1.0);
}

static void the_published_limits_of_a_spectrum_hold_19_of_20(void **state)
{
    (void)state;
    /* An estimate times low and high is the interval; so the estimate itself lies above 1 / low, and above
     * 1 / high, times the background with chances of 2.5 and 97.5 %. */
    assert_relative(chance(9, 1 / 0.4731), 0.025, 5e-4); /* printed to four figures */
    assert_relative(chance(9, 1 / 3.3329), 0.975, 5e-5);
    assert_relative(chance(2, exp(1.3053)), 0.025, 5e-4); /* printed as logarithms */
    assert_relative(chance(2, exp(-3.6762)), 0.975, 5e-5);
    assert_relative(chance(7, exp(0.8275)), 0.025, 5e-4);
    assert_relative(chance(7, exp(-1.4213)), 0.975, 5e-5);
}

static void the_published_critical_values_of_chi_square_have_their_chances(void **state)
{
    /* degrees of freedom, chance, value */
    static const double printed[][3] = {
        {1, 0.05, 3.841},   {2, 0.05, 5.991},     {2, 0.01, 9.210},    {4, 0.001, 18.467},
        {10, 0.05, 18.307}, {10, 0.01, 23.209},   {20, 0.025, 34.170}, {40, 0.001, 73.402},
        {60, 0.01, 88.379}, {100, 0.05, 124.342},
    };

    (void)state;
    for (size_t i = 0; i < sizeof printed / sizeof printed[0]; i++) {
        double step = 0.0005 / printed[i][0]; /* half of the last figure */

        assert_true(chance(printed[i][0], printed[i][2] / printed[i][0] - step) >= printed[i][1]);
        assert_true(chance(printed[i][0], printed[i][2] / printed[i][0] + step) <= printed[i][1]);
    }
}

static void the_chance_is_scipys_over_the_whole_range_in_use(void **state)
{
    enum { N = 9 * 4 * 8 };
    double numbers[N][4]; /* shape, looks, ratio, chance */
    size_t n_small = 0;

    (void)state;
    assert_int_equal(outside_numbers(&numbers[0][0], 4 * N, "tails"), 4 * N);
    for (size_t i = 0; i < N; i++) {
        const struct spectrum_background background = {.level = 2.5, .slope = 1.3, .freedom = numbers[i][0]};
        double ours = spectrum_false_alarm(&background, 3.0, numbers[i][2], numbers[i][1]);

        if (numbers[i][3] > 1e-200)
            assert_relative(ours, numbers[i][3], 1e-6);
        else
            assert_true(ours < 1e-190);
        n_small += numbers[i][3] > 1e-200 && numbers[i][3] < 1e-6;
    }
    assert_true(n_small > 20); /* the far tail is looked at too */
}

static void a_background_is_fitted_as_scipy_fits_it(void **state)
{
    enum { N = 37, HOW_MANY = 40 };
    static const double made[3][3] = {{0.8, 1.0, 1.0}, {1.2, 2.5, 2.0 / 3.0}, {1.6, 8.0, 2.0 / 3.0}};
    static double numbers[HOW_MANY * (N + 3)];
    double frequency[N];
    bool is_used[N];

    (void)state;
    for (int k = 0; k < N; k++) {
        frequency[k] = k + 1;
        is_used[k] = true;
    }
    for (int c = 0; c < 3; c++) {
        assert_int_equal(outside_numbers(numbers, HOW_MANY * (N + 3), "background %d %d %g %g %.17g %d",
                                         HOW_MANY, N, made[c][0], made[c][1], made[c][2], 31 + c),
                         HOW_MANY * (N + 3));
        for (int i = 0; i < HOW_MANY; i++) {
            const double *power = numbers + (ptrdiff_t)i * (N + 3);
            struct spectrum_background background = {0};

            assert_true(spectrum_fit_background(&background, frequency, power, is_used, N, made[c][2]));
            assert_relative(background.slope, power[N], 1e-6);
            assert_relative(background.level, power[N + 1], 1e-6);
            assert_relative(background.freedom, power[N + 2], 1e-6);
        }
    }
}

static void a_background_that_is_not_surely_known_gives_the_chance_that_numpy_works_out(void **state)
{
    /* shape, n, middle, reach, frequency, ratio, looks */
    static const double cases[][7] = {
        {1, 20, 1.2, 0.6, 3, 9, 20},  {2.5, 12, 1.5, 0.7, 0.8, 5, 7},   {6, 40, 1.0, 0.8, 6, 3, 40},
        {0.6, 8, 1.1, 0.5, 2, 14, 9}, {15, 30, 1.8, 0.4, 11, 2.5, 100}, {1, 1e6, 1.0, 1.0, 3, 10, 100},
    };

    enum { N = sizeof cases / sizeof cases[0] };
    char list[1024] = "";
    double wanted[N];

    (void)state;
    for (size_t i = 0; i < N; i++)
        for (int k = 0; k < 7; k++)
            (void)snprintf(list + strlen(list), sizeof list - strlen(list), " %g", cases[i][k]);
    assert_int_equal(outside_numbers(wanted, N, "uncertain_tails %s", list), N);
    for (size_t i = 0; i < N; i++) {
        const double *at = cases[i];
        const struct spectrum_background background = {
            .level = 0.7, .slope = 0.9, .freedom = at[0], .n = at[1], .middle = at[2], .reach = at[3]};

        assert_relative(spectrum_false_alarm(&background, at[4], at[5], at[6]), wanted[i], 1e-6);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_published_limits_of_a_spectrum_hold_19_of_20),
        cmocka_unit_test(the_published_critical_values_of_chi_square_have_their_chances),
        cmocka_unit_test(the_chance_is_scipys_over_the_whole_range_in_use),
        cmocka_unit_test(a_background_is_fitted_as_scipy_fits_it),
        cmocka_unit_test(a_background_that_is_not_surely_known_gives_the_chance_that_numpy_works_out),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
