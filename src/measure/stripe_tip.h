#ifndef AFTERFLASH_MEASURE_STRIPE_TIP_INTERNAL_H
#define AFTERFLASH_MEASURE_STRIPE_TIP_INTERNAL_H

#include "measure/stripe_layers.h"

/* Where a stripe ends: means of what the picture leaves likely, and the standard error. */
struct stripe_tip {
    double at_mm; /* outward from the coarse end, on the border */
    double error_mm;
    double aside_error_mm;   /* of the tip across the stripe */
    double offset_mm, slope; /* the body's centre line: across = offset + slope * outward */
    double lean_mm;          /* of the tip off that line, along the normal */
    double half_mm;          /* half thickness behind the rounded end */
    double cap_mm;           /* length of the rounded end */
};

/* Fits a rounded end with the body's own layers. False when memory ran out. */
bool stripe_tip_place(struct stripe_tip *tip, const struct stripe_view *view,
                      const struct stripe_layers *layers);

/* Across, where the stripe's centre line lies at a place outward from the coarse end. */
double stripe_tip_centre(const struct stripe_tip *tip, double outward_mm);

#endif
