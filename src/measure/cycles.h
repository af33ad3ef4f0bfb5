#ifndef AFTERFLASH_MEASURE_CYCLES_INTERNAL_H
#define AFTERFLASH_MEASURE_CYCLES_INTERNAL_H

#include "base/contract.h"
#include "measure/even.h"
#include "measure/wave_list.h"

/* The cycles of a rhythm looked at one by one, for a wave that stayed away. A filter about the rhythm rings:
 * it shows half a wave where there was none. So the walls' movement itself, not filtered, is laid over one
 * another along the stripe as the waves run, and in each cycle the narrowing is read that is there, from that
 * cycle alone.
 *
 *  is_there  for each wave of the list: false where its cycle shows less than half of what the strong ones
 * do; all true where that is not told: waves of no one way, fewer than three that pass the middle, or most
 * cycles empty. False when memory ran out. */
MUST_CHECK bool cycles_look(bool *is_there, const struct even *even, double spacing,
                            const struct wave_result *result, const struct wave_list *list);

#endif
