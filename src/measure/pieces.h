#ifndef AFTERFLASH_MEASURE_PIECES_INTERNAL_H
#define AFTERFLASH_MEASURE_PIECES_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>

/* A cluster may part: its way then is that of one piece, or hops between them. */

/* Follows the pieces that parted from a cluster (its way: cluster_way_find, from the deposit on) and lie too
 * far from it to be weighed with it: fills hunt->parted. tip as from shaft_find. False when memory ran out.
 */
MUST_CHECK bool pieces_find(struct hunt *hunt, const long *way, const long *tip);

#endif
