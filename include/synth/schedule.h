#ifndef AFTERFLASH_SYNTH_SCHEDULE_H
#define AFTERFLASH_SYNTH_SCHEDULE_H

#include "base/contract.h"
#include "base/error.h"
#include "synth/recipe.h"

#include <stdbool.h>
#include <stddef.h>

/** One frame of the loop to be written. */
struct moment {
    double stamp_s; /* what the file says */
    double scene_s; /* when the scene looked so; less than stamp_s in a frozen stretch */
    bool is_repeat; /* shows the same picture as the frame before */
};

/** When each frame is. */
struct schedule {
    struct moment *moments; /* owned */
    size_t n;
    size_t n_dropped; /* frames missing from the clock */
    bool has_stamps;  /* false: the file cannot tell the times; stamps are then evenly spaced */
};

/** Draws the schedule of a settled recipe.
 *
 *  stamp_hz  stamps are whole multiples of 1/stamp_hz; 0: the file has no stamps
 *  schedule  caller's, overwritten; end with schedule_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool schedule_make(struct schedule *schedule, const struct recipe *recipe, long stamp_hz,
                              struct error **err);

/** Frees what a schedule holds; accepts NULL. */
void schedule_free(struct schedule *schedule);

#endif
