#ifndef AFTERFLASH_REPORT_VERDICT_H
#define AFTERFLASH_REPORT_VERDICT_H

#include "measure/transfer.h"

/* The words of summary.json for each verdict; literals. */

/** "found", "given", "not-found". */
const char *verdict_of_cavity(enum cavity_verdict verdict);

/** "measured", "quiescent", "not-assessable". */
const char *verdict_of_contractions(enum contractions_verdict verdict);

/** "measured", "none-seen", "not-assessable". */
const char *verdict_of_deposit(enum deposit_verdict verdict);

/** "measured", "none-seen", "not-assessable". */
const char *verdict_of_drift(enum drift_verdict verdict);

/** "cervix-to-fundus", "fundus-to-cervix", "opposing", "mixed", "undetermined". */
const char *verdict_of_direction(enum wave_direction direction);

/** "dicom-region", "ruler", "given", "none". */
const char *verdict_of_scale(enum scale_source source);

#endif
