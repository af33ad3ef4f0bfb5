#include "measure/contraction.h"

#include "base/fourier.h"
#include "base/statistics.h"
#include "measure/spectrum.h"

#include <complex.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

static const double PI = 3.14159265358979323846;
static const double GRID_HZ = 4.0;      /* even sampling: twice the fastest pulse that is not smoothed away */
static const double GRID_SIGMA_S = 0.3; /* of the kernel that makes the grid */
static const double LARGEST_GAP_S = 3.0; /* a longer hole ends a stretch */
static const float LEAST_TRUST = 0.4F;
static const double MOST_FALSE_ALARM = 0.003;     /* of a quiet uterus */
static const double HANN_INDEPENDENT = 2.0 / 3.0; /* share of independent values after a Hann taper */
static const double BACKGROUND_TO_PER_MIN = 11.0; /* below breathing */
static const double LEAST_AMPLITUDE_MM = 0.1;     /* smaller motion is not told from the error of tracking */
static const double LEAST_COHERENCE = 0.5;
/* Share of the agreement that lies in a lag. A lag of 4 mm at 1.5 per min and 4 mm/s turns the phase by 0.16
 * rad; what wanders everywhere at once has none. */
static const double LEAST_RUNNING = 0.1;
enum { SURROGATES = 399 };
static const double STEADY_RAD = 0.1; /* phase scatter below which a wave counts as steady */
static const double UNSTEADY = 1.8;   /* error of the phase from end to end over its scatter */
static const double LAG_MM = 4.0;     /* between positions whose phases are compared */

/* The trace on an even grid, one row a position. */
struct even {
    size_t n; /* samples */
    size_t n_positions;
    double from_s;
    double *value;        /* n_positions x n, mean removed */
    double *weight;       /* n_positions: 1 / noise variance, scaled to a sum of 1 */
    double complex *band; /* n_positions x n: analytic trace about the peak */
};

static void even_free(struct even *even)
{
    free(even->value);
    free(even->weight);
    free(even->band);
    memset(even, 0, sizeof *even);
}

/* The longest stretch without a hole: times [*from, *to] where most positions are trusted. */
static void find_stretch(const struct wave_trace *trace, size_t *from, size_t *to)
{
    double best = -1.0;
    size_t start = 0;
    bool is_open = false;
    size_t last_good = 0;

    *from = *to = 0;
    for (size_t t = 0; t < trace->n_times; t++) {
        size_t n_good = 0;

        for (size_t p = 0; p < trace->n_positions; p++)
            n_good += trace->trust[t * trace->n_positions + p] >= LEAST_TRUST;
        if (2 * n_good < trace->n_positions)
            continue;
        if (!is_open || trace->time_s[t] - trace->time_s[last_good] > LARGEST_GAP_S) {
            start = t;
            is_open = true;
        }
        last_good = t;
        if (trace->time_s[t] - trace->time_s[start] > best) {
            best = trace->time_s[t] - trace->time_s[start];
            *from = start;
            *to = t;
        }
    }
}

/* One position onto the grid by a weighted local mean. False when too little of it is trusted. */
static bool fill_row(const struct wave_trace *trace, size_t p, size_t from, size_t to, struct even *even,
                     double *row)
{
    size_t low = from;
    size_t n_known = 0;
    double mean = 0.0;
    double last = NAN;

    for (size_t i = 0; i < even->n; i++) {
        double now = even->from_s + (double)i / GRID_HZ;
        double sum = 0.0;
        double total = 0.0;

        while (low < to && trace->time_s[low] < now - 3.0 * GRID_SIGMA_S)
            low++;
        for (size_t t = low; t <= to && trace->time_s[t] <= now + 3.0 * GRID_SIGMA_S; t++) {
            double away = (trace->time_s[t] - now) / GRID_SIGMA_S;
            size_t at = t * trace->n_positions + p;

            if (trace->trust[at] >= LEAST_TRUST) {
                double weight = exp(-0.5 * away * away);

                sum += weight * trace->change_mm[at];
                total += weight;
            }
        }
        row[i] = total > 1e-3 ? sum / total : NAN;
        n_known += total > 1e-3;
    }
    if (10 * n_known < 8 * even->n)
        return false;
    /* Holes are bridged by straight lines; ends are held. */
    for (size_t i = 0; i < even->n; i++) {
        size_t next = i;

        if (isfinite(row[i])) {
            last = row[i];
            continue;
        }
        while (next < even->n && !isfinite(row[next]))
            next++;
        if (next == even->n)
            row[i] = last;
        else if (!isfinite(last))
            row[i] = row[next];
        else
            row[i] = last + (row[next] - last) / (double)(next - i + 1);
        last = row[i];
    }
    for (size_t i = 0; i < even->n; i++)
        mean += row[i] / (double)even->n;
    for (size_t i = 0; i < even->n; i++)
        row[i] -= mean;
    return true;
}

