#ifndef AFTERFLASH_REPORT_SERIES_CSV_H
#define AFTERFLASH_REPORT_SERIES_CSV_H

#include "measure/transfer.h"

#include <stdio.h>

/** Writes series.csv: a header, then one row per analysed frame of every loop; units in the
 *  names, NA for what is not known. Failures of the stream are seen by output_finish. */
void series_csv_write(FILE *to, const struct transfer *transfer);

#endif
