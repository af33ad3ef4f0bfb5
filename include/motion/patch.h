#ifndef AFTERFLASH_MOTION_PATCH_H
#define AFTERFLASH_MOTION_PATCH_H

#include "base/contract.h"
#include "image/raster.h"

#include <stdbool.h>

/** A small weighted piece of a picture, to be found again in other pictures. */
struct patch;

/** The weights of patches of one size: those that are cut by the thousand share them. */
struct patch_shape;

/** Gaussian weights of the given standard deviations (pixels, > 0), cut at two of them. NULL when memory ran
 *  out. */
struct patch_shape *patch_shape_make(double sigma_x_px, double sigma_y_px);

/** Ends a shape, after the patches that share it; accepts NULL, leaves NULL. */
void patch_shape_free(struct patch_shape **shape);

/** Cuts a patch as patch_make does; the shape must outlive it. */
struct patch *patch_make_shaped(const struct raster *raster, int x_px, int y_px,
                                const struct patch_shape *shape);

/** Cuts a patch around whole-pixel place (x_px, y_px) with Gaussian weights of the given
 *  standard deviations (pixels, > 0), cut at two of them. The piece must lie inside the
 *  raster with one pixel to spare. NULL when it does not, when it has no texture in some
 *  direction, or when memory ran out. */
struct patch *patch_make(const struct raster *raster, int x_px, int y_px, double sigma_x_px,
                         double sigma_y_px);

/** Ends a patch; accepts NULL, leaves NULL. */
void patch_free(struct patch **patch);

/** Where a patch was found. */
struct patch_match {
    double x_px; /* place of the patch's centre in the other picture */
    double y_px;
    double correlation; /* weighted normalised correlation there, -1..1 */
    double error_px[2]; /* standard errors of x and y: how differently the parts of the patch would have it */
};

/** Finds the patch in another picture by gain- and offset-free gradient descent on the
 *  correlation (inverse compositional form), starting at match->x_px, match->y_px.
 *
 *  reach_px  how far from the start the answer may lie
 *  The last step looks between pixels with six taps each way, so that the answer is not drawn to whole or to
 *  half pixels.
 *  Returns false (match unchanged but for correlation = 0) when the search leaves the
 *  picture or the reach, or does not settle.
 *  Source: Baker and Matthews, Int. J. Comput. Vis. 56(3):221-255, 2004 (inverse
 *  compositional alignment); Evangelidis and Psarakis, IEEE Trans. Pattern Anal. Mach.
 *  Intell. 30(10):1858-1865, 2008 (correlation as the measure). */
MUST_CHECK bool patch_find(const struct patch *patch, const struct raster *raster, double reach_px,
                           struct patch_match *match);

/** The same without the last step, in which the patch may bend: to a tenth of a pixel, for where to begin. */
MUST_CHECK bool patch_find_stiff(const struct patch *patch, const struct raster *raster, double reach_px,
                                 struct patch_match *match);

#endif
