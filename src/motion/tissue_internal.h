#ifndef AFTERFLASH_MOTION_TISSUE_INTERNAL_H
#define AFTERFLASH_MOTION_TISSUE_INTERNAL_H

#include "motion/foothold.h"
#include "motion/patch.h"
#include "motion/shift_pool.h"
#include "motion/tissue.h"

#include <complex.h>

/* The keys and the points in them: shared by tissue.c, which holds them and looks at frames, tissue_keys.c,
 * which finds the rigid motion between keys, and tissue_points.c, which follows points through the keys. */

enum { TISSUE_MOST_BLOCKS = 160, TISSUE_N_LAGS = 9, TISSUE_SWEEPS = 200 };

/** Lags at which keys are compared, in keys: near ones for surety, far ones against drift. */
extern const size_t tissue_lags[TISSUE_N_LAGS];

/** Below this correlation a match is not told from chance. */
extern const double TISSUE_LEAST_CORRELATION;

struct tissue_block {
    struct patch *patch;
    int x_px, y_px; /* coarse */
};

struct tissue_key {
    struct raster *fine;
    struct raster *coarse;
    double complex *transform; /* of the coarse picture in the window */
    double time_s;
    struct rigid rigid; /* from key 0, fine pixels */
    double trust;
    struct tissue_block blocks[TISSUE_MOST_BLOCKS];
    size_t n_blocks;
};

struct tissue {
    struct tissue_key *keys;
    size_t n_keys;
    int step;          /* fine pixels per coarse pixel */
    double mm_x, mm_y; /* of a fine pixel */
    struct raster *coarse_window;
    struct shift_pool *shifts;
    struct patch_shape *block_shape, *fine_shape, *coarse_shape; /* of blocks and of points */
    double centre_x, centre_y;                                   /* pivot of all rigid motions, fine pixels */
    struct foothold *footholds;                                  /* n_points x n_keys */
    size_t n_points;
    double
        spread_px2; /* of a coordinate about what all points share, from a key to the next; 0 = not known */
};

/** A picture `step` times smaller: the mean of each step x step pixels, smoothed a little. NULL when memory
 * ran out. */
struct raster *tissue_reduce(const struct raster *fine, int step);

/** What every key needs before it is compared; false when memory ran out. */
MUST_CHECK bool tissue_prepare_keys(struct tissue *tissue);

/** Compares the prepared keys and solves their rigid motions and trust; false when memory ran out. */
MUST_CHECK bool tissue_link_keys(struct tissue *tissue);

/** Rigid motion from a key to a coarse picture and its transform, fine pixels; returns its trust, 0 = none
 *  found. */
double tissue_measure_rigid(const struct tissue *tissue, const struct tissue_key *key,
                            const struct raster *coarse, const double complex *transform, struct shift *shift,
                            struct rigid *rigid);

/** Lets the points go. */
void tissue_drop_points(struct tissue *tissue);

#endif
