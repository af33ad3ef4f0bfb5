#ifndef AFTERFLASH_REPORT_SUMMARY_TEXT_H
#define AFTERFLASH_REPORT_SUMMARY_TEXT_H

#include "measure/transfer.h"

#include <stdio.h>

/** Writes the summary for people, 80 columns wide: what was found in sentences, the numbers in a
 *  table with units and 95 % intervals, published figures, what could not be told and why, the
 *  recordings, the cautions. No path, clock or host.
 *
 *  Failures of the stream are seen by output_finish. Errors: ERROR_MEMORY. */
MUST_CHECK bool summary_text_write(FILE *to, const struct transfer *transfer, struct error **err);

#endif
