#ifndef AFTERFLASH_REPORT_WAVES_CSV_H
#define AFTERFLASH_REPORT_WAVES_CSV_H

#include "measure/transfer.h"

#include <stdio.h>

/** Writes waves.csv: a header, then one row per contraction of every loop, in the order of time; units in
 *  the names, NA for what is not known. Failures of the stream are seen by output_finish. */
void waves_csv_write(FILE *to, const struct transfer *transfer);

#endif
