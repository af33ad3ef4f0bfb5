/* Spectra against SciPy and NumPy, and against figures in print:
 *   NIST/SEMATECH e-Handbook, data set Lew (200 beam deflections): mean -177.435, standard deviation
 * 277.332168044316 R's lh, sunspot.year, lynx, ldeaths: largest ordinate and Fisher's g by R Fisher's g of
 * lh, straight line not removed: 0.211602988357, peak 6 (R, GeneCycle's definition) equivalent noise
 * bandwidth of a periodic Hann taper: exactly 1.5 bins chance of the largest of M exponential ordinates: 1 -
 * (1 - exp(-z))^M (Sturrock and Scargle, arXiv 1006.0546) */
#include "../support/outside.h"
#include "measure/spectrum.h"
#include "measure/window_spectrum.h"

#include <complex.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const double PI = 3.14159265358979323846;

enum { MOST = 4096 };

static const double lew[200] = {
    -213, -564, -35,  -15,  141,  115,  -420, -360, 203,  -338, -431, 194,  -220, -513, 154,  -125, -559,
    92,   -21,  -579, -52,  99,   -543, -175, 162,  -457, -346, 204,  -300, -474, 164,  -107, -572, -8,
    83,   -541, -224, 180,  -420, -374, 201,  -236, -531, 83,   27,   -564, -112, 131,  -507, -254, 199,
    -311, -495, 143,  -46,  -579, -90,  136,  -472, -338, 202,  -287, -477, 169,  -124, -568, 17,   48,
    -568, -135, 162,  -430, -422, 172,  -74,  -577, -13,  92,   -534, -243, 194,  -355, -465, 156,  -81,
    -578, -64,  139,  -449, -384, 193,  -198, -538, 110,  -44,  -577, -6,   66,   -552, -164, 161,  -460,
    -344, 205,  -281, -504, 134,  -28,  -576, -118, 156,  -437, -381, 200,  -220, -540, 83,   11,   -568,
    -160, 172,  -414, -408, 188,  -125, -572, -32,  139,  -492, -321, 205,  -262, -504, 142,  -83,  -574,
    0,    48,   -571, -106, 137,  -501, -266, 190,  -391, -406, 194,  -186, -553, 83,   -13,  -577, -49,
    103,  -515, -280, 201,  300,  -506, 131,  -45,  -578, -80,  138,  -462, -361, 201,  -211, -554, 32,
    74,   -533, -235, 187,  -372, -442, 182,  -147, -566, 25,   68,   -535, -244, 194,  -351, -463, 174,
    -125, -570, 15,   72,   -550, -190, 172,  -424, -385, 198,  -218, -536, 96};

static void assert_close(double value, double wanted, double relative)
{
    if (!(fabs(value - wanted) <= relative * fmax(fabs(wanted), 1e-300)))
        fail_msg("%.15g instead of %.15g", value, wanted);
}

static void densities_are_those_of_scipy(void **state)
{
    static const struct {
        size_t n;
        double hz;
        enum spectrum_taper taper;
        const char *window;
    } cases[] = {{480, 4.0, TAPER_NONE, "boxcar"}, {481, 4.0, TAPER_NONE, "boxcar"},
                 {480, 12.5, TAPER_HANN, "hann"},  {1023, 0.5, TAPER_HANN, "hann"},
                 {1024, 4.0, TAPER_HANN, "hann"},  {241, 4.0, TAPER_HANN, "hann"},
                 {2, 1.0, TAPER_NONE, "boxcar"},   {3, 1.0, TAPER_HANN, "hann"}};
    static double numbers[MOST];
    static double power[MOST];

    (void)state;
    for (size_t c = 0; c < sizeof cases / sizeof cases[0]; c++) {
        size_t n = cases[c].n;
        size_t n_power = n / 2 + 1;
        double largest = 0;

        assert_int_equal(
            outside_numbers(numbers, MOST, "density %zu %zu %g %s", n, c + 7, cases[c].hz, cases[c].window),
            n + n_power);
        assert_true(spectrum_density(numbers, n, cases[c].hz, cases[c].taper, power));
        for (size_t k = 0; k < n_power; k++)
            largest = fmax(largest, numbers[n + k]);
        for (size_t k = 0; k < n_power; k++) /* what is all but nothing is rounding in either */
            assert_true(fabs(power[k] - numbers[n + k]) <= 1e-6 * fmax(numbers[n + k], 1e-9 * largest));
    }
}

