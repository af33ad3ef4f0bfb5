#ifndef AFTERFLASH_MEASURE_INSTANT_INTERNAL_H
#define AFTERFLASH_MEASURE_INSTANT_INTERNAL_H

#include "measure/bubble_sections.h"

#include <stdbool.h>

/* Bubbles that lie farther outside the walls than this bear out that the stripe was drawn in the wrong place.
 */
#define INSTANT_OUTSIDE_MM 1.0

/* Whether the bubbles, that first lie outside_mm outside the walls, may have been deposited before they came
 * to light, and elsewhere; then *since_s is since when, and it is said (of bubbles outside the walls by the
 * caller). The cluster has its onset. */
bool instant_is_open(const struct bubble_facts *facts, double outside_mm, struct text_list *reasons,
                     double *since_s);

/* Fills in when the bubbles came, its interval and what makes it uncertain; returns instant_is_open. */
bool instant_fill(struct deposit *deposit, const struct bubble_facts *facts, double outside_mm);

#endif
