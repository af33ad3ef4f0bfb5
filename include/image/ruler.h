#ifndef AFTERFLASH_IMAGE_RULER_H
#define AFTERFLASH_IMAGE_RULER_H

#include "base/contract.h"
#include "base/error.h"
#include "base/text.h"
#include "image/picture.h"
#include "image/survey.h"

#include <stdbool.h>

/** A depth ruler burned into the frame beside or over the picture. */
struct ruler {
    bool is_found;
    bool is_vertical;
    double spacing_px;       /* between neighbouring minor ticks, sub-pixel */
    double major_spacing_px; /* between major ticks; 0 where all ticks look alike */
    int n_ticks;
    double mm_per_px;      /* 0 when not found */
    bool is_assumed;       /* centimetre ticks were assumed: no second cue said so */
    struct point first_px; /* the two ends of the row of ticks */
    struct point last_px;
    struct text_list reasons; /* sentences: what was assumed, what contradicted, why none */
};

/** Looks for a row of evenly spaced, still tick marks and tells millimetres per pixel
 *  from their spacing. `*ruler` is overwritten; end with ruler_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool ruler_find(struct ruler *ruler, const struct survey *survey, const struct picture *picture,
                           struct error **err);

/** Frees what a ruler holds; accepts NULL. */
void ruler_free(struct ruler *ruler);

#endif
