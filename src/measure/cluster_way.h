#ifndef AFTERFLASH_MEASURE_CLUSTER_WAY_INTERNAL_H
#define AFTERFLASH_MEASURE_CLUSTER_WAY_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>

/* The cluster's way through all frames by dynamic programming: way holds a row for each frame, -1 where it is
 * not there; tip as from shaft_find. Of a piece that parted from a cluster, whole is the cluster's own way:
 * the piece keeps away from it and from the pieces that hunt knows, and is looked for only where the cluster
 * is seen and no catheter; NULL otherwise. False when memory ran out. */
MUST_CHECK bool cluster_way_find(const struct hunt *hunt, const long *tip, const long *whole, long *way);

#endif
