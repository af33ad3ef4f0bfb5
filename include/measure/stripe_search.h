#ifndef AFTERFLASH_MEASURE_STRIPE_SEARCH_H
#define AFTERFLASH_MEASURE_STRIPE_SEARCH_H

#include "base/contract.h"
#include "base/error.h"
#include "image/raster.h"
#include "measure/transients.h"

#include <stdbool.h>
#include <stddef.h>

/** How a stripe shows: brighter than the myometrium throughout, or three bright lines with dark between. */
enum stripe_look { STRIPE_BRIGHT, STRIPE_TRIPLE_LINE };

/** A curve that may be an endometrial stripe. */
struct stripe_candidate {
    enum stripe_look look;
    bool is_middle_lost;   /* a triple line whose middle one may be lost in places */
    size_t n;              /* places on the curve */
    double (*place_mm)[2]; /* n pairs x, y, STRIPE_STEP_MM apart; owned */
    double half_mm;        /* half thickness that it was found with; 0: not known */
    double aside_mm;       /* how far aside of it the centre line may lie */
    double
        score; /* sum along the curve of (answer in robust standard deviations, less what chance answers) */
};

/** Distance between places of a candidate. */
#define STRIPE_STEP_MM 3.0

enum { STRIPE_MOST_CANDIDATES = 136 };

/** Places that the stripe is likely to run through: where bubbles or a catheter came or went. */
struct stripe_seeds {
    size_t n;
    double place_mm[TRANSIENTS_MOST_PLACES][2];
    const struct transients *transients; /* borrowed; not looked at when there are no places */
};

/** Looks for long, gently bent bands with two walls.
 *
 *  picture   mean picture, square pixels of `pixel_mm`
 *  window    same size, 0..1: where there is picture
 *  seeds     may be none; arcs through them are tried too
 *  found     STRIPE_MOST_CANDIDATES entries, in no order that matters; each ended by stripe_candidate_free
 *  n_found   how many
 *  Dynamic programming joins places that answer well (see measure/stripe_answers.h) and whose directions
 *  agree, for each look and half thickness and for all of them together, at a low and at a high bar.
 *  Errors: ERROR_MEMORY. */
MUST_CHECK bool stripe_search(const struct raster *picture, const struct raster *window, double pixel_mm,
                              const struct stripe_seeds *seeds, struct stripe_candidate *found,
                              size_t *n_found, struct error **err);

/** Share of the places of curve a (n_a pairs x, y in millimetres) that lie within 5 mm of one of curve b, 0
 * to 1. */
double stripe_candidate_share_near(const double (*a_mm)[2], size_t n_a, const double (*b_mm)[2], size_t n_b);

/** Frees what a candidate holds; accepts NULL. */
void stripe_candidate_free(struct stripe_candidate *candidate);

#endif
