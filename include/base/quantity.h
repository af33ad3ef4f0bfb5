#ifndef AFTERFLASH_BASE_QUANTITY_H
#define AFTERFLASH_BASE_QUANTITY_H

#include <stdbool.h>

/** A number that may be withheld. All zero means "not known", so that a
 *  forgotten result never prints as a number; outputs then print null and the
 *  section that holds it says why. The unit stands in the name of the field. */
struct quantity {
    bool is_known;
    double value;
    bool has_interval; /* low and high are a 95 % interval */
    double low;
    double high;
};

/** A known value without an interval. A value that is not finite gives an unknown quantity. */
struct quantity quantity_of(double value);

/** A known value with its 95 % interval. Anything not finite gives an unknown quantity. */
struct quantity quantity_within(double value, double low, double high);

/** The quantity, its value and its interval multiplied by a finite factor > 0; unknown stays unknown. */
struct quantity quantity_scaled(struct quantity quantity, double factor);

#endif
