#ifndef AFTERFLASH_IMAGE_PLANE_INTERNAL_H
#define AFTERFLASH_IMAGE_PLANE_INTERNAL_H

#include "base/contract.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Small tools over planes of width x height values, row-major. All borrow; outputs
 *  are the caller's and may not be the input unless said. A bool result is false when
 *  memory ran out. Masks hold 0 or anything else on entry, 0 or 255 on leaving. */

/** Counts for each place the non-zero values of a square of 2 radius + 1 around it, cut at the border. */
MUST_CHECK bool plane_count(uint32_t *count, const uint8_t *mask, int width, int height, int radius);

/** Grows a mask by a square of 2 radius + 1; out may be mask. */
MUST_CHECK bool plane_grow(uint8_t *out, const uint8_t *mask, int width, int height, int radius);

/** Shrinks a mask by a square of 2 radius + 1; beyond the border counts as inside. out may be mask. */
MUST_CHECK bool plane_shrink(uint8_t *out, const uint8_t *mask, int width, int height, int radius);

/** Averages over a square of 2 radius + 1, cut at the border; out may be in. */
MUST_CHECK bool plane_blur(float *out, const float *in, int width, int height, int radius);

/** Numbers the 8-connected pieces of a mask from 1; labels is 0 outside. Returns how many, -1 without memory.
 */
int plane_label(int32_t *labels, const uint8_t *mask, int width, int height);

/** The share-quantile of n values (0 <= share <= 1) by sorting a copy; 0 for n == 0 or without memory. */
float plane_quantile(const float *values, size_t n, double share);

#endif
