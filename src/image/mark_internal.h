#ifndef AFTERFLASH_IMAGE_MARK_INTERNAL_H
#define AFTERFLASH_IMAGE_MARK_INTERNAL_H

#include "base/contract.h"
#include "base/error.h"
#include "image/picture.h"
#include "image/survey.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** A small still bright mark; the ruler it may belong to runs along y. */
struct mark {
    int left_px;
    int right_px;
    int top_px;
    int bottom_px;
    double x_px; /* centre, weighted by how much each pixel stands out */
    double y_px;
    double size; /* sum of what stands out, grey levels x px */
};

/** The marks of a frame and the plane they stand on; along a ruler that is upright.
 *  For a lying ruler everything is transposed: x is then the frame's y. */
struct marks {
    int width_px;
    int height_px;
    struct mark *items;
    size_t n;
    uint8_t *strokes; /* every still thin bright thing: text too */
    float *ridges; /* how far each place stands out from what lies before and after it along y, grey levels */
};

/** Finds the still marks that are thin along y. Errors: ERROR_MEMORY. */
MUST_CHECK bool marks_find(struct marks *marks, const struct survey *survey, const struct picture *picture,
                           bool is_transposed, struct error **err);

/** Frees what marks hold; accepts NULL. */
void marks_free(struct marks *marks);

/** A row of evenly spaced marks along y: y = first + spacing k. */
struct lattice {
    int n_hits;
    int n_places;    /* from the first to the last mark, missing ones counted */
    double first_px; /* y of place 0 */
    double spacing_px;
    double residual_px; /* root mean square of what the line leaves */
    double x_px;        /* where the marks are lined up */
    size_t *members;    /* n_places indices into marks, or SIZE_MAX where one is missing; owned */
};

/** Finds the row with the most evenly spaced marks that is no text; n_hits 0: none.
 *
 *  depth_px         of the picture along y: a row must span two fifths of it
 *  left_px, end_px  where the row may stand across: left_px <= x < end_px
 *  End with lattice_free. Errors: ERROR_MEMORY. */
MUST_CHECK bool lattice_find(struct lattice *lattice, const struct marks *marks, double depth_px, int left_px,
                             int end_px, struct error **err);

/** Frees the members; accepts NULL. */
void lattice_free(struct lattice *lattice);

/** Every how many marks a longer one stands: 10, 5, 2, or 0 where all look alike. */
int lattice_major_every(const struct lattice *lattice, const struct marks *marks);

/** Every how many marks a number stands beside one: 1, 2, 5, 10, or 0 where none or no rule is seen. */
int lattice_number_every(const struct lattice *lattice, const struct marks *marks);

#endif
