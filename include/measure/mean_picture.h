#ifndef AFTERFLASH_MEASURE_MEAN_PICTURE_H
#define AFTERFLASH_MEASURE_MEAN_PICTURE_H

#include "base/contract.h"
#include "base/error.h"
#include "image/canvas.h"
#include "image/raster.h"
#include "measure/transients.h"
#include "motion/tissue.h"

#include <stdbool.h>
#include <stddef.h>

/** The keys of a loop laid over one another, rigid motion undone: speckle that does not
 *  stay fades, layers stay, and what came or went is taken out. Square pixels of pixel_mm, in the place of
 * key 0. */
struct mean_picture {
    double pixel_mm;
    double recorded_mm;     /* of the canvas's pixels, which are the recording's where these are coarse */
    size_t n_keys;          /* laid over one another */
    struct raster *picture; /* owned */
    struct raster *window;  /* 0..1: where there is picture; owned */
    double tissue_luma;     /* upper quartile of luma within it: bright tissue; >= 1 */
    struct transients transients; /* what came or went; it has been taken out of the picture */
};

/** Makes it; window is the canvas window. End with mean_picture_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool mean_picture_make(struct mean_picture *mean, const struct tissue *tissue,
                                  const struct canvas *canvas, const struct raster *window, double pixel_mm,
                                  struct error **err);

/** The same at twice the pixel size, without the map of what came or went. Errors: ERROR_MEMORY. */
MUST_CHECK bool mean_picture_halve(struct mean_picture *half, const struct mean_picture *mean,
                                   struct error **err);

/** Frees what it holds; accepts NULL. */
void mean_picture_free(struct mean_picture *mean);

#endif
