#ifndef AFTERFLASH_MEDIA_FRAME_H
#define AFTERFLASH_MEDIA_FRAME_H

#include <stddef.h>
#include <stdint.h>

/** One decoded picture of a loop: luma only.
 *
 *  luma    height_px rows of width_px bytes, row-major, no padding, full range 0..255
 *  colour  NULL unless asked for and the loop is in colour; else as large as luma:
 *          max(|Cb - 128|, |Cr - 128|) of each pixel, 0 for grey
 *  index   0 for the loop's first frame, counted in presentation order, dropped
 *          and damaged frames not counted
 *  time_s  seconds from the first frame's presentation time */
struct frame {
    int width_px;
    int height_px;
    uint8_t *luma;
    uint8_t *colour;
    size_t index;
    double time_s;
};

/** Makes a frame with zeroed luma (and colour when `with_colour` is not 0); NULL when memory ran out. */
struct frame *frame_make(int width_px, int height_px, int with_colour);

/** Ends a frame; accepts NULL, leaves NULL. */
void frame_free(struct frame **frame);

#endif
