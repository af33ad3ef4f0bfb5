#ifndef AFTERFLASH_MEASURE_COURSE_SECTIONS_INTERNAL_H
#define AFTERFLASH_MEASURE_COURSE_SECTIONS_INTERNAL_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/bubble_sections.h"
#include "measure/contraction.h"
#include "measure/transfer.h"

#include <stdbool.h>

/* How the contractions of a loop went in time.
 *
 *  result    its contractions (what was withheld of them is) and its deposit are filled before
 *  trace     what they were measured from
 *  measured  of contraction_measure
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool course_sections_fill(struct loop_result *result, const struct bubble_facts *facts,
                                     const struct wave_trace *trace, const struct wave_result *measured,
                                     struct error **err);

#endif