static void densities_of_segments_add_up_to_scipys_welch_spectrum(void **state)
{
    static const size_t lengths[] = {128, 127, 240, 61};
    static double numbers[MOST];
    double power[121];
    double sum[121];

    (void)state;
    for (size_t c = 0; c < sizeof lengths / sizeof lengths[0]; c++) {
        size_t n = 960;
        size_t n_power = lengths[c] / 2 + 1;
        size_t n_segments = 0;
        double largest = 0;

        memset(sum, 0, sizeof sum);
        assert_int_equal(outside_numbers(numbers, MOST, "welch %zu %zu 4.0 %zu", n, c + 21, lengths[c]),
                         n + n_power);
        for (size_t from = 0; from + lengths[c] <= n; from += lengths[c] - lengths[c] / 2) {
            assert_true(spectrum_density(numbers + from, lengths[c], 4.0, TAPER_HANN, power));
            for (size_t k = 0; k < n_power; k++)
                sum[k] += power[k];
            n_segments++;
        }
        for (size_t k = 0; k < n_power; k++)
            largest = fmax(largest, numbers[n + k]);
        for (size_t k = 0; k < n_power; k++)
            assert_true(fabs(sum[k] / (double)n_segments - numbers[n + k]) <=
                        1e-6 * fmax(numbers[n + k], 1e-9 * largest));
    }
}

/* The whole density of a trace that is 1 at one sample and 0 elsewhere gives that sample's weight: with a
 * mean of 1 / n and weights whose squares sum to 3 n / 8, their sum over the bins is w^2 (1 - 2 / n) / (3 n /
 * 8) + 1 / n^2. */
static void the_taper_weighs_each_sample_as_scipys_hann_window_does(void **state)
{
    static const size_t lengths[] = {64, 65, 240, 241};
    double window[241];
    double trace[241];
    double power[121];

    (void)state;
    for (size_t c = 0; c < sizeof lengths / sizeof lengths[0]; c++) {
        size_t n = lengths[c];
        double count = (double)n;

        assert_int_equal(outside_numbers(window, 241, "window %zu", n), n);
        for (size_t i = 0; i < n; i++) {
            double sum = 0;

            memset(trace, 0, sizeof trace);
            trace[i] = 1;
            assert_true(spectrum_density(trace, n, 1.0, TAPER_HANN, power));
            for (size_t k = 0; k <= n / 2; k++)
                sum += power[k] / count;
            sum = (sum - 1 / (count * count)) / (1 - 2 / count) * 3 * count / 8;
            assert_true(fabs(sqrt(fmax(sum, 0)) - window[i]) < 1e-6);
        }
    }
}

static void the_spectrum_of_a_window_is_that_of_scipy(void **state)
{
    enum { LONGER = 960, N_POWER = 31 };
    static const size_t lengths[] = {241, 480, 300};

    (void)state;
    for (size_t c = 0; c < 3; c++) {
        static double numbers[MOST];
        double power[N_POWER];
        size_t n = lengths[c];

        assert_int_equal(outside_numbers(numbers, MOST, "window_density %zu %zu 4 %d", n, c + 3, LONGER),
                         n + LONGER / 2 + 1);
        assert_true(window_spectrum(power, N_POWER, 0.5 / 60.0, 0.25 / 60.0, numbers, n, 4.0));
        for (size_t k = 0; k < N_POWER; k++) /* 0.25 per min is 4 Hz over 960 */
            assert_true(fabs(power[k] - numbers[n + k + 2]) <= 1e-9 * numbers[n + k + 2]);
    }
}

static void the_ordinates_of_lew_share_its_variance_as_published(void **state)
{
    double power[101];
    double mean = 0;
    double square = 0;
    double sum = 0;

    (void)state;
    for (int i = 0; i < 200; i++)
        mean += lew[i] / 200;
    for (int i = 0; i < 200; i++)
        square += pow(lew[i] - mean, 2);
    assert_close(mean, -177.435, 1e-9);                        /* NIST certified */
    assert_close(sqrt(square / 199), 277.332168044316, 1e-12); /* NIST certified */
    assert_true(spectrum_density(lew, 200, 1.0, TAPER_NONE, power));
    for (int k = 0; k <= 100; k++)
        sum += power[k] / 200;
    assert_close(sum, square / 200, 1e-9);
    for (int k = 0; k <= 100; k++)
        assert_true(power[k] <= power[60]);
    assert_true(fabs(power[60] / 200 / sum - 0.5365) <
                5e-5); /* R's fft on the same data: 53.65, 18.5, 7.4 % */
    assert_true(fabs(power[61] / 200 / sum - 0.185) < 5e-4);
    assert_true(fabs(power[62] / 200 / sum - 0.074) < 5e-4);
}

