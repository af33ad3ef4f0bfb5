#ifndef AFTERFLASH_MEASURE_STRIPE_AGREE_INTERNAL_H
#define AFTERFLASH_MEASURE_STRIPE_AGREE_INTERNAL_H

#include "base/contract.h"
#include "measure/mean_picture.h"
#include "measure/stripe_bands.h"

#include <stdbool.h>
#include <stddef.h>

/* What bands along one line agree on. */

/* Bands along one line often end in different places, and odds tell little about which is right: of those
 * nearly as likely as the best one, the band whose two ends most others share. */
size_t stripe_agree_settle(const struct stripe_bands *bands, size_t best);

/* One band is often found along several candidates, which place its tips and walls a little differently. */
void stripe_agree_on_band(struct stripe_bands *bands, size_t best);

/* Draws an end of a triple line to where its outer line turns round it; where that is not seen, part of the
 * line's thickness is not known there.
 * False when memory ran out. */
MUST_CHECK bool stripe_agree_with_rim(struct stripe_fit *fit, const struct mean_picture *mean, bool is_last);

#endif
