#include "measure/length.h"

#include <stddef.h>

void length_set(const struct canvas *canvas, struct quantity *mm, struct quantity *px,
                struct quantity value_mm)
{
    double per_px = 0.5 * (canvas->mm_per_px_x + canvas->mm_per_px_y) / canvas->step_px;

    *mm = canvas->is_nominal ? (struct quantity){0} : value_mm;
    if (px != NULL)
        *px = quantity_scaled(value_mm, 1.0 / per_px);
}
