#ifndef AFTERFLASH_REPORT_CAUTIONS_H
#define AFTERFLASH_REPORT_CAUTIONS_H

#include "measure/transfer.h"

#include <stdbool.h>

/** Adds the cautions that belong to a result, each one sentence: those of every result and those
 *  that this one earns. All caution sentences stand here. False when memory ran out. */
MUST_CHECK bool cautions_list(struct text_list *cautions, const struct transfer *transfer);

#endif
