#ifndef AFTERFLASH_MOTION_COMMON_MOTION_H
#define AFTERFLASH_MOTION_COMMON_MOTION_H

#include "base/geometry.h"

#include <stddef.h>

/** How far a point was found to have moved. */
struct common_point {
    struct point from;  /* where it was */
    double moved_px[2]; /* x, y */
    double error_px[2]; /* standard errors, >= 0 */
};

/** Draws points toward the affine motion that all of them share, each by as much as it errs and the points do
 * not move otherwise.
 *
 *  point             n; moved_px is changed
 *  least_spread_px2  what is known of the variance of a coordinate about what they share; it may be more
 *  Fewer than 12 points say nothing of what they share: they stay as they are. So do, but for a hundredth of
 * what they move otherwise, points that move otherwise by three times as much as they err and more: a wave
 * keeps its size. Source: the best linear estimate where measurement and common motion err independently
 * (empirical Bayes: Efron and Morris, J. Am. Stat. Assoc. 68:117-130, 1973), the spread of the points about
 * their common motion by moments (DerSimonian and Laird, Control. Clin. Trials 7:177-188, 1986). */
void common_motion_draw(struct common_point *point, size_t n, double least_spread_px2);

/** Variance of a coordinate about the affine motion that n points share, errors and all; 0 for fewer than 12.
 */
double common_motion_spread_px2(const struct common_point *point, size_t n);

#endif
