#ifndef AFTERFLASH_MEASURE_COMPANION_INTERNAL_H
#define AFTERFLASH_MEASURE_COMPANION_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>
#include <stddef.h>

/* What comes with the catheter and goes with it: its shaft, told by the canal where its line cannot be. */

/* Whether what a way that begins in frame first shows came and went with the catheter; then it is put among
 * the hunt's strange. first may be n_frames: there is no way. False when memory ran out. */
MUST_CHECK bool companion_find(struct hunt *hunt, const long *way, size_t first, bool *is_found);

#endif
