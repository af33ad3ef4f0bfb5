#ifndef AFTERFLASH_REPORT_PUBLISHED_INTERNAL_H
#define AFTERFLASH_REPORT_PUBLISHED_INTERNAL_H

#include "measure/norms.h"

#include <jansson.h>
#include <stdio.h>

/** The published figures of the quantities first..last as a JSON list, the nearest to a transfer
 *  first within each quantity. NULL when memory ran out. */
json_t *published_list(enum norms_quantity first, enum norms_quantity last);

/** Writes the figures that belong beside the numbers of a transfer for people; nothing when
 *  there are none. False when memory ran out. */
bool published_write(FILE *to, const struct transfer *transfer);

#endif
