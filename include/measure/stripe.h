#ifndef AFTERFLASH_MEASURE_STRIPE_H
#define AFTERFLASH_MEASURE_STRIPE_H

#include "base/contract.h"
#include "base/error.h"
#include "base/text.h"
#include "image/canvas.h"
#include "measure/mean_picture.h"
#include "measure/stripe_fit.h"

#include <stdbool.h>

/** The best stripe of a loop and how far to believe it. */
struct stripe {
    bool is_found;
    struct stripe_fit fit; /* in millimetres of the mean picture (canvas place times mm per pixel) */
    double trust; /* that there is a stripe and that this is it, 0..1; which end is which not counted */
    double fundus_first; /* log odds, from shape alone, that the first place is the fundus */
    struct text_list reasons;
};

/** Searches, fits every candidate and chooses.
 *
 *  probe_mm  place of the probe's face or apex in the mean picture's millimetres (the os tends to lie nearer)
 *  stripe    overwritten; end with stripe_free. Not finding one is an answer.
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool stripe_find(struct stripe *stripe, const struct mean_picture *mean, const double probe_mm[2],
                            struct error **err);

/** Log odds, from how it looks alone, that a fitted band is the endometrium. */
double stripe_odds(const struct stripe_fit *fit, const struct mean_picture *mean);

/** Turns the stripe round: first becomes last. */
void stripe_turn(struct stripe *stripe);

/** Frees what it holds; accepts NULL. */
void stripe_free(struct stripe *stripe);

#endif
