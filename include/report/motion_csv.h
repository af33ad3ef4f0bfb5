#ifndef AFTERFLASH_REPORT_MOTION_CSV_H
#define AFTERFLASH_REPORT_MOTION_CSV_H

#include "measure/transfer.h"

#include <stdio.h>

/** Writes motion.csv, the wall motion in long form: a header, then one row per loop, time and
 *  position along the stripe; NA for what is not known. Failures of the stream are seen by output_finish. */
void motion_csv_write(FILE *to, const struct transfer *transfer);

#endif