/* Noise of a row: what a wave cannot do, from second differences over a second. */
static double noise_of(const double *row, size_t n, double *scratch)
{
    size_t step = (size_t)GRID_HZ;
    size_t k = 0;

    for (size_t i = step; i + step < n; i++)
        scratch[k++] = row[i - step] - 2.0 * row[i] + row[i + step];
    return fmax(statistics_spread(scratch, k) / sqrt(6.0), 1e-4);
}

static bool even_make(struct even *even, const struct wave_trace *trace, size_t from, size_t to)
{
    double *scratch = NULL;
    double total = 0.0;

    memset(even, 0, sizeof *even);
    even->from_s = trace->time_s[from];
    even->n = (size_t)floor((trace->time_s[to] - trace->time_s[from]) * GRID_HZ) + 1;
    even->n_positions = trace->n_positions;
    even->value = calloc(even->n * even->n_positions, sizeof *even->value);
    even->weight = calloc(even->n_positions, sizeof *even->weight);
    even->band = calloc(even->n * even->n_positions, sizeof *even->band);
    scratch = calloc(even->n, sizeof *scratch);
    if (!even->value || !even->weight || !even->band || !scratch) {
        free(scratch);
        even_free(even);
        return false;
    }
    for (size_t p = 0; p < even->n_positions; p++) {
        double *row = even->value + p * even->n;

        if (fill_row(trace, p, from, to, even, row)) {
            double noise = noise_of(row, even->n, scratch);

            even->weight[p] = 1.0 / (noise * noise);
        } else {
            memset(row, 0, even->n * sizeof *row);
        }
    }
    /* No position may rule: weights are held to four times the median one. */
    for (size_t p = 0; p < even->n_positions; p++)
        scratch[p % even->n] = even->weight[p];
    {
        double most =
            4.0 * statistics_median(scratch, even->n_positions < even->n ? even->n_positions : even->n);

        for (size_t p = 0; p < even->n_positions; p++) {
            if (most > 0.0)
                even->weight[p] = fmin(even->weight[p], most);
            total += even->weight[p];
        }
    }
    for (size_t p = 0; p < even->n_positions && total > 0.0; p++)
        even->weight[p] /= total;
    free(scratch);
    return true;
}

/* Energy that sinusoids of one frequency take from all positions. */
static double tone_energy(const struct even *even, double per_min)
{
    double energy = 0.0;

    for (size_t p = 0; p < even->n_positions; p++)
        if (even->weight[p] > 0.0)
            energy += even->weight[p] *
                      spectrum_tone(even->value + p * even->n, even->n, GRID_HZ, per_min / 60.0, NULL);
    return energy;
}

