#ifndef AFTERFLASH_IMAGE_SCALE_H
#define AFTERFLASH_IMAGE_SCALE_H

#include "base/text.h"
#include "image/picture.h"
#include "image/ruler.h"
#include "media/loop.h"

/** Where millimetres per pixel come from. */
enum scale_source { SCALE_NONE, SCALE_DICOM_REGION, SCALE_RULER, SCALE_GIVEN };

/** Millimetres per pixel of a loop; source SCALE_NONE: lengths are known in pixels only. */
struct scale {
    enum scale_source source;
    double mm_per_px_x; /* 0 when unknown */
    double mm_per_px_y;
    double
        odd_pixels; /* width over height of a pixel, far from square and borne out by nothing; 0: is not so */
    double
        tick_ratio; /* the region's scale over what the ruler's marks would be taken for; 0: no such doubt */
    struct text_list reasons; /* sentences: contradictions, assumptions, why none */
};

/** Chooses the scale: the DICOM region of tissue (spatial format 2D, data type tissue; without one, of colour
 *  flow over half the picture) that holds the picture (unit code 3 on both axes, plausible, box inside the
 * frame), checked against the ruler when both exist; else
 *  the ruler; else given_mm_per_px (0: none given); else none. A given scale that contradicts
 *  the file by more than 2 % wins, and a reason says so.
 *
 *  A region whose box reaches outside the frame, whose scale implies a picture deeper than
 *  400 mm or shallower than 10 mm, or which contradicts the ruler by more than 5 %, is not believed.
 *  A ruler whose ticks all look alike may mean 10, 5, 2 or 1 mm by a tick: a region that holds the picture
 * and makes them one of these is believed against what would be assumed, with tick_ratio and a reason. A
 * region whose pixels are more than 1.25 times as long as wide is taken, with odd_pixels and a reason, unless
 * the file says of its pictures what agrees (Pixel Aspect Ratio): the ruler bears out one side of a pixel
 * only. A given scale then holds for both sides.
 *  `*scale` is overwritten; end with scale_free. */
void scale_choose(struct scale *scale, const struct loop_facts *facts, const struct picture *picture,
                  const struct ruler *ruler, double given_mm_per_px);

/** Frees what a scale holds; accepts NULL. */
void scale_free(struct scale *scale);

#endif
