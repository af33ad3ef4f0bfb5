#ifndef AFTERFLASH_MEASURE_COHERENCE_INTERNAL_H
#define AFTERFLASH_MEASURE_COHERENCE_INTERNAL_H

#include "measure/even.h"

enum { COHERENCE_SURROGATES = 399 };

/* Chance that traces of the same spectra without a common wave agree as well: every
 * position's trace is turned round in time by a lot of its own, many times over.
 * Source: Theiler et al., Physica D 58:77-94, 1992 (surrogate data; there with random phases).
 * `shift` has room for n_positions.
 * *coherence and *running as coherence_of says. */
double coherence_test(const struct even *even, size_t lag, size_t *shift, double *coherence, double *running);

/* The agreement alone, of places `lag` apart. `shift` has room for n_positions. */
double coherence_at(const struct even *even, size_t lag, size_t *shift);

#endif
