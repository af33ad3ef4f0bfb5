#ifndef AFTERFLASH_IMAGE_SURVEY_H
#define AFTERFLASH_IMAGE_SURVEY_H

#include "base/contract.h"
#include "base/error.h"
#include "base/text.h"
#include "media/loop.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Frames [first, end) of a loop between which picture geometry (depth, zoom, layout) stays the same. */
struct stretch {
    size_t first;
    size_t end;
};

/** What one pass over a loop tells, before anything is looked for.
 *
 *  Planes are width_px x height_px, row-major. Statistics over time are taken
 *  over a spread of at most a few hundred frames; per-frame arrays have
 *  n_frames entries, one per frame read. */
struct survey {
    int width_px;
    int height_px;
    size_t n_frames;
    double *time_s;    /* presentation time of each frame */
    float *brightness; /* mean luma of the picture, 0..255 */
    float *change;     /* mean |difference| of a reduced picture to the frame before; 0 for the first */
    bool *is_repeat;   /* frame shows the same picture as the one before (within coding noise) */
    float *gain; /* luma factor relative to the loop's usual level, 1 = usual; steps found and reported */
    float *mean; /* plane: mean luma over time */
    float *deviation;          /* plane: standard deviation of luma over time */
    uint8_t *highest;          /* plane: largest luma over time */
    uint8_t *lowest;           /* plane: smallest luma over time */
    uint8_t *colour;           /* plane: largest colourfulness over time; NULL for a grey loop */
    struct stretch *stretches; /* longest first */
    size_t n_stretches;
    double frozen_s;           /* total time in repeats that last >= 0.5 s */
    long dropped_frames;       /* frames missing from an otherwise regular clock */
    double frame_rate_hz;      /* (n_frames - 1) / (last time - first time); 0 for a still */
    double duration_s;         /* last time - first time + one usual frame step; 0 for a still */
    double largest_gap_s;      /* largest step between two frames */
    struct text_list problems; /* sentences: frozen stretches, dropped frames, gain steps, geometry changes */
};

/** Reads a loop from its start to its end and surveys it.
 *
 *  survey  caller's; set on success; end with survey_free
 *  Errors: what loop_read says; ERROR_INPUT when no frame could be read; ERROR_MEMORY. */
MUST_CHECK bool survey_make(struct survey **survey, struct loop *loop, struct error **err);

/** The same; on the way `show` is called with every frame, in order (borrowed for the call). It may stop the
 *  survey by returning false with *err set. */
MUST_CHECK bool survey_make_showing(struct survey **survey, struct loop *loop,
                                    bool (*show)(void *context, const struct frame *frame,
                                                 struct error **err),
                                    void *context, struct error **err);

/** Ends a survey; accepts NULL, leaves NULL. */
void survey_free(struct survey **survey);

#endif
