#ifndef AFTERFLASH_MEASURE_PHASE_INTERNAL_H
#define AFTERFLASH_MEASURE_PHASE_INTERNAL_H

#include "measure/peak.h"

static const double PHASE_STEADY_RAD = 0.1; /* scatter of the phase below which waves count as steady */

/* Frequency, regularity and interval; once more with the direction known when that is mixed.
 * `pattern`: of band_lead, or NULL then. False when memory ran out. */
MUST_CHECK bool phase_frequency(const struct even *even, const struct peak *peak,
                                const double complex *pattern, struct wave_result *result);

#endif
