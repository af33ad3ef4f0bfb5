#ifndef AFTERFLASH_MEASURE_DIRECTION_INTERNAL_H
#define AFTERFLASH_MEASURE_DIRECTION_INTERNAL_H

#include "measure/even.h"

/* Direction and velocity from the phase along the stripe; a phase that falls with distance
 * from the fundus is a wave that runs away from it. */
void direction_estimate(const struct even *even, double spacing_mm, struct wave_result *result);

#endif
