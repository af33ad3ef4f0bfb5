#ifndef AFTERFLASH_MEASURE_TRANSIENTS_H
#define AFTERFLASH_MEASURE_TRANSIENTS_H

#include "base/contract.h"
#include "base/error.h"
#include "image/canvas.h"
#include "image/raster.h"
#include "motion/tissue.h"

#include <stdbool.h>
#include <stddef.h>

/** What came or went: a catheter, bubbles. Square pixels of pixel_mm in the place of key 0; 0 where some key
 *  shows no picture. Both NULL where there are too few keys to tell. */
struct transients {
    double pixel_mm;
    struct raster *level;  /* how far each place, carried with the tissue, shone above what is usual there for
                              about five seconds, in robust standard deviations of the same over the picture: a
                              catheter and bubbles stand out by ten and more; speckle, breathing and walls that
                              move stay below six or so */
    struct raster *excess; /* how much of the mean over all keys is owed to that, grey levels, >= 0 */
};

/** Strength from which a place counts as having been visited, and that counts fully. */
#define TRANSIENTS_LEAST 6.0
#define TRANSIENTS_FULL 9.0

/** Makes them; window is the canvas window, 0..1: where there is picture. End with transients_free.
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool transients_make(struct transients *transients, const struct tissue *tissue,
                                const struct canvas *canvas, const struct raster *window, double pixel_mm,
                                struct error **err);

/** How much came or went: square millimetres of full strength; 0 where it cannot be told. */
double transients_mm2(const struct transients *transients);

/** What a pixel of `level` counts for, the same unit. */
double transients_strength_mm2(const struct transients *transients, size_t pixel);

/** Where a pixel of `level` lies, millimetres. */
void transients_place(const struct transients *transients, size_t pixel, double place_mm[2]);

/** Whether something came or went within a millimetre of a place. */
bool transients_touch(const struct transients *transients, const double place_mm[2]);

enum { TRANSIENTS_MOST_PLACES = 3 };

/** Places that something came to, in millimetres: the one where it shone most, as bubbles do, then both ends
 * of what is joined to that, drawn in a little, where they lie apart from it: a shaft has a tip.
 *
 *  Returns how many, 0 to TRANSIENTS_MOST_PLACES; 0 also where memory runs out. */
size_t transients_places(const struct transients *transients, double (*place_mm)[2]);

/** Frees what they hold; accepts NULL. */
void transients_free(struct transients *transients);

#endif
