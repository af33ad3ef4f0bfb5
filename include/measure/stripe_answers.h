#ifndef AFTERFLASH_MEASURE_STRIPE_ANSWERS_H
#define AFTERFLASH_MEASURE_STRIPE_ANSWERS_H

#include "base/contract.h"
#include "base/error.h"
#include "image/raster.h"

#include <stdbool.h>

enum {
    ANSWER_ANGLES = 24, /* over half a turn */
    ANSWER_HALVES = 5,
    ANSWER_KINDS = 2 * ANSWER_HALVES, /* bright bars of each half thickness, then triple lines of each */
};

/** Spacing of the places that are asked. */
#define ANSWER_GRID_MM 1.5

/** The half thicknesses that are tried. */
extern const double ANSWER_HALVES_MM[ANSWER_HALVES];

/** How much each place of a picture looks like a piece of stripe, by direction and thickness. */
struct stripe_answers {
    int columns, rows; /* of the grid of places; place (c, r) lies at ((c, r) + 0.5) * ANSWER_GRID_MM */
    float *value;      /* ANSWER_KINDS x ANSWER_ANGLES x rows x columns, robust standard deviations; owned;
                          below -90 where there is no picture */
    float nothing[ANSWER_KINDS]; /* the answer of a place without contrast */
};

/** Asks every place.
 *
 *  picture, window  mean picture and where there is picture, square pixels of `pixel_mm`
 *  answers          overwritten; end with stripe_answers_free
 *  An elongated Gaussian mean along each direction gives cross profiles. A bright bar or a triple line is
 *  matched against them and measured against how uneven its own two sides are: myometrium beside a stripe
 *  is even, the bands of other tissue lie among more of their kind.
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool stripe_answers_make(struct stripe_answers *answers, const struct raster *picture,
                                    const struct raster *window, double pixel_mm, struct error **err);

/** Frees what it holds; accepts NULL. */
void stripe_answers_free(struct stripe_answers *answers);

#endif
