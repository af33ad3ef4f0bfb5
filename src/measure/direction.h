#ifndef AFTERFLASH_MEASURE_DIRECTION_INTERNAL_H
#define AFTERFLASH_MEASURE_DIRECTION_INTERNAL_H

#include "measure/even.h"

#include <complex.h>

/* Whether waves run from one end of the stripe to the other, all alike. */
bool direction_is_one_way(enum wave_direction direction);

/* Phase advance between positions `lag` apart, summed over positions [from_p, to_p) and samples [from_i,
 * to_i): its argument is the turn, its size how much speaks for it. */
double complex direction_advance(const struct even *even, size_t lag, size_t from_p, size_t to_p,
                                 size_t from_i, size_t to_i);

/* Direction and velocity from the phase along the stripe; a phase that falls with distance
 * from the fundus is a wave that runs away from it. */
void direction_estimate(const struct even *even, double spacing_mm, struct wave_result *result);

/* Looks beyond the end of the stripe toward the os: waves that run from the fundus to that end within it (its
 * first n_inside positions) may turn back beyond it, and then meet others that come from the os. Those that
 * come from the cervix are left as they are: they may spread from where they begin either way. even: all
 * positions, its band filled. */
void direction_look_on(const struct even *even, double spacing_mm, size_t n_inside,
                       struct wave_result *result);

#endif
