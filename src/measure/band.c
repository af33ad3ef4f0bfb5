#include "measure/band.h"

#include "base/fourier.h"
#include "base/statistics.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double PI = 3.14159265358979323846;

static double pass_at(const struct pass_band *band, double per_min)
{
    double rise = fmin(fmax((per_min - 0.8 * band->low) / (0.4 * band->low), 0.0), 1.0);
    double fall = fmin(fmax((1.1 * band->high - per_min) / (0.2 * band->high), 0.0), 1.0);

    return (0.5 - 0.5 * cos(PI * rise)) * (0.5 - 0.5 * cos(PI * fall));
}

static const double SLOW_SIGMA_S = 3.0; /* of the local mean; a breath takes 3 to 5 s */

/* What is slow in a row: a local mean, at its ends one-sided. */
static void take_slow(const double *row, size_t n, double *slow)
{
    long reach = (long)(3.0 * SLOW_SIGMA_S * EVEN_HZ);

    for (long i = 0; i < (long)n; i++) {
        double sum = 0.0;
        double total = 0.0;

        for (long k = i > reach ? i - reach : 0; k < (long)n && k <= i + reach; k++) {
            double away = (double)(k - i) / (SLOW_SIGMA_S * EVEN_HZ);
            double weight = exp(-0.5 * away * away);

            sum += weight * row[k];
            total += weight;
        }
        slow[i] = sum / total;
    }
}

/* A row led on beyond its ends: `slow` by point reflection, the rest in a mirror. */
static double led_on(const double *row, const double *slow, long last, long at)
{
    long end = at < 0 ? 0 : last;
    long from = at < 0 ? -at : 2 * last - at;

    return at >= 0 && at <= last ? row[at] : 2.0 * (slow[end] - slow[from]) + row[from];
}

bool band_fill(struct even *even, const struct pass_band *band)
{
    size_t pad = even->n / 2;
    size_t n = even->n + 2 * pad;
    struct fourier *fourier = fourier_make(1, n);
    double *slow = malloc(even->n * sizeof *slow);

    if (fourier == NULL || slow == NULL) {
        fourier_free(&fourier);
        free(slow);
        return false;
    }
    memset(even->band, 0, even->n * even->n_positions * sizeof *even->band);
    for (size_t p = 0; p < even->n_positions; p++) {
        double *real = fourier_real(fourier);
        double complex *other = fourier_complex(fourier);
        const double *row = even->value + p * even->n;

        if (band->keeps_breathing_out)
            take_slow(row, even->n, slow);
        else
            memcpy(slow, row, even->n * sizeof *slow);
        for (int part = 0; part < 2; part++) {
            for (size_t i = 0; i < n; i++)
                real[i] = led_on(row, slow, (long)even->n - 1, (long)i - (long)pad);
            fourier_forward(fourier);
            for (size_t k = 0; k <= n / 2; k++) /* second part: the imaginary side of the analytic trace */
                other[k] *= pass_at(band, (double)k * EVEN_HZ / (double)n * 60.0) / (double)n *
                            (part == 0 ? 1.0 : -I);
            fourier_backward(fourier);
            for (size_t i = 0; i < even->n; i++)
                even->band[p * even->n + i] += part == 0 ? real[i + pad] : I * real[i + pad];
        }
    }
    fourier_free(&fourier);
    free(slow);
    return true;
}

bool band_lead(const struct even *even, double complex *pattern)
{
    size_t m = even->n_positions;
    double complex *covariance = calloc(m * m, sizeof *covariance);
    double complex *next = calloc(m, sizeof *next);
    bool is_made = covariance != NULL && next != NULL;

    for (size_t p = 0; p < m && is_made; p++) {
        pattern[p] = 1.0 + 0.1 * (double)(p % 3) * I;
        for (size_t q = 0; q < m; q++)
            for (size_t i = 0; i < even->n; i++)
                covariance[p * m + q] += sqrt(even->weight[p] * even->weight[q]) *
                                         even->band[p * even->n + i] * conj(even->band[q * even->n + i]);
    }
    for (int pass = 0; pass < 200 && is_made; pass++) {
        double square = 0.0;

        for (size_t p = 0; p < m; p++) {
            next[p] = 0.0;
            for (size_t q = 0; q < m; q++)
                next[p] += covariance[p * m + q] * pattern[q];
            square += creal(next[p] * conj(next[p]));
        }
        for (size_t p = 0; p < m; p++)
            pattern[p] = square > 0.0 ? next[p] / sqrt(square) : 0.0;
    }
    free(covariance);
    free(next);
    return is_made;
}

double band_strength(const struct even *even, size_t position)
{
    double square = 0.0;

    for (size_t i = 0; i < even->n; i++)
        square += creal(even->band[position * even->n + i] * conj(even->band[position * even->n + i])) /
                  (double)even->n;
    return sqrt(square);
}

double band_amplitude(const struct even *even, double *scratch)
{
    size_t n = 0;

    for (size_t p = 0; p < even->n_positions; p++)
        if (even->weight[p] > 0.0)
            scratch[n++] = band_strength(even, p);
    return statistics_quantile(scratch, n, 0.6);
}
