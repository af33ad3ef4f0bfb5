#ifndef AFTERFLASH_REPORT_SPECTROGRAM_CSV_H
#define AFTERFLASH_REPORT_SPECTROGRAM_CSV_H

#include "measure/transfer.h"

#include <stdio.h>

/** Writes spectrogram.csv, the power of the wall motion by time and frequency in long form: a header, then
 * one row per loop, window and frequency; NA for what is not known. Failures of the stream are seen by
 *  output_finish. */
void spectrogram_csv_write(FILE *to, const struct transfer *transfer);

#endif
