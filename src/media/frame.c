#include "media/frame.h"

#include <stdlib.h>

struct frame *frame_make(int width_px, int height_px, int with_colour)
{
    struct frame *made = NULL;
    size_t n = 0;

    if (width_px <= 0 || height_px <= 0)
        return NULL;
    n = (size_t)width_px * (size_t)height_px;
    made = calloc(1, sizeof *made);
    if (made == NULL)
        return NULL;
    made->width_px = width_px;
    made->height_px = height_px;
    made->luma = calloc(n, 1);
    made->colour = with_colour ? calloc(n, 1) : NULL;
    if (made->luma == NULL || (with_colour && made->colour == NULL))
        frame_free(&made);
    return made;
}

void frame_free(struct frame **frame)
{
    if (frame == NULL || *frame == NULL)
        return;
    free((*frame)->luma);
    free((*frame)->colour);
    free(*frame);
    *frame = NULL;
}
