#include "measure/window_spectrum.h"

#include <complex.h>
#include <math.h>
#include <stdlib.h>

static const double PI = 3.14159265358979323846;
static const double TAPER_SQUARE = 0.375; /* mean square of a Hann taper */

/* Takes offset and slope out and fades the ends. */
static void prepare(double *faded, const double *trace, size_t n)
{
    double half = 0.5 * (double)(n - 1);
    double mean = 0.0;
    double xy = 0.0;
    double xx = 0.0;

    for (size_t i = 0; i < n; i++) {
        mean += trace[i] / (double)n;
        xy += ((double)i - half) * trace[i];
        xx += ((double)i - half) * ((double)i - half);
    }
    for (size_t i = 0; i < n; i++)
        faded[i] = (trace[i] - mean - xy / xx * ((double)i - half)) *
                   (0.5 - 0.5 * cos(2.0 * PI * (double)i / (double)n));
}

bool window_spectrum(double *power, size_t n_power, double first_hz, double step_hz, const double *trace,
                     size_t n, double sample_hz)
{
    double *faded = malloc(n * sizeof *faded);

    if (faded == NULL)
        return false;
    prepare(faded, trace, n);
    for (size_t k = 0; k < n_power; k++) {
        double complex turn = cexp(-2.0 * PI * I * (first_hz + step_hz * (double)k) / sample_hz);
        double complex now = 1.0;
        double complex sum = 0.0;

        for (size_t i = 0; i < n; i++) {
            sum += faded[i] * now;
            now *= turn;
        }
        power[k] = 2.0 * creal(sum * conj(sum)) / (sample_hz * TAPER_SQUARE * (double)n);
    }
    free(faded);
    return true;
}
