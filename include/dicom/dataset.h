#ifndef AFTERFLASH_DICOM_DATASET_H
#define AFTERFLASH_DICOM_DATASET_H

#include "base/contract.h"
#include "base/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/** A tag of the data dictionary: DICOM_TAG(0x0028, 0x0010) is Rows. */
#define DICOM_TAG(group, element) (((uint32_t)(group) << 16) | (uint32_t)(element))

/** How pixel data are coded, by transfer syntax (PS3.5, chapter 10 and annex A). */
enum dataset_coding {
    CODING_UNKNOWN, /* a transfer syntax that is not read */
    CODING_NATIVE,
    CODING_RLE,
    CODING_JPEG, /* baseline, extended, lossless */
    CODING_JPEG_LS,
    CODING_JPEG_2000,
    CODING_MPEG2,
    CODING_H264,
    CODING_HEVC,
};

/** Where the pixel data of a data set stand. */
struct dataset_pixels {
    bool is_there;   /* false: the file ends or goes on without pixel data */
    uint64_t offset; /* of the value, in the file (in the inflated rest for a deflated file) */
    bool has_length; /* false: undefined length, a row of items */
    uint32_t length; /* bytes of the value as declared, where has_length */
    bool is_words;   /* VR OW: in a big-endian file, 8-bit samples stand in swapped pairs */
};

/** The attributes of one DICOM file, up to its pixel data. Parsed by DCMTK; values above
 *  4 KiB stay in the file until they are asked for. */
struct dataset;

/** Opens a DICOM file, with or without preamble and meta header.
 *
 *  dataset  caller's; set on success; end with dataset_close
 *  Errors: ERROR_INPUT with a sentence for a file that is not DICOM, or that ends
 *  before its pixel data; ERROR_MEMORY. */
MUST_CHECK bool dataset_open(struct dataset **dataset, const char *path, struct error **err);

/** UID of the transfer syntax; borrowed, never NULL. */
const char *dataset_syntax_uid(const struct dataset *dataset);

/** Name of the transfer syntax; its UID again where DCMTK knows none; borrowed, never NULL. */
const char *dataset_syntax_name(const struct dataset *dataset);

/** How the transfer syntax codes pixel data. */
enum dataset_coding dataset_coding(const struct dataset *dataset);

/** Whether 16-bit samples stand high byte first. */
bool dataset_is_big_endian(const struct dataset *dataset);

/** Whether the data set is deflated: its pixel data are had by dataset_inflate only. */
bool dataset_is_deflated(const struct dataset *dataset);

/** Whether the header has faults that were passed over to read it. */
bool dataset_is_mended(const struct dataset *dataset);

/** Where the pixel data stand. */
struct dataset_pixels dataset_pixel_data(const struct dataset *dataset);

/** UID of the SOP class; "" when absent; borrowed. */
const char *dataset_class_uid(const struct dataset *dataset);

/** Name of the SOP class; its UID again where DCMTK knows none; borrowed, never NULL. */
const char *dataset_class_name(const struct dataset *dataset);

/** Copies one value of a text attribute, blanks at both ends cut off. False when the attribute or that
 *  value is absent or does not fit; `text` is then "". */
bool dataset_text(const struct dataset *dataset, uint32_t tag, size_t place, char *text, size_t n_room);

/** One value of a numeric attribute (DS, IS, US, SS, UL, SL, FL, FD). False when absent, empty or not a
 *  finite number; `*value` is then unchanged. */
bool dataset_number(const struct dataset *dataset, uint32_t tag, size_t place, double *value);

/** As dataset_number for a whole number within [low, high]. */
bool dataset_integer(const struct dataset *dataset, uint32_t tag, long low, long high, long *value);

/** How many values an attribute has; 0 when absent or empty. */
size_t dataset_n_values(const struct dataset *dataset, uint32_t tag);

/** One tag of an AT attribute. False when absent. */
bool dataset_tag(const struct dataset *dataset, uint32_t tag, size_t place, uint32_t *value);

/** All values of a numeric attribute of text type (DS, IS), parsed once; a value that is no finite number is
 * NAN. numbers  caller's; set on success, free() it. False when absent, empty or no memory. */
bool dataset_numbers(const struct dataset *dataset, uint32_t tag, double **numbers, size_t *n);

/** 16-bit words of an attribute (US, SS, OW), in the machine's order.
 *  words  caller's; set on success, free() it. False when absent, of another type, or no memory. */
bool dataset_words(const struct dataset *dataset, uint32_t tag, uint16_t **words, size_t *n);

/** 64-bit numbers of an OV attribute. As dataset_words. */
bool dataset_offsets(const struct dataset *dataset, uint32_t tag, uint64_t **offsets, size_t *n);

/** How many items a sequence has; 0 when absent. */
size_t dataset_n_items(const struct dataset *dataset, uint32_t sequence);

/** As dataset_number, inside an item of a sequence. */
bool dataset_item_number(const struct dataset *dataset, uint32_t sequence, size_t item, uint32_t tag,
                         double *value);

/** Reads on through a deflated file: up to n bytes after the last read, inflated, the first being the one at
 *  dataset_pixel_data().offset. Returns how many; 0 at the end. */
size_t dataset_inflate(struct dataset *dataset, void *bytes, size_t n);

/** Ends a data set; accepts NULL, leaves NULL. */
void dataset_close(struct dataset **dataset);

#ifdef __cplusplus
}
#endif

#endif
