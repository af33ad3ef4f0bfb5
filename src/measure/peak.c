#include "measure/peak.h"

#include "measure/spectrum.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double HANN_INDEPENDENT = 2.0 / 3.0; /* share of independent values after a Hann taper */
static const double BACKGROUND_TO_PER_MIN = 11.0; /* below breathing */

/* Sum of the densities of positions [from, to); the caller frees. */
static double *sum_densities(const struct even *even, enum spectrum_taper taper, size_t from, size_t to)
{
    size_t n = even->n / 2 + 1;
    double *sum = calloc(n, sizeof *sum);
    double *one = calloc(n, sizeof *one);
    double *flat = calloc(even->n, sizeof *flat);
    bool is_made = sum && one && flat;

    for (size_t p = from; p < to && is_made; p++) {
        const double *row = even->value + p * even->n;
        double half = 0.5 * (double)(even->n - 1);
        double xy = 0.0;
        double xx = 0.0;

        if (even->weight[p] <= 0.0)
            continue;
        for (size_t i = 0; i < even->n; i++) {
            xy += ((double)i - half) * row[i];
            xx += ((double)i - half) * ((double)i - half);
        }
        for (size_t i = 0; i < even->n; i++)
            flat[i] = row[i] - xy / xx * ((double)i - half);
        is_made = spectrum_density(flat, even->n, EVEN_HZ, taper, one);
        for (size_t k = 0; k < n; k++)
            sum[k] += even->weight[p] * one[k];
    }
    free(one);
    free(flat);
    if (!is_made) {
        free(sum);
        sum = NULL;
    }
    return sum;
}

/* Fits the background beside a trial peak and tests the peak against it, alone and joined with its
 * neighbours. */
static bool test_peak(const double *per_min, const double *density, size_t n, size_t at, size_t n_looks,
                      struct peak *peak)
{
    struct spectrum_background background = {0};
    bool *is_used = calloc(n, sizeof *is_used);
    bool is_fitted = false;

    if (is_used == NULL)
        return false;
    for (size_t k = 1; k < n; k++) {
        bool is_near = (k + 2 >= at && k <= at + 2) || fabs(per_min[k] / per_min[at] - 1.0) < 0.3;
        bool is_double = fabs(per_min[k] / per_min[at] - 2.0) < 0.2; /* a wave that is no sinusoid */

        is_used[k] = !is_near && !is_double && per_min[k] <= BACKGROUND_TO_PER_MIN;
    }
    is_fitted = spectrum_fit_background(&background, per_min, density, is_used, n, HANN_INDEPENDENT);
    free(is_used);
    peak->per_min = per_min[at];
    peak->density = density[at];
    peak->background = density[at];
    peak->freedom = 1.0;
    peak->false_alarm = 1.0;
    if (is_fitted) {
        struct spectrum_background wide = background;
        double three = 0.0;
        double three_background = 0.0;

        for (size_t k = at > 1 ? at - 1 : at; k <= at + 1 && k < n; k++) {
            three += density[k];
            three_background += spectrum_background_at(&background, per_min[k]);
        }
        wide.freedom =
            2.0 * background.freedom; /* three neighbours after a Hann taper: about two independent */
        peak->background = spectrum_background_at(&background, per_min[at]);
        peak->freedom = background.freedom;
        peak->false_alarm =
            fmin(spectrum_false_alarm(&background, per_min[at], density[at] / peak->background,
                                      2.0 * (double)n_looks),
                 spectrum_false_alarm(&wide, per_min[at], three / three_background, 2.0 * (double)n_looks));
    }
    return true;
}

/* Finds the tallest peak over its background within the band, in positions [from, to). False when memory ran
 * out. */
static bool find_peak_in(const struct even *even, size_t from, size_t to, struct peak *peak)
{
    size_t n = even->n / 2 + 1;
    double *density = sum_densities(even, TAPER_HANN, from, to);
    double *per_min = calloc(n, sizeof *per_min);
    double duration_min = (double)even->n / EVEN_HZ / 60.0;
    double low = fmax(CONTRACTION_LOW_PER_MIN, 1.5 / duration_min);
    size_t best = 0;
    size_t n_looks = 0;
    bool is_made = density != NULL && per_min != NULL;

    memset(peak, 0, sizeof *peak);
    peak->false_alarm = 1.0;
    for (size_t k = 0; k < n && is_made; k++) {
        per_min[k] = (double)k * EVEN_HZ / (double)even->n * 60.0;
        n_looks += per_min[k] >= low && per_min[k] <= CONTRACTION_HIGH_PER_MIN;
    }
    for (size_t k = 1; k + 1 < n && is_made; k++) {
        struct peak trial = {0};

        if (per_min[k] < low || per_min[k] > CONTRACTION_HIGH_PER_MIN)
            continue;
        if (best == 0 || density[k] > density[best])
            best = k;
        if (density[k] < density[k - 1] || density[k] < density[k + 1])
            continue; /* only what stands above its neighbours: slow drift leans on the band's lower edge */
        is_made = test_peak(per_min, density, n, k, n_looks, &trial);
        if (is_made && (peak->per_min <= 0.0 || trial.false_alarm < peak->false_alarm))
            *peak = trial;
    }
    if (is_made && best > 0) {
        double power = 0.0;

        if (peak->per_min <= 0.0)
            is_made = test_peak(per_min, density, n, best, n_looks, peak);
        for (size_t k = 1; k < n; k++)
            if (per_min[k] >= low && per_min[k] <= CONTRACTION_HIGH_PER_MIN &&
                density[k] > 0.05 * density[best]) {
                peak->centre_per_min += per_min[k] * density[k];
                power += density[k];
            }
        peak->centre_per_min /= power;
    }
    free(density);
    free(per_min);
    return is_made;
}

bool peak_find(const struct even *even, struct peak *peak)
{
    struct peak middle = {0};
    size_t from = even->n_positions * 2 / 5;
    size_t to = even->n_positions - from;

    if (!find_peak_in(even, 0, even->n_positions, peak) || !find_peak_in(even, from, to, &middle))
        return false;
    if (middle.false_alarm < peak->false_alarm)
        *peak = middle;
    peak->false_alarm = -expm1(2.0 * log1p(-fmin(peak->false_alarm, 1.0 - 1e-15))); /* two looks */
    return true;
}

double peak_refine(const struct even *even, double per_min, double width_per_min)
{
    double best = per_min;
    double best_energy = -1.0;
    double step = width_per_min / 20.0;

    for (int round = 0; round < 4; round++) {
        double centre = best;

        for (int i = -20; i <= 20; i++) {
            double trial = centre + i * step;
            double energy = trial > 0.1 ? even_tone_energy(even, trial) : -1.0;

            if (energy > best_energy) {
                best_energy = energy;
                best = trial;
            }
        }
        step /= 8.0;
    }
    return best;
}
