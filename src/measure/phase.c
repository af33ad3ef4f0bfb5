#include "measure/phase.h"

#include "base/statistics.h"
#include "measure/frequency_bound.h"
#include "measure/spectrum.h"

#include <math.h>
#include <stdlib.h>

static const double PI = 3.14159265358979323846;
/* Error of the frequency of a steady wave over the bound: the positions are weighed by their noise at all
 * frequencies, not at that of the wave, and the bound by a background that is itself estimated (made traces:
 * 1.05 to 1.25; docs/method.md, 4). */
static const double OVER_BOUND = 1.2;
static const double UNSTEADY = 1.8;   /* error of the phase from end to end over its scatter */
static const double FEW_CYCLES = 3.0; /* how much more where few cycles show the scatter: over their number */
static const double SLOW_STEP_S = 0.5; /* between the moments at which phases are taken */
static const double SLOW_SIGMA = 0.25; /* of the window, in cycles: shorter, and breathing gets in; longer,
                                          and waves that hurry or wait are smoothed away */

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

/* The phase of the leading pattern, or (pattern NULL) the median over positions of their own phases: where
 * waves turn round, the phase slips by as much at one end of the stripe as it gains at the other. */
static bool follow_phase(const struct even *even, double per_min, const double complex *pattern,
                         struct slow_phase *run)
{
    size_t step = (size_t)(SLOW_STEP_S * EVEN_HZ);
    size_t n_slow = (even->n - 1) / step + 1;
    double turn = 2.0 * PI * per_min / 60.0 / EVEN_HZ;
    double sigma = SLOW_SIGMA * 60.0 / per_min * EVEN_HZ;
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

/* What bounds the frequency of a steady wave here: its noise is the fitted background, and the positions
 * count as `freedom` independent ones. */
static struct frequency_bound bound_of(const struct even *even, const struct peak *peak, double per_min)
{
    return (struct frequency_bound){.per_min = per_min,
                                    .duration_s = (double)even->n / EVEN_HZ,
                                    .amplitude =
                                        sqrt(2.0 * even_tone_energy(even, per_min) / (double)even->n),
                                    .density = peak->background,
                                    .n_independent = fmax(peak->freedom, 1.0)};
}

/* Scatter, rad squared, that noise alone gives the phase of a steady wave under the window it is taken in: a
 * Gaussian of sigma holds white noise of density S to S / (sqrt(pi) sigma) of squared amplitude, half of
 * which turns the phase. */
static double noise_square(const struct frequency_bound *bound)
{
    double sigma_s = SLOW_SIGMA * 60.0 / bound->per_min;

    return bound->density / (2.0 * sqrt(PI) * sigma_s * bound->n_independent *
                             fmax(bound->amplitude * bound->amplitude, 1e-12));
}

bool phase_frequency(const struct even *even, const struct peak *peak, const double complex *pattern,
                     struct wave_result *result)
{
    double duration_s = (double)(even->n - 1) / EVEN_HZ;
    double tone = peak_refine(even, peak->per_min, 60.0 / duration_s);
    double rad_per_min = 60.0 / (2.0 * PI * duration_s); /* what a radian from end to end amounts to */
    struct slow_phase run = {0};
    struct frequency_bound bound = bound_of(even, peak, tone);
    double unsteady = 0.0;
    double variance = 0.0;

    if (!follow_phase(even, tone, pattern, &run))
        return false;
    run.scatter_rad = sqrt(fmax(run.scatter_rad * run.scatter_rad - noise_square(&bound), 0.0));
    result->regularity = run.scatter_rad;
    result->frequency_per_min =
        run.scatter_rad < PHASE_STEADY_RAD && pattern != NULL ? tone : tone + run.advance_rad * rad_per_min;
    unsteady = UNSTEADY * (1.0 + FEW_CYCLES / (tone * duration_s / 60.0));
    variance = pow(OVER_BOUND * frequency_bound_error(&bound), 2.0) +
               pow(unsteady * run.scatter_rad * rad_per_min, 2.0);
    result->low_per_min = result->frequency_per_min - 1.96 * sqrt(variance);
    result->high_per_min = result->frequency_per_min + 1.96 * sqrt(variance);
    return true;
}
