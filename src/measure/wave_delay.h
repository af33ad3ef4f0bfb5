#ifndef AFTERFLASH_MEASURE_WAVE_DELAY_INTERNAL_H
#define AFTERFLASH_MEASURE_WAVE_DELAY_INTERNAL_H

#include "measure/contraction.h"

/* How much later than the middle a wave passes a place that lies so far from it, toward the last place; false
 * where the waves run no such way, or at no velocity that is told. */
bool wave_delay(const struct wave_result *result, double away, double *delay_s);

#endif