/** Peak and share (Fisher's g) of the ordinates 1..m of a series, mean removed. */
static void check_series(const char *name, size_t m, size_t peak, double g)
{
    static double series[MOST];
    static double power[MOST];
    char path[512];
    char file[128];
    size_t n = 0;
    size_t best = 1;
    double sum = 0;

    (void)snprintf(file, sizeof file, "stats/R/%s.csv", name);
    if (!outside_sample(path, sizeof path, file))
        skip();
    n = outside_numbers(series, MOST, "column '%s' value", path);
    assert_true(n / 2 >= m);
    assert_true(spectrum_density(series, n, 1.0, TAPER_NONE, power));
    for (size_t k = 1; k <= m; k++) {
        sum += power[k];
        if (power[k] > power[best])
            best = k;
    }
    assert_int_equal(best, peak);
    assert_close(power[best] / sum, g, 1e-9);
}

static void real_series_peak_where_r_says(void **state)
{
    (void)state;
    check_series("sunspot.year", 144, 26, 0.250500428193); /* 11.1 years */
    check_series("lynx", 56, 12, 0.520350548877);
    check_series("ldeaths", 35, 6, 0.804725424521);
    check_series("lh", 23, 6, 0.211602988357);
}

static void a_hann_taper_is_one_and_a_half_bins_wide(void **state)
{
    enum { N = 128, BIN = 17 };
    double trace[N];
    double power[N / 2 + 1];
    double plain[N / 2 + 1];

    (void)state;
    for (int i = 0; i < N; i++)
        trace[i] = cos(2 * PI * BIN * i / N + 0.3);
    assert_true(spectrum_density(trace, N, N, TAPER_HANN, power)); /* one bin is one hertz */
    assert_true(spectrum_density(trace, N, N, TAPER_NONE, plain));
    assert_close(plain[BIN], 0.5, 1e-9); /* the power of a tone of amplitude 1 */
    assert_close(plain[BIN] / power[BIN], 1.5, 1e-9);
}

static void a_tone_is_fitted_as_by_least_squares(void **state)
{
    static double numbers[MOST];
    static const double hz[] = {0.0123, 0.05, 0.0589, 0.2, 0.71};
    enum { N = 480, N_HZ = sizeof hz / sizeof hz[0] };

    (void)state;
    assert_int_equal(
        outside_numbers(numbers, MOST, "tone %d 3 4.0 %g %g %g %g %g", N, hz[0], hz[1], hz[2], hz[3], hz[4]),
        N + 3 * N_HZ);
    for (int i = 0; i < N_HZ; i++) {
        double complex amplitude = 0;
        double gained = spectrum_tone(numbers, N, 4.0, hz[i], &amplitude);
        const double *wanted = &numbers[N + 3 * i];

        assert_true(fabs(gained - wanted[0]) < 1e-8 * (1 + wanted[0]));
        assert_true(cabs(amplitude - (wanted[1] - I * wanted[2])) <
                    1e-8); /* a cos(w t + p) = a cos p cos w t - a sin p sin w t */
    }
}

static void the_best_tone_of_lew_is_where_least_squares_puts_it(void **state)
{
    double best = 0;
    double best_hz = 0;
    double square = 0;
    double mean = 0;

    (void)state;
    for (double hz = 0.295; hz < 0.309; hz += 1e-6) {
        double gained = spectrum_tone(lew, 200, 1.0, hz, NULL);

        if (gained > best) {
            best = gained;
            best_hz = hz;
        }
    }
    for (int i = 0; i < 200; i++)
        mean += lew[i] / 200;
    for (int i = 0; i < 200; i++)
        square += pow(lew[i] - mean, 2);
    /* refit of offset and tone in R: 0.30180704 cycles, residual standard deviation 134.0664 (196 degrees of
     * freedom); the slope that is fitted here too changes the last digits */
    assert_true(fabs(best_hz - 0.30180704) < 2e-5);
    assert_true(fabs(sqrt((square - best) / 196) - 134.0664) < 0.5);
}

static void the_chance_of_a_peak_is_that_of_exponential_ordinates(void **state)
{
    /* 1 - (1 - exp(-z))^M for (z, M) = (10, 100), (5, 10), (12, 1000) */
    static const double published[3][3] = {
        {10, 100, 0.00452980538}, {5, 10, 0.06537275207}, {12, 1000, 0.00612539404}};
    const struct spectrum_background background = {.level = 1.0, .slope = 0.0, .freedom = 1.0};

    (void)state;
    for (int i = 0; i < 3; i++)
        assert_true(fabs(spectrum_false_alarm(&background, 3.0, published[i][0], published[i][1]) -
                         published[i][2]) < 1e-10);
}

