#ifndef AFTERFLASH_REPORT_CSV_H
#define AFTERFLASH_REPORT_CSV_H

#include "base/quantity.h"

#include <stdio.h>

/* Fields of a comma-separated file (RFC 4180; a point in numbers, NA for what is missing).
 * Failures of the stream are seen by output_finish. */

/** A number with `decimals` places, never "-0"; NA when it is not finite. */
void csv_number(FILE *to, double number, int decimals);

/** The value of a quantity; NA when it is withheld. */
void csv_quantity(FILE *to, struct quantity quantity, int decimals);

/** A text, quoted where it has to be; NULL gives NA. Control characters become spaces, bytes that
 *  are no UTF-8 U+FFFD. One that a spreadsheet
 *  would take for a formula (it begins with = + - @) gets an apostrophe before it: OWASP, "CSV Injection". */
void csv_text(FILE *to, const char *text);

#endif
