#ifndef AFTERFLASH_MEASURE_CANAL_INTERNAL_H
#define AFTERFLASH_MEASURE_CANAL_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>

/* How bright the stripe's ends are while a catheter lies in its canal, whether or not its line can be told.
 * The cluster has its onset. */

/* Tells by which end it came (catheter_odds). False when memory ran out. */
MUST_CHECK bool canal_tell_side(struct hunt *hunt);

/* Tells whether a catheter lay there before the onset and no more after it (the cluster's has_left,
 * left_from_s). False when memory ran out. */
MUST_CHECK bool canal_tell_leaving(struct hunt *hunt);

#endif
