#ifndef AFTERFLASH_MEASURE_SPECTRUM_H
#define AFTERFLASH_MEASURE_SPECTRUM_H

#include "base/contract.h"

#include <complex.h>
#include <stdbool.h>
#include <stddef.h>

/** How the ends of a trace are faded before its transform. */
enum spectrum_taper { TAPER_NONE, TAPER_HANN /* periodic */ };

/** One-sided power spectral density of an evenly sampled trace, mean removed.
 *
 *  trace     n samples, n >= 2
 *  power     n / 2 + 1 values, (unit of trace)^2 per hertz, at k * sample_hz / n
 *  The sum over k times sample_hz / n is the variance (for TAPER_NONE).
 *  False when memory ran out.
 *  Source: Welch, IEEE Trans. Audio Electroacoust. 15(2):70-73, 1967 (one segment). */
MUST_CHECK bool spectrum_density(const double *trace, size_t n, double sample_hz, enum spectrum_taper taper,
                                 double *power);

/** Least squares fit of offset, slope and one sinusoid of a given frequency to an evenly
 *  sampled trace; the sinusoid is amplitude * cos(2 pi f t + phase), t = 0 at the middle.
 *
 *  amplitude  set to amplitude * exp(i phase); may be NULL
 *  Returns the sum of squares that the sinusoid takes away from what offset and slope leave.
 *  Source: Zechmeister and Kuerster, Astron. Astrophys. 496:577-584, 2009 (floating mean; here with a slope
 * too). */
double spectrum_tone(const double *trace, size_t n, double sample_hz, double frequency_hz,
                     double complex *amplitude);

/** Complex amplitude of a sinusoid near a moment: offset, slope, cosine and sine by least
 *  squares under a Gaussian window. Unlike a pass band it is not bent at the ends of a trace.
 *
 *  middle    the moment, in samples from the first; sigma: of the window, samples, > 0
 *  turn_rad  the sinusoid's turn in a sample; its phase is told against turn_rad times the sample's index
 *  0 when the window holds too little to tell. */
double complex spectrum_tone_near(const double *trace, size_t n, double middle, double sigma,
                                  double turn_rad);

/** A smooth background under a spectrum and how far its values scatter about it. */
struct spectrum_background {
    double level;   /* density at 1 per minute, unit of the spectrum */
    double slope;   /* density falls as frequency to the power -slope; 0..2 (a random walk) */
    double freedom; /* shape of the gamma law that the values follow about the background:
                     * half the degrees of freedom of a chi-square; >= 0.5 */
    /* How surely it is known; n = 0: exactly. */
    double n;      /* independent values that it was fitted to */
    double middle; /* mean of the logarithms of their frequencies */
    double reach;  /* standard deviation of these logarithms */
};

/** Fits a power law to spectral values: its slope by repeated medians of the logarithms,
 *  level and shape by maximum likelihood over values cut at eight times the level.
 *
 *  frequency_per_min, power   n values, both > 0 where used
 *  is_used                    n: false leaves a value out (a peak, breathing)
 *  independent                share of the values that are independent of their neighbours: 1 without a
 *                             taper, 2/3 after a Hann taper (1 / 1.5, its equivalent noise bandwidth in bins)
 *  Returns false when fewer than five values are used.
 *  Source: power-law background with values about it distributed as chi-square: Vaughan,
 *  Astron. Astrophys. 431:391-403, 2005; repeated medians: Siegel, Biometrika 69:242-244, 1982;
 *  shape of a gamma law: Minka, Estimating a Gamma distribution, 2002 (from memory; checked against SciPy).
 */
MUST_CHECK bool spectrum_fit_background(struct spectrum_background *background,
                                        const double *frequency_per_min, const double *power,
                                        const bool *is_used, size_t n, double independent);

/** The background at a frequency. */
double spectrum_background_at(const struct spectrum_background *background, double frequency_per_min);

/** Chance that the largest of n_looks values reaches `ratio` times the background there.
 *  Averaged over what is not known of level, slope and shape: a background fitted to few
 *  values, or led on beyond them, gives fewer alarms. */
double spectrum_false_alarm(const struct spectrum_background *background, double frequency_per_min,
                            double ratio, double n_looks);

#endif
