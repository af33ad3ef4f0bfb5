#ifndef AFTERFLASH_MOTION_PATCH_INTERNAL_H
#define AFTERFLASH_MOTION_PATCH_INTERNAL_H

#include "base/wide.h"
#include "motion/patch.h"

#include <stddef.h>
#include <string.h>

/* What a patch is made of: shared by patch.c, which cuts it and finds it again, patch_bend.c, which undoes
 * what its bending did to its place, and patch_parts.c, which tells how surely it was found. */

enum {
    PATCH_LANES = 8, /* columns summed side by side */
    PATCH_MOST_PARTS = 256
};

/** Two shifts, then how each of them changes along x and along y. */
enum { PATCH_SHIFTS = 2, PATCH_WAYS = 6 };

struct patch_shape {
    int reach_x_px, reach_y_px; /* half sides */
    size_t n_columns;           /* whole lanes: those beyond the right side weigh nothing */
    size_t n;
    size_t part_rows, n_parts; /* parts: PATCH_LANES columns and so many rows, column of parts by column */
    float *weight;             /* n, summing to 1 */
};

/** A part of a patch: sums of its weights, and of its weighted slopes alone and times the texture. */
struct patch_part {
    double weight, slope[2], texture[2];
};

struct patch {
    const struct patch_shape *shape;
    struct patch_shape *own; /* NULL where it is shared */
    int x_px, y_px;          /* centre in the picture that it was cut from */
    float *texture;          /* n, weighted mean 0, weighted variance 1 */
    float *slope_x;          /* n, of the texture, per pixel */
    float *slope_y;
    double inverse_xx, inverse_xy, inverse_yy; /* inverse of the weighted slope products */
    double n_effective;                        /* independent speckle cells that the weights cover, >= 1 */
    struct patch_part *parts;                  /* n_parts of the shape */
    /* What each way of moving does to the texture: weighted sum, with the texture, and products of two of
     * them, mean and texture taken out. */
    double way_sum[PATCH_WAYS], way_texture[PATCH_WAYS], way_products[PATCH_WAYS][PATCH_WAYS];
};

/** Weighted sums over the picture under the patch. */
struct patch_sums {
    double mean, square, with_texture, with_slope_x, with_slope_y;
};

/* Eight columns at once; always eight, so that sums come out the same whatever the machine has. */
typedef float lanes __attribute__((vector_size(PATCH_LANES * sizeof(float))));

/** Where a pixel of a patch stands in its arrays; x, y from the centre. */
static inline size_t patch_index(const struct patch_shape *shape, int x, int y)
{
    return (size_t)(y + shape->reach_y_px) * shape->n_columns + (size_t)(x + shape->reach_x_px);
}

/** The eight columns together. */
static inline double patch_add_lanes(const lanes *sums)
{
    enum { HALF = PATCH_LANES / 2 };
    float sum[PATCH_LANES];
    double pair[HALF];

    memcpy(sum, sums, sizeof sum);
    for (int i = 0; i < HALF; i++)
        pair[i] = (double)sum[i] + (double)sum[i + HALF];
    return (pair[0] + pair[1]) + (pair[2] + pair[3]);
}

/** Eight pixels between two rows of a picture, parts of a pixel to the right and down, less mid-grey. */
static inline void patch_between(lanes *value, const float *upper, const float *lower, float part_x,
                                 float part_y)
{
    lanes above;
    lanes below;
    lanes next;

    memcpy(&above, upper, sizeof above);
    memcpy(&next, upper + 1, sizeof next);
    above += part_x * (next - above);
    memcpy(&below, lower, sizeof below);
    memcpy(&next, lower + 1, sizeof next);
    below += part_x * (next - below);
    *value = above + part_y * (below - above) - 128.0F;
}

/** Whether a patch whose corner is within the pixel at (left, top) lies inside a picture. */
static inline bool patch_is_inside(const struct patch *patch, const struct raster *raster, int left, int top)
{
    return left >= 0 && top >= 0 && left + 2 * patch->shape->reach_x_px + 1 < raster->width_px &&
           top + 2 * patch->shape->reach_y_px + 1 < raster->height_px;
}

/** Fills way_sum, way_texture and way_products. */
void patch_sum_ways(struct patch *patch);

/** What a picture under a patch tells of each part: sums of the weighted picture times each slope. */
struct patch_pulls {
    double slope[PATCH_MOST_PARTS][2];
};

/** Fills the parts of a patch that has texture and slopes. */
void patch_sum_parts(struct patch *patch);

/** Standard errors of x and y where a patch was found: the scatter of what its parts, each for itself, add to
 *  the last step.
 *
 *  scale   1 over the standard deviation of the picture under it; mean: its mean
 *  Source: the sandwich of White, Econometrica 48(4):817-838, 1980, summed by parts since neighbouring pixels
 *  share their noise (Liang and Zeger, Biometrika 73(1):13-22, 1986). */
void patch_tell_error(const struct patch *patch, const struct patch_pulls *pulls, double mean, double scale,
                      double correlation, double error_px[2]);

/** Moves a settled place by what the piece's stretching, shearing and turning did to it: texture lies
 * unevenly in it, and where it lies to one side the patch tells the movement of that side.
 *
 *  match   place and correlation at the settled place; the place is left alone where the bending cannot be
 *          told, at the picture's edge; error_px is filled where the piece lies inside
 *  Source: least squares in all six parameters of an affine motion, Baker and Matthews, Int. J. Comput. Vis.
 *  56(3):221-255, 2004; the four that bend held to what tissue does as by a Gaussian prior. */
void patch_unbend(const struct patch *patch, const struct raster *raster, struct patch_match *match);

#endif
