#ifndef AFTERFLASH_MEASURE_CARRY_INTERNAL_H
#define AFTERFLASH_MEASURE_CARRY_INTERNAL_H

#include "image/canvas.h"
#include "measure/follow.h"

#include <stddef.h>

/* How the tissue carries the places of a stripe: its movement since rest, told by the walls. */

/* Movement of all positions of a frame, millimetres. `shift` and `scratch` hold n_positions pairs (x, y). */
void carry_fill(const struct follow *follow, const struct canvas *canvas, size_t frame, double *shift,
                double *scratch);

/* The same at any arc length: linear between positions, level beyond them. */
void carry_at(const struct follow *follow, const double *shift, double along_mm, double *x_mm, double *y_mm);

/* Standard error along the stripe at an arc length: how far the walls near it disagree. */
double carry_error_mm(const struct follow *follow, const struct canvas *canvas, size_t frame,
                      double along_mm);

/* How much farther along the stripe the walls near bubbles are said to have moved than the tissue beyond the
 * bubbles' reach: patches that bubbles lie in move with them. Millimetres; 0 where too little lies beyond. */
double carry_drag_mm(const struct follow *follow, const struct canvas *canvas, size_t frame, double along_mm,
                     double across_mm);

#endif
