#ifndef AFTERFLASH_REPORT_PARAGRAPH_H
#define AFTERFLASH_REPORT_PARAGRAPH_H

#include <stdio.h>

/** Writes a text broken at spaces into lines of at most 80 columns.
 *
 *  first  what the first line begins with
 *  next   what each further line begins with
 *  text   control characters are shown as '?', bytes that are no UTF-8 as U+FFFD
 *  Of a word longer than a line both ends are shown and "..." between them. Columns are counted as code
 * points. */
void paragraph_write(FILE *to, const char *first, const char *next, const char *text);

/** Columns that a text takes, counted as code points; a byte that is no UTF-8 takes one. */
int paragraph_columns(const char *text);

#endif
