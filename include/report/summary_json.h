#ifndef AFTERFLASH_REPORT_SUMMARY_JSON_H
#define AFTERFLASH_REPORT_SUMMARY_JSON_H

#include "measure/transfer.h"

#include <stdio.h>

/** Writes summary.json, as docs/summary.schema.json describes it. Keys stand in a fixed order;
 *  a value that is withheld is null, and its section's reasons are then not empty; no clock,
 *  host or path is told.
 *
 *  request  what was asked for; it goes into tool.parameters
 *  Failures of the stream are seen by output_finish. Errors: ERROR_MEMORY. */
MUST_CHECK bool summary_json_write(FILE *to, const struct transfer *transfer,
                                   const struct transfer_request *request, struct error **err);

#endif
