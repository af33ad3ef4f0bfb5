#ifndef AFTERFLASH_IMAGE_SURVEY_INTERNAL_H
#define AFTERFLASH_IMAGE_SURVEY_INTERNAL_H

#include "image/survey.h"

/** The frame is looked at through a grid of blocks, so that a clock or a label that changes stays in few of
 * them. */
enum { SURVEY_BLOCKS_X = 12, SURVEY_BLOCKS_Y = 9, SURVEY_BLOCKS = SURVEY_BLOCKS_X * SURVEY_BLOCKS_Y };

/** Differences of blocks are kept in eighths of a grey level, saturating at 255/8. */
enum { SURVEY_DIFFERENCE_STEPS = 8 };

/** What is kept of each frame: a quarter of a kilobyte. */
struct survey_row {
    double time_s;
    float change;    /* mean |difference| of the samples to the frame before */
    float structure; /* share of the long still bright marks that changed; 0 where not looked at */
    uint8_t mean[SURVEY_BLOCKS];       /* mean luma of each block */
    uint8_t difference[SURVEY_BLOCKS]; /* mean |difference| to the frame before, SURVEY_DIFFERENCE_STEPS a
                                          level */
};

/** Sums over time of every pixel, over a spread of frames that thins out as the loop grows. */
struct survey_planes {
    int width_px;
    int height_px;
    size_t n_seen;    /* frames offered */
    size_t n_taken;   /* frames summed */
    size_t step;      /* every step-th frame offered is taken, with weight step */
    double weight;    /* sum of the weights */
    uint32_t *sum;    /* of weight x luma */
    uint64_t *square; /* of weight x luma squared */
    uint8_t *highest;
    uint8_t *lowest;
    uint8_t *colour; /* NULL until a frame has colour */
};

/** Takes a frame into the sums. Errors: ERROR_MEMORY. */
MUST_CHECK bool survey_planes_add(struct survey_planes *planes, const struct frame *frame,
                                  struct error **err);

/** Moves what was summed into the planes of a survey, replacing them. Errors: ERROR_MEMORY. */
MUST_CHECK bool survey_planes_finish(struct survey_planes *planes, struct survey *survey, struct error **err);

/** Frees the sums; accepts NULL. */
void survey_planes_free(struct survey_planes *planes);

/** The tint of the grey map: the median colourfulness (0..255) where the mask is set; 0 where it is empty.
 *
 *  mask  width x height, each standing for the top-left of reduction x reduction pixels of the survey, which
 *        has colour */
int survey_tint(const struct survey *survey, const uint8_t *mask, int width, int height, int reduction);

/** A survey on its way: frames are added one by one. */
struct survey_builder;

/** Starts a survey. Errors: ERROR_MEMORY. End with survey_abandon or survey_finish. */
MUST_CHECK bool survey_begin(struct survey_builder **builder, struct error **err);

/** Adds the next frame of the loop; the frame is borrowed. Errors: ERROR_INPUT when its
 *  size is not that of the first; ERROR_MEMORY. */
MUST_CHECK bool survey_add(struct survey_builder *builder, const struct frame *frame, struct error **err);

/** Judges what was added and ends the builder (sets it NULL), also on failure.
 *
 *  has_clock  false: the times of the frames are not seconds; rate, duration, freezes
 *             in seconds and dropped frames are then not told (0)
 *  Errors: ERROR_INPUT when no frame was added; ERROR_MEMORY. */
MUST_CHECK bool survey_finish(struct survey **survey, struct survey_builder **builder, bool has_clock,
                              struct error **err);

/** Ends a builder; accepts NULL, leaves NULL. */
void survey_abandon(struct survey_builder **builder);

/** Fills rate, duration, gaps and dropped frames from the times. Errors: ERROR_MEMORY. */
MUST_CHECK bool survey_judge_clock(struct survey *survey, bool has_clock, struct error **err);

/** Fills brightness, repeats, gain and stretches from the rows, and their sentences. Errors: ERROR_MEMORY. */
MUST_CHECK bool survey_judge_rows(struct survey *survey, const struct survey_row *rows, bool has_clock,
                                  struct error **err);

/** Finds the blocks where the picture lives: those that change from frame to frame as
 *  speckle does; where nothing ever changes, those that are not black.
 *
 *  live   SURVEY_BLOCKS values: the usual change of a block, grey levels; 0 where it is none of the picture's
 *  still  SURVEY_BLOCKS values: true for blocks with marks in them that stay as they are
 *  Returns how many blocks live; 0: the whole loop is one still picture. */
size_t survey_live_blocks(float *live, bool *still, const struct survey_row *rows, size_t n);

/** Marks repeats and tells freezes. Errors: ERROR_MEMORY. */
MUST_CHECK bool survey_judge_repeats(struct survey *survey, const struct survey_row *rows, bool has_clock,
                                     const float *live, const bool *still, struct error **err);

/** Finds sudden lasting changes of the whole picture: gain steps and changes of
 *  geometry; fills gain and stretches. Errors: ERROR_MEMORY. */
MUST_CHECK bool survey_judge_steps(struct survey *survey, const struct survey_row *rows, const float *live,
                                   struct error **err);

#endif
