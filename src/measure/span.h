#ifndef AFTERFLASH_MEASURE_SPAN_INTERNAL_H
#define AFTERFLASH_MEASURE_SPAN_INTERNAL_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/contraction.h"

/* The part of a trace from one moment to another, both counted; it borrows from the trace. n_times 0: there
 * is none. */
struct wave_trace span_of(const struct wave_trace *trace, double from_s, double to_s);

/* The stretch of a trace that contractions are looked for in. False when there is none. */
bool span_assessed(const struct wave_trace *trace, double *from_s, double *to_s);

/* contraction_measure on a part of a trace, as if there were no more of it; its sentences are left out.
 * Errors: ERROR_MEMORY. */
MUST_CHECK bool span_measure(struct wave_result *result, const struct wave_trace *trace, double from_s,
                             double to_s, struct error **err);

#endif
