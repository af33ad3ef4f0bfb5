#ifndef AFTERFLASH_MEASURE_BAND_INTERNAL_H
#define AFTERFLASH_MEASURE_BAND_INTERNAL_H

#include "measure/even.h"

/* A band: passes between `low` and `high` per minute, fading over a fifth of each edge. */
struct pass_band {
    double low, high;
    bool keeps_breathing_out; /* see band_fill */
};

/* Fills even->band: analytic traces of a band, edges continued by point reflection: waves run on. Breathing
 * that is caught at its height there would lift all that follows by twice its height, a step with all
 * frequencies in it; where it must be kept out only what is slow is reflected through a point, the rest in a
 * mirror. False when memory ran out. */
MUST_CHECK bool band_fill(struct even *even, const struct pass_band *band);

/* Leading pattern along the stripe (unit length, weighted). `pattern` has room for n_positions. */
MUST_CHECK bool band_lead(const struct even *even, double complex *pattern);

/* Root mean square of the analytic trace of one position. */
double band_strength(const struct even *even, size_t position);

/* Amplitude of the positions' bands: the 0.6 quantile of what they have.
 * `scratch` has room for n_positions. */
double band_amplitude(const struct even *even, double *scratch);

#endif
