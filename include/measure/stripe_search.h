#ifndef AFTERFLASH_MEASURE_STRIPE_SEARCH_H
#define AFTERFLASH_MEASURE_STRIPE_SEARCH_H

#include "base/contract.h"
#include "base/error.h"
#include "image/raster.h"

#include <stdbool.h>
#include <stddef.h>

/** How a stripe shows: brighter than the myometrium throughout, or three bright lines with dark between. */
enum stripe_look { STRIPE_BRIGHT, STRIPE_TRIPLE_LINE };

/** A curve that may be an endometrial stripe. */
struct stripe_candidate {
    enum stripe_look look;
    size_t n;              /* places on the curve */
    double (*place_mm)[2]; /* n pairs x, y, STRIPE_STEP_MM apart; owned */
    double half_mm;        /* half thickness that it was found with */
    double
        score; /* sum along the curve of (answer in robust standard deviations, less what chance answers) */
};

/** Distance between places of a candidate. */
#define STRIPE_STEP_MM 3.0

enum { STRIPE_MOST_CANDIDATES = 16 };

/** Looks for long, gently bent bands with two walls.
 *
 *  picture   mean picture, square pixels of `pixel_mm`
 *  window    same size, 0..1: where there is picture
 *  found     STRIPE_MOST_CANDIDATES entries; best first; each ended by stripe_candidate_free
 *  n_found   how many
 *  Each orientation's elongated Gaussian mean gives cross profiles; a bright bar or a
 *  triple line of each half thickness is matched against them, scaled by the picture's own
 *  spread of answers; dynamic programming then joins places whose orientation agrees.
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool stripe_search(const struct raster *picture, const struct raster *window, double pixel_mm,
                              struct stripe_candidate *found, size_t *n_found, struct error **err);

/** Frees what a candidate holds; accepts NULL. */
void stripe_candidate_free(struct stripe_candidate *candidate);

#endif
