#ifndef AFTERFLASH_MEASURE_VELOCITY_INTERNAL_H
#define AFTERFLASH_MEASURE_VELOCITY_INTERNAL_H

#include "base/contract.h"
#include "measure/even.h"

/* Velocity of waves whose direction is told, from how their phase grows with the distance between two places.
 *
 * Places are compared that lie 8 to 14 mm apart: patches that overlap (they reach 2.6 mm to either side) see
 * the same speckle, and the error that they share has no phase, which makes waves look faster. Of waves from
 * both ends, only places on one side of where they meet are compared.
 *
 *  result  direction and frequency are read, velocity_per_s is set; left as it is where no two places lie so
 *          far apart on one side
 *  False when memory ran out. */
MUST_CHECK bool velocity_estimate(const struct even *even, double spacing_mm, struct wave_result *result);

#endif
