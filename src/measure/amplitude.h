#ifndef AFTERFLASH_MEASURE_AMPLITUDE_INTERNAL_H
#define AFTERFLASH_MEASURE_AMPLITUDE_INTERNAL_H

#include "base/contract.h"
#include "measure/even.h"

/* Half the peak-to-peak change of wall-to-wall distance, at the walls.
 *
 * A patch on a wall averages over tissue that moves less than the wall; each place is divided by the share of
 * the motion that a patch reads there (measure/fade.h).
 *
 *  even     its band is filled anew
 *  from, to times of the trace that it was made of
 *  result   the frequency is read; amplitude, its interval, is_at_walls and fade_mm are set. Where the tissue
 *           beside the walls could not be followed, the amplitude is as the patches read it.
 *
 *  False when memory ran out. */
MUST_CHECK bool amplitude_measure(const struct wave_trace *trace, struct even *even, size_t from, size_t to,
                                  struct wave_result *result);

#endif