static void the_chance_of_a_peak_in_summed_spectra_is_that_of_scipys_gamma_law(void **state)
{
    static const double shapes[] = {0.5, 2.5, 7.0};
    double tail[3];

    (void)state;
    for (int i = 0; i < 3; i++) {
        const struct spectrum_background background = {.level = 2.0, .slope = 1.0, .freedom = shapes[i]};

        assert_int_equal(outside_numbers(tail, 3, "gamma %g 1.5 3 6", shapes[i]), 3);
        assert_true(fabs(spectrum_false_alarm(&background, 3.0, 1.5, 1) - tail[0]) < 1e-10);
        assert_true(fabs(spectrum_false_alarm(&background, 3.0, 3, 1) - tail[1]) < 1e-10);
        assert_true(fabs(spectrum_false_alarm(&background, 3.0, 6, 20) - (1 - pow(1 - tail[2], 20))) < 1e-10);
    }
    assert_close(
        spectrum_background_at(&(struct spectrum_background){.level = 2.0, .slope = 1.0, .freedom = 1}, 4.0),
        0.5, 1e-12);
}

static void noise_alone_raises_no_more_alarms_than_stated(void **state)
{
    /* 400 spectra of 40 values: a power law times gamma noise, by NumPy. At a stated chance of 5 % no more
     * than 5 % plus three binomial standard deviations may pass, and the slope comes out right on the whole.
     */
    enum { N = 40, HOW_MANY = 400 };
    static const double made[3][2] = {{0.0, 1.0}, {1.5, 1.0}, {1.0, 3.0}}; /* slope, shape */
    static double values[N * HOW_MANY];
    double frequency[N];
    bool is_used[N];

    (void)state;
    for (int c = 0; c < 3; c++) {
        int n_alarms = 0;
        double slope = 0;
        double freedom = 0;
        double limit = 0.05 + 3 * sqrt(0.05 * 0.95 / HOW_MANY);

        assert_int_equal(outside_numbers(values, (size_t)N * HOW_MANY, "spectra %d %d %g %g %d", HOW_MANY, N,
                                         made[c][0], made[c][1], 11 + c),
                         N * HOW_MANY);
        for (int s = 0; s < HOW_MANY; s++) {
            const double *power = &values[s * N];
            struct spectrum_background background = {0};
            double ratio = 0;
            int at = 0;

            for (int k = 0; k < N; k++)
                at = power[k] * pow(k + 1, made[c][0]) > power[at] * pow(at + 1, made[c][0]) ? k : at;
            for (int k = 0; k < N;
                 k++) { /* the tallest is taken for a peak and left out, as the measuring does */
                frequency[k] = k + 1;
                is_used[k] = abs(k - at) > 1;
            }
            assert_true(spectrum_fit_background(&background, frequency, power, is_used, N, 1.0));
            ratio = power[at] / spectrum_background_at(&background, frequency[at]);
            n_alarms += spectrum_false_alarm(&background, frequency[at], ratio, N) < 0.05;
            slope += background.slope / HOW_MANY;
            freedom += background.freedom / HOW_MANY;
        }
        print_message("slope %.2f (%.1f), freedom %.2f (%.1f), alarms %.3f at a stated 0.05\n", slope,
                      made[c][0], freedom, made[c][1], (double)n_alarms / HOW_MANY);
        assert_true(fabs(slope - made[c][0]) < 0.2);
        assert_true((double)n_alarms / HOW_MANY < limit);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(densities_are_those_of_scipy),
        cmocka_unit_test(densities_of_segments_add_up_to_scipys_welch_spectrum),
        cmocka_unit_test(the_taper_weighs_each_sample_as_scipys_hann_window_does),
        cmocka_unit_test(the_spectrum_of_a_window_is_that_of_scipy),
        cmocka_unit_test(the_ordinates_of_lew_share_its_variance_as_published),
        cmocka_unit_test(real_series_peak_where_r_says),
        cmocka_unit_test(a_hann_taper_is_one_and_a_half_bins_wide),
        cmocka_unit_test(a_tone_is_fitted_as_by_least_squares),
        cmocka_unit_test(the_best_tone_of_lew_is_where_least_squares_puts_it),
        cmocka_unit_test(the_chance_of_a_peak_is_that_of_exponential_ordinates),
        cmocka_unit_test(the_chance_of_a_peak_in_summed_spectra_is_that_of_scipys_gamma_law),
        cmocka_unit_test(noise_alone_raises_no_more_alarms_than_stated),
    };

    return cmocka_run_group_tests(tests, NULL, NULL);
}
