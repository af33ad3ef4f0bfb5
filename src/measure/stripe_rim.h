#ifndef AFTERFLASH_MEASURE_STRIPE_RIM_INTERNAL_H
#define AFTERFLASH_MEASURE_STRIPE_RIM_INTERNAL_H

#include "base/contract.h"
#include "measure/mean_picture.h"
#include "measure/stripe_fit.h"

#include <stdbool.h>

/* Where the outer line of a triple line turns round an end: the border of the stripe there. */
struct stripe_rim {
    bool is_seen;
    double place_mm[2];    /* of the tip: the line's outer border, as far from its crest as along the walls */
    double error_mm;       /* standard error along the stripe */
    double aside_error_mm; /* and across it */
};

/* Looks for the line about the tip that a fit has there: an arc whose length, place and tilt are those that
 * stand out best. Not seeing it is an answer. False when memory ran out. */
MUST_CHECK bool stripe_rim_find(struct stripe_rim *rim, const struct mean_picture *mean,
                                const struct stripe_fit *fit, bool is_last);

#endif
