#ifndef AFTERFLASH_MEASURE_PHASE_INTERNAL_H
#define AFTERFLASH_MEASURE_PHASE_INTERNAL_H

#include "measure/peak.h"

/* Frequency, regularity and interval; once more with the direction known when that is mixed.
 * `pattern`: of band_lead, or NULL then. False when memory ran out. */
MUST_CHECK bool phase_frequency(const struct even *even, const struct peak *peak,
                                const double complex *pattern, struct wave_result *result);

#endif
