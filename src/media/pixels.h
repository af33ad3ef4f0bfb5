#ifndef AFTERFLASH_MEDIA_PIXELS_H
#define AFTERFLASH_MEDIA_PIXELS_H

#include "base/contract.h"
#include "base/error.h"
#include "media/frame.h"

#include <libavutil/frame.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Luma of a full-range RGB pixel, 0..255: (19595 R + 38470 G + 7471 B + 32768) / 65536, rounded down.
 *  Source: Rec. ITU-R BT.601-7, 2.5.1 (0.299, 0.587, 0.114), in 16-bit fixed point. */
uint8_t pixels_luma(unsigned red, unsigned green, unsigned blue);

/** max(|Cb - 128|, |Cr - 128|) of a full-range RGB pixel, 0..128.
 *  Source: ITU-T T.871 (JFIF), 7, in 16-bit fixed point, rounded. */
uint8_t pixels_colour(int red, int green, int blue);

/** How a decoded picture becomes an upright full-range frame. */
struct pixels_reading {
    /** x' = xx x + yx y, y' = xy x + yy y, then moved into the first quadrant: a turn
     *  by quarters, mirrored or not. Each is -1, 0 or 1. */
    int xx, xy, yx, yy;
    bool untagged_is_limited; /* grey that does not state its range is 16..235 (video codecs) */
    bool is_full;             /* the samples are 0..255 whatever the picture says (DICOM) */
    bool is_rgb;              /* the three planes are R, G, B whatever the picture says */
    bool is_ybr;              /* they are Y, Cb, Cr of full range whatever the picture says */
};

/** Upright, ranges as tagged. */
struct pixels_reading pixels_as_tagged(void);

/** Whether pictures of this pixel format (enum AVPixelFormat) can be read. */
bool pixels_can_read(int format);

/** Bits of a sample of a pixel format; 0 when unknown. */
int pixels_depth(int format);

/** The samples of the first component of a picture, as they are, low byte first.
 *  samples  2 bytes for each pixel; caller's. Errors: false when memory ran out. */
MUST_CHECK bool pixels_samples(const AVFrame *picture, uint8_t *samples);

/** Whether a Y'CbCr picture that does not state its range holds clearly more black below 16
 *  than a picture of limited range can: more than 1 % of its luma below 8 (in ten ultrasound
 *  recordings of limited range at most 0.015 % was). */
bool pixels_seem_full(const AVFrame *picture);

/** Turns a decoded picture into a frame: luma of Y'CbCr, grey, palette and RGB pictures
 *  of 8 to 16 bits; 16..235 widened to 0..255 where the picture is of limited range, as
 *  untagged Y'CbCr is; chroma repeated, not interpolated. index and time_s stay 0.
 *
 *  frame  caller's; set on success. Errors: ERROR_INPUT, ERROR_MEMORY. */
MUST_CHECK bool pixels_to_frame(struct frame **frame, const AVFrame *picture, struct pixels_reading reading,
                                bool with_colour, struct error **err);

#endif
