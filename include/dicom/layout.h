#ifndef AFTERFLASH_DICOM_LAYOUT_H
#define AFTERFLASH_DICOM_LAYOUT_H

#include "base/contract.h"
#include "base/error.h"
#include "dicom/dataset.h"

#include <stdbool.h>
#include <stddef.h>

/** What the samples of a pixel mean (PS3.3, C.7.6.3.1.2). */
enum layout_colour {
    LAYOUT_MONOCHROME1, /* 0 is white */
    LAYOUT_MONOCHROME2,
    LAYOUT_PALETTE,
    LAYOUT_RGB,
    LAYOUT_YBR_FULL,
    LAYOUT_YBR_FULL_422,
    LAYOUT_YBR_PARTIAL, /* any of the retired or video kinds, 16..235 */
    LAYOUT_YBR_WAVELET, /* YBR_ICT, YBR_RCT: the JPEG 2000 decoder gives RGB */
};

/** The Image Pixel attributes of a data set. */
struct layout {
    long columns;
    long rows;
    int n_samples;      /* of a pixel: 1 or 3 */
    int bits_allocated; /* 8 or 16 */
    int bits_stored;    /* 1..bits_allocated; they end at high_bit */
    int high_bit;
    bool is_signed;
    bool is_planar; /* as the tag says */
    enum layout_colour colour;
    long declared_frames; /* -1 where the file does not say */
    double pixel_aspect;  /* width over height of a pixel; 1 where it does not say */
};

/** Reads and checks them. Errors: ERROR_INPUT with a sentence for what is absent,
 *  contradicts itself or is not read. */
MUST_CHECK bool layout_read(struct layout *layout, const struct dataset *dataset, struct error **err);

/** Bytes of one native frame (PS3.5, 8.1.1 and 8.2); YBR_FULL_422 has two samples a pixel. */
size_t layout_frame_bytes(const struct layout *layout);

#endif
