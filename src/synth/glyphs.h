#ifndef AFTERFLASH_SYNTH_GLYPHS_H
#define AFTERFLASH_SYNTH_GLYPHS_H

#include <stdint.h>

/** Writes capitals, digits, space and . : - / % into a picture; other characters are left blank.
 *  Each is 5 x 7 dots, 6 dots to the next, a dot being `dot_px` pixels square. Clipped to the picture. */
void glyphs_write(uint8_t *picture, int width_px, int height_px, int left_px, int top_px, int dot_px,
                  uint8_t luma, const char *text);

#endif
