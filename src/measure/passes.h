#ifndef AFTERFLASH_MEASURE_PASSES_INTERNAL_H
#define AFTERFLASH_MEASURE_PASSES_INTERNAL_H

#include "measure/wave_list.h"

/* Over the usual time from pass to pass, from which on a wave would have been due: intervals are uneven by up
 * to 30 % (common practice, no source), of which this is two standard deviations. */
static const double PASSES_GAP = 1.6;

enum { PASSES_MOST = 2 * WAVE_LIST_MOST + 2 }; /* those of the list, and those beside it */

/* When the waves of a list pass the middle of the stripe. */
struct passes {
    size_t n;
    double at_s[PASSES_MOST];     /* n, rising */
    double from_s, to_s;          /* looked at */
    double usual_s;               /* from pass to pass, where none is missing between; n >= 2 */
    double uneven;                /* standard deviation of that time over it */
    double at_first_s, at_last_s; /* the usual time near either edge, where the rate may have changed */
    bool lacks_first, lacks_last; /* a wave would have been due between that edge and its nearest pass */
    size_t n_gaps;                /* between passes, in which a wave would have been due */
};

/* Of the list's waves that have a middle, and of those beside it: the first and last may lie beyond what was
 * looked at. */
struct passes passes_of(const struct wave_list *list);

/* How many waves there were from one moment to another, parts of waves counted: straight from pass to pass,
 * and led on at the usual time to the edges of what was looked at, by half a wave at the most where one would
 * have been due. n >= 2. */
double passes_waves(const struct passes *passes, double from_s, double to_s);

/* Standard error, in waves, of that number for the whole time that was looked at: of the crests and the
 * edges. n >= 2. */
double passes_error(const struct passes *passes);

#endif
