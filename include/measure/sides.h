#ifndef AFTERFLASH_MEASURE_SIDES_H
#define AFTERFLASH_MEASURE_SIDES_H

#include "base/contract.h"
#include "base/error.h"
#include "base/quantity.h"
#include "measure/contraction.h"
#include "measure/rate_course.h"
#include "measure/wave_list.h"

#include <stdbool.h>

/** One side of a moment. */
struct side {
    bool is_there; /* some of the time that was looked at lies on this side */
    struct rate_window rate;
    struct quantity amplitude; /* in the unit of the trace; with interval where the whole's has one */
};

/** What parts a trace: nothing between from_s and to_s belongs to either side; they may be one moment. */
struct parting {
    double from_s, to_s;
};

/** Contractions before and after, and after minus before. */
struct sides {
    struct side before, after;
    struct quantity rate_difference; /* with interval */
    struct quantity amplitude_difference;
};

/** Measures both sides of what parts a trace.
 *
 *  Each side's frequency is told as in a window of rate_course_make, from what that side alone shows; the
 *  interval of the difference is that of two independent estimates: Zou and Donner, Stat. Med. 27:1693-1702,
 *  2008 (from memory). Amplitudes are read in one band and with one share of the walls' motion on both sides;
 *  what the places differ in, and what they share, is the same before and after, so the interval of the
 *  difference rests on how the differences of the places scatter.
 *
 *  whole   of contraction_measure, of all of the trace; list of wave_list_make
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool sides_measure(struct sides *sides, const struct wave_trace *trace, struct parting parting,
                              const struct wave_result *whole, const struct wave_list *list,
                              struct error **err);

/** after - before of two independent numbers with intervals, as above; unknown unless both have one. */
struct quantity sides_difference(struct quantity before, struct quantity after);

/** Whether the walls move otherwise from one moment to another than in the rest of the time that was looked
 *  at: their quick motion, what a wave cannot do, is half as large again in the median place, or they are
 *  trusted less there. */
bool sides_are_disturbed(const struct wave_trace *trace, double from_s, double to_s);

#endif
