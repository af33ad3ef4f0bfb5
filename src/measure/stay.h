#ifndef AFTERFLASH_MEASURE_STAY_INTERNAL_H
#define AFTERFLASH_MEASURE_STAY_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>

/* While the catheter rests in the stripe, what is new beside it can be told from it: the shaft looks the same
 * in all frames of its stay. */

/* Fills hunt->fresh from the catheter's tips (shaft_find); leaves it NULL where no catheter rested. False
 * when memory ran out. */
MUST_CHECK bool stay_fill(struct hunt *hunt, const long *tip);

#endif
