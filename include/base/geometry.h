#ifndef AFTERFLASH_BASE_GEOMETRY_H
#define AFTERFLASH_BASE_GEOMETRY_H

/** A place in a decoded frame: origin at the centre of the top-left pixel, x right, y down, in pixels. */
struct point {
    double x_px;
    double y_px;
};

/** A box of whole pixels, both corners included; empty when right < left or bottom < top. */
struct box {
    int left_px;
    int top_px;
    int right_px;
    int bottom_px;
};

#endif
