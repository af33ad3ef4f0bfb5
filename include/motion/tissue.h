#ifndef AFTERFLASH_MOTION_TISSUE_H
#define AFTERFLASH_MOTION_TISSUE_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"
#include "image/raster.h"
#include "motion/rigid.h"

#include <stdbool.h>
#include <stddef.h>

/** Follows tissue through a loop without drift.
 *
 *  A few dozen frames spread over the loop ("keys") are compared with one another, near and
 *  far in time, and their displacements solved together by least squares; every other frame
 *  is then compared with the keys next to it in time. An error therefore never adds up from
 *  frame to frame. All places are in canvas pixels; places "at rest" are in key 0. */
struct tissue;

/** Standard deviation of the Gaussian weight of the patches that points are followed with; cut at two of
 *  them. */
#define TISSUE_POINT_SIGMA_MM 1.3

/** Takes the keys and finds the rigid motion between them.
 *
 *  keys      n_keys canvas pictures of one size; each is taken over (freed with the tissue, even on failure)
 *  time_s    n_keys, rising
 *  window    canvas, 0..1: which picture counts; borrowed for the call
 *  mm_per_px canvas pixel size (x, y); sets the sizes of patches
 *  Errors: ERROR_MEMORY; ERROR_INPUT when n_keys is 0. */
MUST_CHECK bool tissue_make(struct tissue **tissue, struct raster **keys, const double *time_s, size_t n_keys,
                            const struct raster *window, const double mm_per_px[2], struct error **err);

/** Ends it; accepts NULL, leaves NULL. */
void tissue_free(struct tissue **tissue);

/** How many keys there are, >= 1. */
size_t tissue_n_keys(const struct tissue *tissue);

/** The picture of a key, on the canvas; borrowed. NULL once the tissue is settled. */
const struct raster *tissue_key(const struct tissue *tissue, size_t key);

/** Presentation time of a key. */
double tissue_key_time_s(const struct tissue *tissue, size_t key);

/** Rigid motion from key 0 to a key; borrowed. */
const struct rigid *tissue_key_rigid(const struct tissue *tissue, size_t key);

/** How well the keys agree on that motion, 0..1. */
double tissue_key_trust(const struct tissue *tissue, size_t key);

/** Whether a key shows the same tissue as the others: at least 15 % of its blocks, weighed by their
 * correlation, were found again. Key 0 does by definition. */
bool tissue_key_agrees(const struct tissue *tissue, size_t key);

/** Where a point that was set lies in a key, in its pixels. */
struct point tissue_point_in_key(const struct tissue *tissue, size_t point, size_t key);

/** Sets the points to follow, in key 0, and solves where they are in every key. Points may
 *  be set again. Errors: ERROR_MEMORY. */
MUST_CHECK bool tissue_set_points(struct tissue *tissue, const struct point *at_rest_px, size_t n,
                                  struct error **err);

/** Lets the pictures of the keys go, which take most of the memory: frames can still be looked at, points
 *  cannot be set again. */
void tissue_settle(struct tissue *tissue);

/** Where one frame stands. */
struct tissue_view {
    struct rigid rigid;  /* key 0 to this frame */
    double trust;        /* of the rigid motion, 0..1 */
    struct point *place; /* n points, canvas pixels in this frame; owned by the caller */
    float
        *point_trust; /* n, 0..1: correlation with the best keys, 0 = lost (place is then the rigid guess) */
    float *error_px;  /* n, standard error of a coordinate by the matches alone; INFINITY = lost */
};

/** Looks at a frame. A point that its matches tell worse than the points differ in how they moved since the
 * keys is drawn toward the affine motion that they share (motion/common_motion). Depends on nothing but the
 * frame and the keys, so frames may be looked at in any order and by several threads. False when memory ran
 * out. */
MUST_CHECK bool tissue_look(const struct tissue *tissue, const struct raster *frame, double time_s,
                            struct tissue_view *view);

#endif
