#ifndef AFTERFLASH_MEASURE_STRIPE_CROSSING_H
#define AFTERFLASH_MEASURE_STRIPE_CROSSING_H

#include "measure/stripe_fit.h"
#include "measure/transients.h"

/* Where, seen from a band, the things that came or went are: square millimetres of full strength. */
struct stripe_crossing {
    double inside;       /* near the centre line, between the ends */
    double aside;        /* beside the centre line, up to 8 mm from it */
    double beyond_first; /* in a widening strip that leads on from the first end, or joined to that */
    double beyond_last;  /* and from the last */
    double elsewhere;
};

/* Sorts what came or went; all zero where that cannot be told, or where memory runs out. */
struct stripe_crossing stripe_crossing_of(const struct stripe_fit *fit, const struct transients *transients);

/* How far beside each place of a band's line what came or went lies, up to 8 mm, positive on the right of
 * first to last: means over 3 mm along the line, drawn straight from one to the next where there is nothing.
 *
 * aside_mm  fit->n, overwritten
 * Returns the largest of them, without its sign; 0 where there is hardly anything. */
double stripe_crossing_aside(const struct stripe_fit *fit, const struct transients *transients,
                             double *aside_mm);

#endif
