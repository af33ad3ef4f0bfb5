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

/** Does a line of text go on beside a mark, at its height? A number is no line. */
bool marks_has_text_beside(const struct marks *marks, const struct mark *mark);

/** The strongest ridge near a place, within reach_x and reach_y of it. */
float marks_ridge_at(const struct marks *marks, double x_px, double y_px, int reach_x, int reach_y);

/** Frees what marks hold; accepts NULL. */
void marks_free(struct marks *marks);

/** Most places of a row to one side of the mark it is begun with. */
enum { LATTICE_PLACES_MAX = 600 };

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

/** Is a row of marks a ruler? Even enough, long enough, of like marks, none missing, nothing
 *  between them and no text beside.
 *
 *  members   n_places marks, NULL where one is missing
 *  depth_px  of the picture along the row */
bool lattice_is_ruler(const struct lattice *lattice, const struct marks *marks,
                      const struct mark *const *members, double depth_px);

/** Divides a row of which only every second, fifth ... tick was strong enough to be a mark:
 *  else the scale were a multiple of the truth. */
void lattice_divide(struct lattice *lattice, const struct marks *marks);

/** Every how many marks a longer one stands: 10, 5, 2, or 0 where all look alike. */
int lattice_major_every(const struct lattice *lattice, const struct marks *marks);

/** Every how many marks a number stands beside one: 1, 2, 5, 10, or 0 where none or no rule is seen. */
int lattice_number_every(const struct lattice *lattice, const struct marks *marks);

#endif
