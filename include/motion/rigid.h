#ifndef AFTERFLASH_MOTION_RIGID_H
#define AFTERFLASH_MOTION_RIGID_H

#include "base/contract.h"

#include <stdbool.h>
#include <stddef.h>

/** A rigid motion of the plane: turn about a pivot, then shift. All zero is "no motion".
 *  Lengths in whatever unit the points have. */
struct rigid {
    double pivot_x, pivot_y;
    double turn_rad; /* from x toward y */
    double shift_x, shift_y;
};

/** Where a place goes. */
void rigid_apply(const struct rigid *rigid, double x, double y, double *to_x, double *to_y);

/** Where a place came from. */
void rigid_undo(const struct rigid *rigid, double x, double y, double *from_x, double *from_y);

/** The same motion about another pivot. */
struct rigid rigid_about(const struct rigid *rigid, double pivot_x, double pivot_y);

/** First `a`, then `b`, as one motion about the pivot of `a`. */
struct rigid rigid_then(const struct rigid *a, const struct rigid *b);

/** The motion back, about the same pivot. */
struct rigid rigid_inverse(const struct rigid *rigid);

/** Fits the rigid motion that takes `n` places to others, robustly: places that move
 *  apart from the rest by more than about three robust standard deviations count less
 *  (Tukey's biweight, iterated).
 *
 *  from, to  n pairs x, y
 *  weight    n, >= 0; 0 leaves a pair out; robust weights are NOT written back
 *  Needs two places apart with weight > 0, else only the shift is fitted (one) or false
 *  is returned (none).
 *  Source: Umeyama, IEEE Trans. Pattern Anal. Mach. Intell. 13(4):376-380, 1991 (least
 *  squares rigid motion); Beaton and Tukey, Technometrics 16:147-185, 1974 (biweight). */
MUST_CHECK bool rigid_fit(struct rigid *rigid, const double (*from)[2], const double (*to)[2],
                          const double *weight, size_t n);

#endif
