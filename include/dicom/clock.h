#ifndef AFTERFLASH_DICOM_CLOCK_H
#define AFTERFLASH_DICOM_CLOCK_H

#include "base/contract.h"
#include "base/error.h"
#include "base/text.h"
#include "dicom/dataset.h"

#include <stdbool.h>
#include <stddef.h>

/** When the frames of a data set were taken, by what its attributes say. {0} knows nothing. */
struct clock {
    bool is_known;
    double step_s;   /* between frames, where times_s is NULL */
    double *times_s; /* of each frame, the first 0; or NULL */
    size_t n_times;
    bool has_start;             /* start_s is known */
    double start_s;             /* of the first frame, local time as if UTC, seconds since 1970 */
    double declared_duration_s; /* Effective Duration; -1 where absent */
};

/** Reads the clock. The attribute that Frame Increment Pointer names counts: Frame Time
 *  Vector or Frame Time, in ms (PS3.3, C.7.6.5 and C.7.6.6); else whichever of the two is
 *  there; else Cine Rate, else Recommended Display Frame Rate, with a sentence. A value that
 *  cannot be (zero, negative, below 1 ms or above 2 s, too few) gives no clock and a sentence saying which
 * value it was. Other rates, Effective Duration and the heart rate are compared; more than 2 % (heart rate 20
 * %) apart gives a sentence, Effective Duration more than 20 % apart gives no clock. It may span the frames
 * that are declared or those that are there: of a file that ends early it was written for the former.
 *
 *  n_frames    frames that are there, or that are declared; one frame needs no clock
 *  n_declared  Number of Frames; -1 where the file does not say
 *  problems    gains sentences. Errors: ERROR_MEMORY. End with clock_free also after a failure. */
MUST_CHECK bool clock_read(struct clock *clock, const struct dataset *dataset, size_t n_frames,
                           long n_declared, struct text_list *problems, struct error **err);

/** Seconds of a frame from the first; its index where the clock is not known. Beyond the
 *  last known time it goes on by the mean step. */
double clock_time_s(const struct clock *clock, size_t index);

/** Seconds since 1970 of a DICOM date and time ("20240131" or "2024.01.31", "134559.25" or
 *  "13:45:59"), as if they were UTC. False for what is no date or no time of day. */
bool clock_parse(const char *date, const char *time, double *seconds);

/** Frees what it holds; accepts NULL. */
void clock_free(struct clock *clock);

#endif
