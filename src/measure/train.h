#ifndef AFTERFLASH_MEASURE_TRAIN_INTERNAL_H
#define AFTERFLASH_MEASURE_TRAIN_INTERNAL_H

#include "base/contract.h"
#include "measure/even.h"

/* Frequency of waves that run one way at uneven intervals, counted one by one: the traces of all positions
 * are laid over one another, each moved by the time in which the waves come from the middle of the stripe to
 * it, so that what is not a wave fades; a wave passes from one crest to the next, and from one trough to the
 * next. No steady tone has to be assumed, which waves at intervals of 6 to 22 s do not have.
 *
 *  result  direction (one way), velocity_per_s and frequency_per_min (about which the waves are) are read;
 *          frequency_per_min and its interval are set; left as it is where fewer than three turns are seen.
 * The interval is half a wave to either side: at the edges of the loop a wave may have been missed. False
 * when memory ran out. */
MUST_CHECK bool train_count(const struct even *even, double spacing_mm, struct wave_result *result);

#endif