/* The peak, its background and its significance. */
struct peak {
    double per_min;
    double centre_per_min; /* centre of the power in the band */
    double density;        /* summed density at the peak, unit^2 per hertz */
    double background;     /* there */
    double freedom;
    double false_alarm;
};

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
        is_made = spectrum_density(flat, even->n, GRID_HZ, taper, one);
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
    double duration_min = (double)even->n / GRID_HZ / 60.0;
    double low = fmax(CONTRACTION_LOW_PER_MIN, 1.5 / duration_min);
    size_t best = 0;
    size_t n_looks = 0;
    bool is_made = density != NULL && per_min != NULL;

    memset(peak, 0, sizeof *peak);
    peak->false_alarm = 1.0;
    for (size_t k = 0; k < n && is_made; k++) {
        per_min[k] = (double)k * GRID_HZ / (double)even->n * 60.0;
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

/* Looks at all of the stripe and at its middle fifth: where waves turn round within the loop, their phase
 * slips at either end and splits the peak there, but not in the middle. False when memory ran out. */
static bool find_peak(const struct even *even, struct peak *peak)
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

/* The frequency near a start at which all positions' sinusoids together take the most. */
static double refine_frequency(const struct even *even, double per_min, double width_per_min)
{
    double best = per_min;
    double best_energy = -1.0;
    double step = width_per_min / 20.0;

    for (int round = 0; round < 4; round++) {
        double centre = best;

        for (int i = -20; i <= 20; i++) {
            double trial = centre + i * step;
            double energy = trial > 0.1 ? tone_energy(even, trial) : -1.0;

            if (energy > best_energy) {
                best_energy = energy;
                best = trial;
            }
        }
        step /= 8.0;
    }
    return best;
}

/* A band: passes between `low` and `high` per minute, fading over a fifth of each edge. */
struct pass_band {
    double low, high;
};

static double pass_at(const struct pass_band *band, double per_min)
{
    double rise = fmin(fmax((per_min - 0.8 * band->low) / (0.4 * band->low), 0.0), 1.0);
    double fall = fmin(fmax((1.1 * band->high - per_min) / (0.2 * band->high), 0.0), 1.0);

    return (0.5 - 0.5 * cos(PI * rise)) * (0.5 - 0.5 * cos(PI * fall));
}

/* Analytic traces of a band, edges continued by point reflection. */
static bool fill_band(struct even *even, const struct pass_band *band)
{
    size_t pad = even->n / 2;
    size_t n = even->n + 2 * pad;
    struct fourier *fourier = fourier_make(1, n);

    if (fourier == NULL)
        return false;
    memset(even->band, 0, even->n * even->n_positions * sizeof *even->band);
    for (size_t p = 0; p < even->n_positions; p++) {
        double *real = fourier_real(fourier);
        double complex *other = fourier_complex(fourier);
        const double *row = even->value + p * even->n;

        for (int part = 0; part < 2; part++) {
            for (size_t i = 0; i < n; i++) {
                long at = (long)i - (long)pad;
                long last = (long)even->n - 1;

                real[i] = at < 0      ? 2.0 * row[0] - row[-at]
                          : at > last ? 2.0 * row[last] - row[2 * last - at]
                                      : row[at];
            }
            fourier_forward(fourier);
            for (size_t k = 0; k <= n / 2; k++) /* second part: the imaginary side of the analytic trace */
                other[k] *= pass_at(band, (double)k * GRID_HZ / (double)n * 60.0) / (double)n *
                            (part == 0 ? 1.0 : -I);
            fourier_backward(fourier);
            for (size_t i = 0; i < even->n; i++)
                even->band[p * even->n + i] += part == 0 ? real[i + pad] : I * real[i + pad];
        }
    }
    fourier_free(&fourier);
    return true;
}

/* Leading pattern along the stripe (unit length, weighted). */
static bool lead_pattern(const struct even *even, double complex *pattern)
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

/* How the phase of the waves ran against a steady turn, at n_slow moments from the first sample to the last.
 */
struct slow_phase {
    double scatter_rad; /* standard deviation about a steady one */
    double advance_rad; /* from the first moment to the last */
};

static struct slow_phase run_of_phase(const double complex *slow, double *phase, size_t n)
{
    struct slow_phase run = {0};
    double mean = 0.0;

    for (size_t i = 0; i < n; i++) {
        phase[i] = carg(slow[i]);
        if (i > 0)
            phase[i] = phase[i - 1] + remainder(phase[i] - phase[i - 1], 2.0 * PI);
        mean += phase[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++)
        run.scatter_rad += (phase[i] - mean) * (phase[i] - mean) / (double)n;
    run.scatter_rad = sqrt(run.scatter_rad);
    run.advance_rad = phase[n - 1] - phase[0];
    return run;
}

static const double SLOW_STEP_S = 0.5; /* between the moments at which phases are taken */
static const double SLOW_SIGMA = 0.25; /* of the window, in cycles: shorter, and breathing gets in; longer,
                                          and waves that hurry or wait are smoothed away */

/* The phase of the leading pattern, or (pattern NULL) the median over positions of their own phases: where
 * waves turn round, the phase slips by as much at one end of the stripe as it gains at the other. */
static bool follow_phase(const struct even *even, double per_min, const double complex *pattern,
                         struct slow_phase *run)
{
    size_t step = (size_t)(SLOW_STEP_S * GRID_HZ);
    size_t n_slow = (even->n - 1) / step + 1;
    double turn = 2.0 * PI * per_min / 60.0 / GRID_HZ;
    double sigma = SLOW_SIGMA * 60.0 / per_min * GRID_HZ;
    double complex *slow = calloc(n_slow, sizeof *slow);
    double *phase = calloc(n_slow, sizeof *phase);
    double *advance = calloc(even->n_positions, sizeof *advance);
    double *scatter = calloc(even->n_positions, sizeof *scatter);
    bool is_made = slow && phase && advance && scatter;
    size_t n = 0;

    for (size_t p = 0; p < even->n_positions && is_made; p++) {
        const double *row = even->value + p * even->n;

        if (even->weight[p] <= 0.0)
            continue;
        for (size_t i = 0; i < n_slow; i++) {
            double middle = (double)(even->n - 1) * (double)i / (double)(n_slow - 1);
            double complex tone = spectrum_tone_near(row, even->n, middle, sigma, turn);

            slow[i] = pattern == NULL ? tone : slow[i] + conj(pattern[p]) * sqrt(even->weight[p]) * tone;
        }
        if (pattern == NULL) {
            *run = run_of_phase(slow, phase, n_slow);
            advance[n] = run->advance_rad;
            scatter[n++] = run->scatter_rad;
        }
    }
    if (is_made && pattern != NULL) {
        *run = run_of_phase(slow, phase, n_slow);
    } else if (is_made) {
        run->advance_rad = statistics_median(advance, n);
        run->scatter_rad = statistics_median(scatter, n);
    }
    free(slow);
    free(phase);
    free(advance);
    free(scatter);
    return is_made;
}

/* Variance, per minute squared, of the frequency of a steady sinusoid: Cramer-Rao bound in noise of one-sided
 * density S, var(omega) = 12 S / (A^2 T^3) (Rife and Boorstyn, IEEE Trans. Inf. Theory 20:591-598, 1974), S
 * being the fitted background and the positions counting as `freedom` independent ones. */
static double steady_variance(const struct even *even, const struct peak *peak, double per_min)
{
    double duration_s = (double)even->n / GRID_HZ;
    double amplitude_square = 2.0 * tone_energy(even, per_min) / (double)even->n;
    double noise = peak->background / fmax(peak->freedom, 1.0);

    return 12.0 * noise / fmax(amplitude_square * pow(duration_s, 3.0), 1e-12) / (4.0 * PI * PI) * 3600.0;
}

/* Frequency, regularity and interval; once more with the direction known when that is mixed. */
static bool estimate_frequency(const struct even *even, const struct peak *peak,
                               const double complex *pattern, struct wave_result *result)
{
    double duration_s = (double)(even->n - 1) / GRID_HZ;
    double tone = refine_frequency(even, peak->per_min, 60.0 / duration_s);
    double rad_per_min = 60.0 / (2.0 * PI * duration_s); /* what a radian from end to end amounts to */
    struct slow_phase run = {0};
    double variance = 0.0;

    if (!follow_phase(even, tone, pattern, &run))
        return false;
    result->regularity = run.scatter_rad;
    result->frequency_per_min =
        run.scatter_rad < STEADY_RAD && pattern != NULL ? tone : tone + run.advance_rad * rad_per_min;
    variance = steady_variance(even, peak, tone) + pow(UNSTEADY * run.scatter_rad * rad_per_min, 2.0);
    result->low_per_min = result->frequency_per_min - 1.96 * sqrt(variance);
    result->high_per_min = result->frequency_per_min + 1.96 * sqrt(variance);
    return true;
}

/* Amplitude: of the positions' bands, corrected for what noise brings; the middle of the better half. */
static double estimate_amplitude(const struct even *even, const struct peak *peak, double *scratch)
{
    size_t n = 0;

    (void)peak;
    for (size_t p = 0; p < even->n_positions; p++) {
        double square = 0.0;

        if (even->weight[p] <= 0.0)
            continue;
        for (size_t i = 0; i < even->n; i++)
            square +=
                creal(even->band[p * even->n + i] * conj(even->band[p * even->n + i])) / (double)even->n;
        scratch[n++] = sqrt(square);
    }
    return statistics_quantile(scratch, n, 0.6);
}

/* Phase advance between positions LAG_MM apart, summed over a half of the stripe and a window of time. */
static double complex advance_in(const struct even *even, size_t lag, size_t from_p, size_t to_p,
                                 size_t from_i, size_t to_i)
{
    double complex sum = 0.0;

    for (size_t p = from_p; p + lag < to_p; p++)
        for (size_t i = from_i; i < to_i; i++)
            sum += sqrt(even->weight[p] * even->weight[p + lag]) * even->band[(p + lag) * even->n + i] *
                   conj(even->band[p * even->n + i]);
    return sum;
}

/* Direction and velocity from the phase along the stripe; a phase that falls with distance
 * from the fundus is a wave that runs away from it. */
static void estimate_direction(const struct even *even, double spacing_mm, struct wave_result *result)
{
    size_t lag = (size_t)fmax(1.0, round(LAG_MM / spacing_mm));
    size_t cycle = (size_t)fmin(60.0 / result->frequency_per_min * GRID_HZ, (double)even->n);
    size_t half = even->n_positions / 2;
    double share[2][2] = {{0}}; /* [half of stripe][away from fundus, toward it] */
    double both[2] = {0};       /* whole stripe in a window: away, toward */
    double complex uniform = 0.0;
    double complex mirrored = 0.0;
    double omega = 2.0 * PI * result->frequency_per_min / 60.0;

    result->direction = DIRECTION_UNDETERMINED;
    result->has_velocity = false;
    if (even->n_positions < 2 * lag + 2)
        return;
    for (size_t from = 0; from + cycle / 2 < even->n; from += cycle > 0 ? cycle : 1) {
        size_t to = from + cycle < even->n ? from + cycle : even->n;
        double complex fundal = advance_in(even, lag, 0, half + lag / 2, from, to);
        double complex cervical = advance_in(even, lag, half - lag / 2, even->n_positions, from, to);
        double complex whole = fundal + cervical;

        share[0][cimag(fundal) > 0.0] += fabs(cimag(fundal));
        share[1][cimag(cervical) > 0.0] += fabs(cimag(cervical));
        both[cimag(whole) > 0.0] += fabs(cimag(whole));
        uniform += cimag(whole) > 0.0 ? conj(whole) : whole;
        mirrored += fundal + conj(cervical);
    }
    {
        double fundal_away = share[0][0] / fmax(share[0][0] + share[0][1], 1e-12);
        double cervical_away = share[1][0] / fmax(share[1][0] + share[1][1], 1e-12);
        double away = both[0] / fmax(both[0] + both[1], 1e-12);
        double complex used = uniform;

        if (fundal_away > 0.7 && cervical_away < 0.3) {
            result->direction = DIRECTION_OPPOSING;
            used = mirrored;
        } else if (away > 0.8) {
            result->direction = DIRECTION_FUNDUS_TO_CERVIX;
        } else if (away < 0.2) {
            result->direction = DIRECTION_CERVIX_TO_FUNDUS;
        } else {
            result->direction = DIRECTION_MIXED;
        }
        {
            double turn = fabs(carg(used));

            result->has_velocity = turn > 0.02 && turn < 2.8;
            if (result->has_velocity)
                result->velocity_per_s = omega * (double)lag * spacing_mm / turn;
            else
                result->direction = DIRECTION_UNDETERMINED;
        }
    }
}

/* How far neighbouring places along the stripe move together with a fixed lag: sizes of the
 * summed products over halves of the stripe and windows of 20 s, over what full agreement
 * would give; 0..1. shift[p] turns a position's trace round in time. *running (may be NULL):
 * share of that size which lies across the real axis, where only motion that comes later at one
 * place than at the other gets (Nolte et al., Clin. Neurophysiol. 115:2292-2307, 2004, from memory). */
static double coherence_of(const struct even *even, size_t lag, const size_t *shift, double *running)
{
    size_t window = (size_t)(20.0 * GRID_HZ);
    size_t half = even->n_positions / 2;
    double agreed = 0.0;
    double lagged = 0.0;
    double most = 0.0;

    for (size_t from = 0; from + window / 2 < even->n; from += window)
        for (int part = 0; part < 2; part++) {
            double complex sum = 0.0;
            size_t first = part == 0 ? 0 : half;
            size_t end = part == 0 ? half : even->n_positions;

            for (size_t p = first; p < end && p + lag < even->n_positions; p++) {
                double weight = sqrt(even->weight[p] * even->weight[p + lag]);
                double one = 0.0;
                double other = 0.0;

                for (size_t i = from; i < from + window && i < even->n; i += 2) {
                    double complex a = even->band[p * even->n + (i + shift[p]) % even->n];
                    double complex b = even->band[(p + lag) * even->n + (i + shift[p + lag]) % even->n];

                    sum += weight * b * conj(a);
                    one += weight * creal(a * conj(a));
                    other += weight * creal(b * conj(b));
                }
                most += sqrt(one * other);
            }
            agreed += cabs(sum);
            lagged += fabs(cimag(sum));
        }
    if (running != NULL)
        *running = agreed > 0.0 ? lagged / agreed : 0.0;
    return most > 0.0 ? agreed / most : 0.0;
}

/* Chance that traces of the same spectra without a common wave agree as well: every
 * position's trace is turned round in time by a lot of its own, many times over.
 * Source: Theiler et al., Physica D 58:77-94, 1992 (surrogate data; there with random phases). */
static double test_coherence(const struct even *even, size_t lag, size_t *shift, double *coherence,
                             double *running)
{
    uint64_t state = 0x9E3779B97F4A7C15U; /* the same lots every time: the same answer */
    size_t n_reach = 0;

    memset(shift, 0, even->n_positions * sizeof *shift);
    *coherence = coherence_of(even, lag, shift, running);
    for (int round = 0; round < SURROGATES; round++) {
        for (size_t p = 0; p < even->n_positions; p++) {
            state = state * 6364136223846793005U + 1442695040888963407U;
            shift[p] = (size_t)(state >> 33) % even->n;
        }
        n_reach += coherence_of(even, lag, shift, NULL) >= *coherence;
    }
    return ((double)n_reach + 1.0) / (SURROGATES + 1.0);
}

static bool measure_waves(struct even *even, const struct peak *peak, double spacing_mm,
                          struct wave_result *result)
{
    double complex *pattern = calloc(even->n_positions, sizeof *pattern);
    double *scratch = calloc(even->n_positions, sizeof *scratch);
    struct pass_band band = {.low = 0.5 * peak->per_min, .high = 1.75 * peak->per_min};
    bool is_made = pattern && scratch && fill_band(even, &band) && lead_pattern(even, pattern) &&
                   estimate_frequency(even, peak, pattern, result);

    if (is_made) {
        result->amplitude = estimate_amplitude(even, peak, scratch);
        estimate_direction(even, spacing_mm, result);
        if (result->direction == DIRECTION_MIXED)
            is_made = estimate_frequency(even, peak, NULL, result);
        result->count = round(result->frequency_per_min * (double)even->n / GRID_HZ / 60.0);
    }
    free(pattern);
    free(scratch);
    return is_made;
}

/* Whether there are waves: a rhythm that stands out in the spectrum, or motion that runs along
 * the stripe as chance would not have it; either large enough to be told from tracking error. */
static bool decide(struct even *even, struct peak *peak, double spacing_mm, struct wave_result *result)
{
    double duration_min = (double)even->n / GRID_HZ / 60.0;
    struct pass_band band = {.low = fmax(0.9, 1.5 / duration_min), .high = 7.0};
    size_t lag = (size_t)fmax(1.0, round(LAG_MM / spacing_mm));
    size_t *shift = calloc(even->n_positions, sizeof *shift);
    double *scratch = calloc(even->n_positions, sizeof *scratch);
    double coherence = 0.0;
    double running = 0.0;
    double chance = 1.0;
    bool is_made = shift != NULL && scratch != NULL && fill_band(even, &band);

    if (is_made) {
        double amplitude = estimate_amplitude(even, peak, scratch);
        bool is_line = peak->false_alarm <= MOST_FALSE_ALARM;
        bool is_wave = false;

        chance = test_coherence(even, lag, shift, &coherence, &running);
        is_wave =
            chance <= 1.5 / (SURROGATES + 1.0) && coherence >= LEAST_COHERENCE && running >= LEAST_RUNNING;
        result->false_alarm = fmin(peak->false_alarm, is_wave ? chance : 1.0);
        result->verdict =
            amplitude >= LEAST_AMPLITUDE_MM && (is_wave || (is_line && coherence >= 0.5 * LEAST_COHERENCE))
                ? CONTRACTIONS_MEASURED
                : CONTRACTIONS_QUIESCENT;
        if (!is_line) /* no line: the waves are unsteady, their band is taken about the centre of their power
                       */
            peak->per_min = peak->centre_per_min;
        result->coherence = coherence;
        result->amplitude = amplitude;
    }
    free(shift);
    free(scratch);
    return is_made;
}

bool contraction_measure(struct wave_result *result, struct text_list *reasons,
                         const struct wave_trace *trace, struct error **err)
{
    struct even even = {0};
    struct peak peak = {0};
    size_t from = 0;
    size_t to = 0;
    bool is_made = true;

    memset(result, 0, sizeof *result);
    result->verdict = CONTRACTIONS_NOT_ASSESSABLE;
    result->false_alarm = 1.0;
    if (trace->n_times < 2 || trace->n_positions < 4) {
        (void)text_list_add(reasons, "there is too little of the stripe to follow its walls");
        return true;
    }
    find_stretch(trace, &from, &to);
    result->assessed_s = to > from ? trace->time_s[to] - trace->time_s[from] : 0.0;
    if (result->assessed_s < CONTRACTION_LEAST_S) {
        (void)text_list_add(
            reasons, "only %.0f s of the loop let the walls be followed; a frequency needs at least %.0f s",
            result->assessed_s, CONTRACTION_LEAST_S);
        return true;
    }
    if ((double)(to - from) / result->assessed_s < 1.5) {
        (void)text_list_add(reasons,
                            "%.1f frames a second are too few: breathing would pass for contractions",
                            (double)(to - from) / result->assessed_s);
        return true;
    }
    if (!even_make(&even, trace, from, to))
        return error_memory(err);
    is_made = find_peak(&even, &peak) &&
              decide(&even, &peak, trace->position_mm[1] - trace->position_mm[0], result);
    if (is_made && result->verdict == CONTRACTIONS_MEASURED)
        is_made = measure_waves(&even, &peak, trace->position_mm[1] - trace->position_mm[0], result);
    else if (is_made)
        (void)text_list_add(
            reasons, "no rhythm between %.1f and %.0f per minute stands out from the walls' other motion",
            CONTRACTION_LOW_PER_MIN, CONTRACTION_HIGH_PER_MIN);
    even_free(&even);
    return is_made ? true : error_memory(err);
}
