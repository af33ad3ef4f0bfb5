#ifndef AFTERFLASH_MEASURE_CREST_LINE_INTERNAL_H
#define AFTERFLASH_MEASURE_CREST_LINE_INTERNAL_H

#include "measure/crests.h"
#include "measure/transfer.h"

#include <stdbool.h>
#include <stddef.h>

/* How the crest of one wave ran along the stripe: one line of time against position, or two that meet. */
struct crest_line {
    enum wave_direction direction; /* never mixed */
    bool has_speed;
    double speed_per_s; /* unit of the positions */
    bool is_bent;       /* two lines, that meet at `meeting` */
    double meeting;     /* place, in parts of the spacing */
    double at_s;        /* crest at `meeting`, or at place 0 of one line */
    double slope[2];    /* seconds a place, before and behind the meeting */
};

/* Fits them to a track, which has crests at three places or more. A direction is told where the slope (of two
 * lines either) is more than three standard errors from none, a speed where it is known to a fifth; neither
 * where less than 8 mm were seen. Two lines that meet may each be as short as a patch is wide, and then tell
 * no speed. */
struct crest_line crest_line_fit(const struct crest_track *track, double spacing_mm);

/* The crest's time at a place, seconds since the first sample. */
double crest_line_at(const struct crest_line *line, double place);

#endif
