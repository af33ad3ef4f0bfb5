#ifndef AFTERFLASH_MEASURE_SPECKLE_WAY_INTERNAL_H
#define AFTERFLASH_MEASURE_SPECKLE_WAY_INTERNAL_H

#include "base/contract.h"
#include "measure/cluster.h"
#include "measure/follow.h"

#include <stdbool.h>

/* A second opinion on how far a cluster went: its own pattern, found again from moment to moment and over
 * seconds, in the straightened stripe, which moves with the tissue. */
struct speckle_way {
    bool is_told;
    const char *why; /* a sentence where it is not; static */
    double way_mm;   /* arc length from the first place to the last, rising along the stripe */
    double error_mm; /* standard error, tissue held still */
};

/* Of the cluster it takes where the pattern first lies, and between which frames it was seen; is_present and
 * both ends must be seen. False when memory ran out. */
MUST_CHECK bool speckle_way_measure(struct speckle_way *way, const struct follow *follow,
                                    const struct cluster *cluster);

#endif
