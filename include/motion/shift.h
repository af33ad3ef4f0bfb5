#ifndef AFTERFLASH_MOTION_SHIFT_H
#define AFTERFLASH_MOTION_SHIFT_H

#include "base/contract.h"
#include "image/raster.h"

#include <complex.h>
#include <stdbool.h>

/** Whole-picture motion by phase correlation. Holds transforms for one size of picture. */
struct shift;

/** Prepares for pictures of one size. NULL when memory ran out. FFTW plans are estimated,
 *  so that results do not depend on timing. */
struct shift *shift_make(int width_px, int height_px);

/** Ends it; accepts NULL, leaves NULL. */
void shift_free(struct shift **shift);

/** A peak that leads by this is taken for a motion. The map itself is the measure: where nothing matches,
 *  the share by which its highest place exceeds the next is exponential (the gap between the highest two of
 *  a normal sample: extreme value theory, from memory), with a mean of 0.10 to 0.16 over 1800 pairs of other
 *  tissue (two textures, two sizes, with and without a window), so that 1 in 100 leads by 0.75. */
#define SHIFT_SURE_LEAD 1.75

/** How two pictures lie to each other. */
struct shift_answer {
    double dx_px, dy_px; /* content at p in `from` is at p + (dx, dy) in `to`; sub-pixel by a parabola */
    double height;       /* of the peak over what chance gives: other tissue reaches 1.0 to 1.6, a perfect
                            match 4 to 5 (120 x 90 pixels, speckle of 3 to 10), more in larger pictures; 0
                            when memory ran out */
    double lead;         /* of the peak over the next highest, >= 1 when found: see SHIFT_SURE_LEAD */
};

/** How far `to` has moved against `from`, and how surely.
 *
 *  from, to     planes of the prepared size; both are weighed by `window` first
 *  window       same size, 0..1: what counts (zero outside the picture, soft edges); NULL: all, tapered
 *  reach_px     peaks that lie nearer to each other than this are one answer
 *
 *  Source: Kuglin and Hines, Proc. IEEE Conf. Cybernetics and Society 163-165, 1975 (from memory);
 *  the cross spectrum is whitened by the square root of its size only, which keeps
 *  speckle pictures from being ruled by their noise. */
struct shift_answer shift_find(struct shift *shift, const struct raster *from, const struct raster *to,
                               const struct raster *window, double reach_px);

/** The transform of a picture, for those that are compared with many others: weighed as in shift_find.
 *  The caller frees it; it serves every shift of this size. NULL when memory ran out. */
double complex *shift_transform(struct shift *shift, const struct raster *raster,
                                const struct raster *window);

/** shift_find from two transforms; the same numbers. */
struct shift_answer shift_between(struct shift *shift, const double complex *from, const double complex *to,
                                  double reach_px);

#endif
