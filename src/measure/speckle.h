#ifndef AFTERFLASH_MEASURE_SPECKLE_INTERNAL_H
#define AFTERFLASH_MEASURE_SPECKLE_INTERNAL_H

#include "base/contract.h"
#include "measure/follow.h"

#include <stdbool.h>
#include <stddef.h>

/* What bubbles add to the straightened stripe at moments a quarter of a second apart, and how a piece of that
 * pattern is found again at another moment. */

enum { SPECKLE_MOST_MOMENTS = 400 };

/* A moment. Rows and columns are those of the strip. */
struct speckle_moment {
    double time_s;
    double row, column; /* about where the piece lies that is looked for in others; the caller's */
};

struct speckle {
    size_t n_rows, n_columns;
    size_t n;                      /* moments, in the order of time */
    struct speckle_moment *moment; /* n; owned */
    float *excess; /* n x n_rows x n_columns: grey levels above what the place shows without bubbles; owned */
    float *weight; /* of the places of a piece, rows x columns; owned */
};

/* How a piece was found again. */
struct speckle_match {
    double rows, columns; /* moved by */
    double correlation;   /* -1..1 */
};

/* Takes the moments from one analysed frame to another: those in which there are frames. Without bubbles a
 * place shows its mean over the frames before `onset`; where these last less than two seconds, the darkest
 * fifth of the moments. False when memory ran out; end with speckle_free either way. */
MUST_CHECK bool speckle_make(struct speckle *speckle, const struct follow *follow, size_t first, size_t last,
                             size_t onset);

/* Looks in moment `to` for what lies about the place of moment `from`, within reach_mm along the stripe of a
 * guess (rows and columns moved by). False where nothing is alike, or nothing as strong, or two places are.
 */
MUST_CHECK bool speckle_find(const struct speckle *speckle, size_t from, size_t to,
                             const struct speckle_match *guess, double reach_mm, struct speckle_match *match);

void speckle_free(struct speckle *speckle);

#endif
