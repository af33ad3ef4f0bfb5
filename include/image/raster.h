#ifndef AFTERFLASH_IMAGE_RASTER_H
#define AFTERFLASH_IMAGE_RASTER_H

#include "base/contract.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** A picture of real numbers: height_px rows of width_px values, row-major, no padding. */
struct raster {
    int width_px;
    int height_px;
    float *value;
};

/** Values beyond the last one that may be read, never used: those who take eight at a time need no end. */
enum { RASTER_SPARE = 16 };

/** Makes a raster of zeros, spare values included; NULL when memory ran out or a side is not positive. */
struct raster *raster_make(int width_px, int height_px);

/** A copy; NULL when memory ran out. */
struct raster *raster_copy(const struct raster *raster);

/** Ends a raster; accepts NULL, leaves NULL. */
void raster_free(struct raster **raster);

/** The value at a place between pixels, bilinear; places outside take the nearest edge. */
float raster_at(const struct raster *raster, double x_px, double y_px);

/** Smooths in place with a Gaussian of the given standard deviations (0: not in that
 *  direction), cut at 3.5 of them, edges repeated. False when memory ran out. */
MUST_CHECK bool raster_smooth(struct raster *raster, double sigma_x_px, double sigma_y_px);

/** Fills `raster` by area averages of a picture of bytes.
 *
 *  luma            width_px x height_px bytes
 *  left_px, top_px the source place that the corner of the raster's first pixel covers first (pixel edges)
 *  step_x_px, step_y_px  source pixels per raster pixel, >= 1 each; parts of pixels count in part
 *  Places outside the source take its nearest edge. */
void raster_reduce(struct raster *raster, const uint8_t *luma, int width_px, int height_px, double left_px,
                   double top_px, double step_x_px, double step_y_px);

#endif
