#ifndef AFTERFLASH_MEASURE_TIP_CARRY_INTERNAL_H
#define AFTERFLASH_MEASURE_TIP_CARRY_INTERNAL_H

#include "measure/follow.h"

/* Fills follow->tip_stray_mm, once the points are set: walls first, then both tips. */
void tip_carry_settle(struct follow *follow, const struct canvas *canvas, const struct tissue *tissue,
                      const bool is_given[2]);

/* Where a tip (0 first, 1 last) lies in a frame that was looked at. */
struct point tip_carry_place(const struct follow *follow, const struct canvas *canvas,
                             const struct tissue_view *view, size_t tip);

#endif
