#ifndef AFTERFLASH_MEASURE_ONSET_INTERNAL_H
#define AFTERFLASH_MEASURE_ONSET_INTERNAL_H

#include "base/contract.h"
#include "measure/hunt.h"

#include <stdbool.h>
#include <stddef.h>

/* When the brightness at the cluster's first place (row, column) rose: sets the cluster's onset. first_seen:
 * the frame in which its way begins; tip as from shaft_find. False when memory ran out. */
MUST_CHECK bool onset_find(struct hunt *hunt, size_t first_seen, const long *tip, long row, long column);

#endif
