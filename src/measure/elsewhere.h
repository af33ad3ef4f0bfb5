#ifndef AFTERFLASH_MEASURE_ELSEWHERE_INTERNAL_H
#define AFTERFLASH_MEASURE_ELSEWHERE_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>

/* Looks, from where a cluster is last seen to the end, for what shines like it elsewhere, did not shine
 * before it came and is not counted among its pieces: it may be a part of it, or all of it, gone there
 * unseen. Sets the cluster's elsewhere_mm, of the brightest. pieces_find has been called. False when memory
 * ran out. */
MUST_CHECK bool elsewhere_look(struct hunt *hunt, const long *way, const long *tip);

#endif
