#ifndef AFTERFLASH_MEASURE_SHAFT_INTERNAL_H
#define AFTERFLASH_MEASURE_SHAFT_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>

/* The catheter's shaft, a long bright line that reaches in from an end of the strip. */

/* Finds it: tip holds a row for each frame, -1 where there is none. Sets the cluster's has_catheter,
 * catheter_from_last, catheter_odds and the tips of its sights. False when memory ran out. */
MUST_CHECK bool shaft_find(struct hunt *hunt, long *tip);

#endif
