#ifndef AFTERFLASH_MEASURE_TIP_SECTIONS_INTERNAL_H
#define AFTERFLASH_MEASURE_TIP_SECTIONS_INTERNAL_H

#include "measure/bubble_sections.h"

/* What is told of the catheter's tip. */

/* Whether what was taken for the tip in the frames of a loop may be told: where bubbles came, only if they
 * bear it out. */
bool tip_sections_are_told(const struct bubble_facts *facts);

/* Fills where the tip lay just before the deposit, or why that is not told. */
void tip_sections_fill(struct deposit *deposit, const struct bubble_facts *facts);

#endif
