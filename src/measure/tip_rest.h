#ifndef AFTERFLASH_MEASURE_TIP_REST_INTERNAL_H
#define AFTERFLASH_MEASURE_TIP_REST_INTERNAL_H

#include "measure/hunt.h"

#include <stdbool.h>

/* The catheter's tip on its way in and at rest; tip: a row for each frame, -1 where there is none. */

/* Middle tip row over [from_s, to_s]; false with fewer than two tips there. */
bool tip_middle(const struct hunt *hunt, const long *tip, double from_s, double to_s, double *middle);

/* Where the tip first comes to rest: the middle of the rows of the first moments in which it is there and
 * hardly moves, after it was seen to come in; -1 where there are none. */
long tip_rest(const struct hunt *hunt, const long *tip);

/* How bright the tip is on its way to hunt->rest, grey levels: it may carry a bead of air or shine by itself.
 * 0 where that was hardly seen. */
double tip_bead_luma(const struct hunt *hunt, const long *tip);

#endif
