#ifndef AFTERFLASH_TESTS_SPECKLE_FIXTURE_H
#define AFTERFLASH_TESTS_SPECKLE_FIXTURE_H

#include "image/raster.h"
#include "motion/rigid.h"

#include <stddef.h>

/* Texture that is known everywhere, between pixels too: a sum of plane waves with directions,
 * phases and lengths by lot. Moving it needs no interpolation, so a test knows the true motion exactly. */

/** A picture of texture `seed`, moved: what is at p in the resting texture is at rigid(p).
 *  Mean 100, standard deviation 25; waves 6 to 20 px long, so that speckle is 3 to 10 px across.
 *  moved NULL: at rest. Fails the test without memory. */
struct raster *speckle_fixture_picture(int width_px, int height_px, long seed, const struct rigid *moved);

/** Adds noise by lot (mean 0), one draw a pixel, smoothed over sigma_px, with that deviation after it. */
void speckle_fixture_noise(struct raster *raster, long seed, double deviation, double sigma_px);

#endif
