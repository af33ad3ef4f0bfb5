#ifndef AFTERFLASH_MEASURE_PEAK_INTERNAL_H
#define AFTERFLASH_MEASURE_PEAK_INTERNAL_H

#include "measure/even.h"

/* The peak, its background and its significance. */
struct peak {
    double per_min;
    double centre_per_min; /* centre of the power in the band */
    double density;        /* summed density at the peak, unit^2 per hertz */
    double background;     /* there */
    double freedom;
    double false_alarm;
};

/* Looks at all of the stripe and at its middle fifth: where waves turn round within the loop, their phase
 * slips at either end and splits the peak there, but not in the middle. False when memory ran out. */
MUST_CHECK bool peak_find(const struct even *even, struct peak *peak);

/* The frequency near a start at which all positions' sinusoids together take the most. */
double peak_refine(const struct even *even, double per_min, double width_per_min);

#endif
