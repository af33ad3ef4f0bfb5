#ifndef AFTERFLASH_DICOM_RLE_H
#define AFTERFLASH_DICOM_RLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Decodes one RLE frame (PS3.5, annex G) into planes: all high bytes of the first
 *  sample, then its low bytes where samples have two, then the next sample.
 *
 *  coded     n_coded bytes; borrowed
 *  planes    n_planes x plane_bytes; caller's
 *  False when the header does not fit n_planes or a segment ends before its plane is full. */
bool rle_decode(const uint8_t *coded, size_t n_coded, uint8_t *planes, size_t n_planes, size_t plane_bytes);

#endif
