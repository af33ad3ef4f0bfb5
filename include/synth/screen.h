#ifndef AFTERFLASH_SYNTH_SCREEN_H
#define AFTERFLASH_SYNTH_SCREEN_H

#include "base/contract.h"
#include "base/error.h"
#include "base/geometry.h"
#include "synth/imager.h"
#include "synth/recipe.h"

#include <stdint.h>

/** The scanner's screen: where the sector stands in the frame, and what is written around it. */
struct screen;

/** Lays out the screen for one depth.
 *
 *  recipe    settled
 *  imager    the imager of the same depth; borrowed only during this call
 *  screen    caller's; end with screen_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool screen_make(struct screen **screen, const struct recipe *recipe, const struct imager *imager,
                            double depth_mm, struct error **err);

/** Ends a screen; accepts NULL, leaves NULL. */
void screen_free(struct screen **screen);

/** Writes the whole frame.
 *
 *  luma    the lines, as in a canvas
 *  time_s  what the running clock shows
 *  frame   height_px x width_px bytes, row-major */
void screen_show(const struct screen *screen, const struct canvas *canvas, const float *luma, double time_s,
                 uint8_t *frame);

/** Size of a pixel, the same on both axes. */
double screen_mm_per_px(const struct screen *screen);

/** From the plane to the frame and back. */
struct point screen_point(const struct screen *screen, struct place place);
struct place screen_place(const struct screen *screen, struct point point);

/** The rectangle that holds the ultrasound picture, as a scanner declares it. */
struct box screen_box(const struct screen *screen);

/** Half the width of the field that any layout of this recipe can show, mm. */
double screen_half_width_mm(const struct recipe *recipe, double depth_mm);

#endif
