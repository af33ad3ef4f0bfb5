#ifndef AFTERFLASH_MEASURE_WINDOW_SPECTRUM_H
#define AFTERFLASH_MEASURE_WINDOW_SPECTRUM_H

#include "base/contract.h"

#include <stdbool.h>
#include <stddef.h>

/** One-sided power spectral density of an evenly sampled trace at any frequencies: offset and slope taken
 *  out, periodic Hann taper, discrete Fourier sums.
 *
 *  trace      n samples, n >= 3
 *  first_hz   of n_power frequencies, each step_hz after the one before
 *  power      n_power values, (unit of trace)^2 per hertz
 *  False when memory ran out.
 *  Source: Welch, IEEE Trans. Audio Electroacoust. 15(2):70-73, 1967 (one segment). */
MUST_CHECK bool window_spectrum(double *power, size_t n_power, double first_hz, double step_hz,
                                const double *trace, size_t n, double sample_hz);

#endif
