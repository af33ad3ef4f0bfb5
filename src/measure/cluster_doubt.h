#ifndef AFTERFLASH_MEASURE_CLUSTER_DOUBT_INTERNAL_H
#define AFTERFLASH_MEASURE_CLUSTER_DOUBT_INTERNAL_H

#include "base/contract.h"
#include "base/text.h"
#include "measure/hunt.h"

#include <stdbool.h>
#include <stddef.h>

/* What may be the bubbles or not: the cluster's is_doubtful, with a reason. */

/* What was seen briefly and then, after a long hole, elsewhere may be a catheter's tip and then the bubbles,
 * or the bubbles and then another thing. False when memory ran out. */
MUST_CHECK bool cluster_doubt_brief(struct hunt *hunt, const long *way, const long *tip, size_t first,
                                    struct text_list *reasons);

/* Where nothing is seen but the catheter, that came in late and is there at the end, bubbles may lie under it
 * or are still to come. False when memory ran out. */
MUST_CHECK bool cluster_doubt_end(struct hunt *hunt, const long *tip, struct text_list *reasons);

#endif
