#ifndef AFTERFLASH_MEASURE_STRIPE_TAIL_H
#define AFTERFLASH_MEASURE_STRIPE_TAIL_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/mean_picture.h"
#include "measure/stripe_fit.h"

#include <stdbool.h>
#include <stddef.h>

enum { STRIPE_TAIL_MOST = 40 };

/** How a stripe thins out beyond the end that was fitted to it, toward the internal os: its layers draw
 * together into a wedge that is no band with two walls any more. */
struct stripe_tail {
    size_t n;                             /* 0: it ends where it was fitted */
    double place_mm[STRIPE_TAIL_MOST][2]; /* outward, FIT_STEP_MM apart */
    double length_mm;                     /* from the fitted end */
};

/** Looks for a tail at the last place of a fit (is_last), else at the first; tail is overwritten.
 *
 *  A bright bar that does not get wider outward is followed from 5 mm within the end to 18 mm beyond it, by
 *  dynamic programming over place and width. The tail ends where the bar's contrast falls for a millimetre
 * below half of what it was so far. There is none where it does not fall (a bright canal leads on; the os is
 * not told apart from it), where it stays wide, and where it is long and as thin as a canal from its
 * beginning. Errors: ERROR_MEMORY. */
MUST_CHECK bool stripe_tail_find(struct stripe_tail *tail, const struct stripe_fit *fit, bool is_last,
                                 const struct mean_picture *mean, struct error **err);

#endif
