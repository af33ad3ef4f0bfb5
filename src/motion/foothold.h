#ifndef AFTERFLASH_MOTION_FOOTHOLD_H
#define AFTERFLASH_MOTION_FOOTHOLD_H

#include "base/contract.h"
#include "base/geometry.h"
#include "image/raster.h"
#include "motion/patch.h"

#include <stdbool.h>
#include <stddef.h>

struct tissue;

/** One point in one key. */
struct foothold {
    struct point place; /* solved place in this key, fine pixels */
    int x_px, y_px;     /* where the fine patch was cut */
    int coarse_x_px, coarse_y_px;
    struct patch *fine; /* NULL when it could not be cut */
    struct patch *coarse;
};

/** Cuts the patches of a foothold at its place in a key; those that it had are let go. A patch that cannot
 *  be cut is NULL. */
void foothold_cut(const struct tissue *tissue, size_t key, struct foothold *foothold);

/** Lets its patches go. */
void foothold_clear(struct foothold *foothold);

/** Where the foothold's point is in another picture, guessed to be moved by (dx, dy) from its
 *  place in the key. First coarsely, so that the fine search starts within a speckle. */
MUST_CHECK bool foothold_find(const struct tissue *tissue, const struct foothold *foothold,
                              const struct raster *fine, const struct raster *coarse, double dx, double dy,
                              struct patch_match *match);

/** What a match counts: the inverse variance of a delay. Source: Carter, Proc. IEEE 75:236, 1987. */
double foothold_weight(double correlation);

#endif
