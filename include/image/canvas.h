#ifndef AFTERFLASH_IMAGE_CANVAS_H
#define AFTERFLASH_IMAGE_CANVAS_H

#include "base/geometry.h"
#include "image/picture.h"
#include "image/raster.h"
#include "image/scale.h"
#include "media/frame.h"

#include <stdbool.h>

/** The grid on which a loop is measured: the part of the frame that holds the picture,
 *  whole pixels joined where they are finer than tracking needs. Canvas places are in
 *  canvas pixels, origin at the centre of the first. */
struct canvas {
    int width_px;
    int height_px;
    int left_px; /* frame column of the first canvas pixel's left-most source pixel */
    int top_px;
    int step_px;        /* source pixels per canvas pixel, both ways */
    double mm_per_px_x; /* of a canvas pixel; nominal when is_nominal */
    double mm_per_px_y;
    bool is_nominal; /* no scale is known: millimetres stand for a picture NOMINAL_DEPTH_MM deep */
};

/** Depth that a picture without a scale is taken to have, so that sizes can be searched
 *  for; no millimetre that rests on it is ever put out. Common practice for a
 *  transvaginal uterus, no source. */
#define CANVAS_NOMINAL_DEPTH_MM 90.0

/** Lays the canvas over the picture. Pixels finer than about 0.1 mm are joined. */
struct canvas canvas_lay(const struct picture *picture, const struct scale *scale);

/** A frame on the canvas, slightly smoothed for sub-pixel search; NULL when memory ran out. */
struct raster *canvas_take(const struct canvas *canvas, const struct frame *frame);

/** Canvas place of a frame place, and back. */
struct point canvas_from_frame(const struct canvas *canvas, struct point frame_px);
struct point canvas_to_frame(const struct canvas *canvas, struct point canvas_px);

/** Millimetres (nominal where so) across and down from the canvas' corner to a canvas place, and back. */
void canvas_to_mm(const struct canvas *canvas, struct point place, double mm[2]);
struct point canvas_from_mm(const struct canvas *canvas, const double mm[2]);

/** 1 inside the picture's mask, 0 outside, on the canvas, softened over about 2 mm inward; NULL when memory
 * ran out. */
struct raster *canvas_window(const struct canvas *canvas, const struct picture *picture);

/** Distance in millimetres (nominal where so) between two canvas places. */
double canvas_distance_mm(const struct canvas *canvas, struct point a, struct point b);

#endif
