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

#endif
