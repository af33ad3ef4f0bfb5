#ifndef AFTERFLASH_MEASURE_LENGTH_INTERNAL_H
#define AFTERFLASH_MEASURE_LENGTH_INTERNAL_H

#include "base/quantity.h"
#include "image/canvas.h"

/* A length in millimetres or, without a scale, withheld; and in pixels always (px may be NULL). */
void length_set(const struct canvas *canvas, struct quantity *mm, struct quantity *px,
                struct quantity value_mm);

#endif
