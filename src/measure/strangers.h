#ifndef AFTERFLASH_MEASURE_STRANGERS_INTERNAL_H
#define AFTERFLASH_MEASURE_STRANGERS_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>
#include <stddef.h>

/* Takes out of a way (the row of each frame from the first on, -1: nothing) what is not told to be the
 * cluster that it begins with: what is much fainter and lies elsewhere while the cluster is lost, and what is
 * seen again too far from where it was lost; the way ends before that, and the hunt's cluster says so. False
 * when memory ran out. */
MUST_CHECK bool strangers_leave(const struct hunt *hunt, long *way, size_t first);

/* Looks for another thing onto which a way leaps while what it leaves still shines. Where there is one, *from
 * is the frame of the leap and *away_mm how far it is; the thing's rows are added to hunt->strange, so that a
 * way found anew keeps off them. *from is n_frames where there is none. False when memory ran out. */
MUST_CHECK bool strangers_find(struct hunt *hunt, const long *way, size_t first, size_t *from,
                               double *away_mm);

#endif
