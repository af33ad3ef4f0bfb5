#ifndef AFTERFLASH_MEASURE_CLUSTER_PLACE_INTERNAL_H
#define AFTERFLASH_MEASURE_CLUSTER_PLACE_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>

/* Fills the cluster's sights, its first and last place and their errors along its way (cluster_way_find); tip
 * as from shaft_find. False when memory ran out. */
MUST_CHECK bool cluster_place_fill(struct hunt *hunt, const long *way, const long *tip);

#endif
