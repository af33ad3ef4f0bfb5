#ifndef AFTERFLASH_DICOM_PALETTE_H
#define AFTERFLASH_DICOM_PALETTE_H

#include "base/contract.h"
#include "base/error.h"
#include "dicom/dataset.h"

#include <stddef.h>
#include <stdint.h>

/** A colour palette of a data set as 8-bit RGB. {0} is empty. */
struct palette {
    long first; /* sample value of entry 0; below it entry 0 holds, above the last entry the last */
    size_t n;
    uint8_t *rgb; /* n x 3 */
};

/** Reads the three look-up tables, plain or segmented (PS3.3, C.7.6.3.1.5, C.7.6.3.1.6 and
 *  C.7.9.2). 16-bit entries keep their high byte, or their low byte where no entry of the
 *  three tables is above 255.
 *
 *  is_signed  of the samples. Errors: ERROR_INPUT with a sentence, ERROR_MEMORY.
 *  End with palette_free also after a failure. */
MUST_CHECK bool palette_read(struct palette *palette, const struct dataset *dataset, bool is_signed,
                             struct error **err);

/** Expands segmented words into exactly n entries (PS3.3, C.7.9.2.2 and C.7.9.2.3).
 *  False when they do not give n. */
bool palette_expand(const uint16_t *segments, size_t n_segments, uint16_t *entries, size_t n);

/** Frees what it holds; accepts NULL. */
void palette_free(struct palette *palette);

#endif
