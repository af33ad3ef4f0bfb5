#ifndef AFTERFLASH_MEASURE_EVEN_INTERNAL_H
#define AFTERFLASH_MEASURE_EVEN_INTERNAL_H

#include "base/contract.h"
#include "measure/contraction.h"

#include <complex.h>
#include <stdbool.h>
#include <stddef.h>

static const double EVEN_HZ = 4.0; /* even sampling: twice the fastest pulse that is not smoothed away */

/* Waves that run either way are looked at in the middle of the stripe: so much of the positions is left out
 * at either end, and a place is taken with its neighbours. */
static const double EVEN_MIDDLE_FROM = 0.35;
enum { EVEN_NEIGHBOURS = 3 };

/* The trace on an even grid, one row a position. */
struct even {
    size_t n; /* samples */
    size_t n_positions;
    double from_s;
    double *value;        /* n_positions x n, mean removed */
    double *weight;       /* n_positions: 1 / noise variance, scaled to a sum of 1 */
    double complex *band; /* n_positions x n: analytic trace about the peak */
};

/* The longest stretch without a hole: times [*from, *to] where most positions are trusted. */
void even_stretch(const struct wave_trace *trace, size_t *from, size_t *to);

/* Frames a second that can be used in the times [from, to]: what is frozen or lost shows nothing new. */
double even_frames_per_s(const struct wave_trace *trace, size_t from, size_t to);

/* Makes it of the times [from, to] of a trace; end with even_free. False when memory ran out. */
MUST_CHECK bool even_make(struct even *even, const struct wave_trace *trace, size_t from, size_t to);

/* Frees what it holds and empties it. */
void even_free(struct even *even);

/* Energy that sinusoids of one frequency take from all positions. */
double even_tone_energy(const struct even *even, double per_min);

/* How many positions apart phases are compared: 4 mm. */
size_t even_lag(double spacing_mm);

#endif
