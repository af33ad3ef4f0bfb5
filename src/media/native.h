#ifndef AFTERFLASH_MEDIA_NATIVE_H
#define AFTERFLASH_MEDIA_NATIVE_H

#include "base/contract.h"
#include "base/error.h"
#include "dicom/dataset.h"
#include "dicom/layout.h"
#include "media/frame.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** How the uncompressed samples of a DICOM frame become luma. */
struct native;

/** Prepares the tables for a layout. Samples of more or fewer than 8 stored bits are scaled so that the
 *  largest becomes 255; MONOCHROME1 is inverted; a palette is read from the data set.
 *
 *  native  caller's; set on success; end with native_close. Errors: ERROR_INPUT, ERROR_MEMORY. */
MUST_CHECK bool native_open(struct native **native, const struct layout *layout,
                            const struct dataset *dataset, struct error **err);

/** Whether the order of samples that the layout states is contradicted by a frame: the other order
 *  gives a picture that is far smoother and far greyer. False for one-sample layouts. */
bool native_is_planar_wrong(const struct native *native, const uint8_t *bytes);

/** Takes the other order of samples from now on. */
void native_swap_planar(struct native *native);

/** Turns the bytes of one frame (layout_frame_bytes of them, 16-bit samples low byte first
 *  unless the data set is big endian) into a frame. NULL when memory ran out. */
struct frame *native_to_frame(const struct native *native, const uint8_t *bytes, bool with_colour);

/** As native_to_frame for a run-length coded frame, already decoded into byte planes (rle_decode). */
struct frame *native_from_planes(const struct native *native, const uint8_t *planes, bool with_colour);

/** Maps a decoded one-sample frame of 8 bits, in place, as the layout asks: inverted or
 *  through the palette. False when memory ran out. */
bool native_map(const struct native *native, struct frame *frame, bool with_colour);

/** Ends it; accepts NULL, leaves NULL. */
void native_close(struct native **native);

#endif
