#ifndef AFTERFLASH_MEASURE_LOOP_MEASURE_H
#define AFTERFLASH_MEASURE_LOOP_MEASURE_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/transfer.h"

#include <stdbool.h>

/** What one loop is measured with. */
struct loop_request {
    double scale_mm_per_px; /* 0: not given */
    bool has_fundus, has_os;
    struct point fundus_px; /* frame pixels, first frame */
    struct point os_px;
    void (*progress)(void *context, double part); /* may be NULL */
    void *progress_context;
};

/** Measures one recording from end to end.
 *
 *  result  overwritten; end with loop_result_free (what the loop says of itself is copied)
 *  loop    newly opened; borrowed, left somewhere behind its first frame
 *  Errors: those of loop_read; ERROR_USAGE for marks outside the picture; ERROR_MEMORY. */
MUST_CHECK bool loop_measure(struct loop_result *result, struct loop *loop,
                             const struct loop_request *request, struct error **err);

#endif
