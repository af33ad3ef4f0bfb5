#ifndef AFTERFLASH_MEASURE_RATE_COURSE_H
#define AFTERFLASH_MEASURE_RATE_COURSE_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/contraction.h"
#include "measure/wave_list.h"

#include <stdbool.h>
#include <stddef.h>

/** Between the beginnings of two windows, seconds. Common practice, no source. */
#define RATE_COURSE_STEP_S 10.0

/** The frequency in one window of time. */
struct rate_window {
    double from_s, to_s; /* on the clock of the trace */
    bool has_rate;
    double per_min, low_per_min, high_per_min; /* 95 % */
    const char *why;                           /* a sentence (literal) where it has none, else NULL */
};

/** How the frequency went in time. */
struct rate_course {
    double window_s;            /* of each window */
    struct rate_window *window; /* n, in the order of time; owned */
    size_t n;
    double *power; /* n x SPECTROGRAM_FREQUENCIES, (unit of the trace)^2 per (1/min), one-sided; owned */
};

/** Measures one window, whose from_s and to_s are set, as rate_course_make does; the rest of it is set.
 *
 *  alone   of contraction_measure in the window; overwritten
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool rate_window_measure(struct rate_window *window, struct wave_result *alone,
                                    const struct wave_trace *trace, const struct wave_result *whole,
                                    const struct wave_list *list, struct error **err);

/** Measures the frequency in windows that move over the time that was looked at, and the spectrum in each.
 *
 *  A window lasts 60 s, the least that allows a frequency, and longer where the waves are rare: three of
 *  them, up to two minutes. In each the whole measurement is made anew, as if there were no more of the
 *  loop; none reaches beyond the stretch that was looked at. Beside it stands how many waves of the list
 *  passed the middle of the stripe in the window, parts of waves counted. The mean of both is told, and its
 *  interval takes in how far they are apart: the one is drawn toward what goes on longest where the rate
 *  changes within a window, the other misses weak waves.
 *
 *  trace   that result was measured from
 *  result  of contraction_measure; nothing is told where its verdict is CONTRACTIONS_NOT_ASSESSABLE. No
 * window has a rate where its verdict is not CONTRACTIONS_MEASURED or it has no frequency; their spectra are
 *          there.
 *  list    of wave_list_make
 *  course  overwritten; end with rate_course_free
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool rate_course_make(struct rate_course *course, const struct wave_trace *trace,
                                 const struct wave_result *result, const struct wave_list *list,
                                 struct error **err);

/** Frees what it holds and empties it; accepts NULL. */
void rate_course_free(struct rate_course *course);

#endif
