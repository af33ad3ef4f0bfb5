#ifndef AFTERFLASH_MEASURE_STRIPE_TRIAL_INTERNAL_H
#define AFTERFLASH_MEASURE_STRIPE_TRIAL_INTERNAL_H

#include "measure/stripe_patch.h"

/* Fills the parts of a patch that a trial moves, and their rows. */
void stripe_trial_fill(struct stripe_patch *patch, const double trial[TRIAL_N]);

#endif
