#ifndef AFTERFLASH_MEASURE_STRIPE_PATHS_H
#define AFTERFLASH_MEASURE_STRIPE_PATHS_H

#include "base/contract.h"
#include "measure/stripe_answers.h"
#include "measure/stripe_search.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** A place of the grid that a path has reached in one heading. */
struct stripe_path_node {
    float value;     /* best sum of gains, less the cost of turns, of a path that ends here */
    uint32_t state;  /* place and heading */
    uint32_t before; /* node that it was reached from */
};

/** Room for the search; keeps its memory from one search to the next. All zero is empty. */
struct stripe_paths {
    struct stripe_path_node *node; /* owned */
    size_t n, room;
    uint32_t *newest; /* of each state: its newest node; owned */
};

/** Gain below which a place is not crossed by a path. */
#define STRIPE_WORST_GAIN (-2.0F)

/** The path with the highest sum: at most 28 places STRIPE_STEP_MM apart, each a little turned from the last.
 *
 *  gain        ANSWER_ANGLES x rows x columns of `answers`: answer less what a step costs
 *  candidate   place_mm, n and score are set; n is 0 when no place has a gain above 0
 *  Dynamic programming over place and heading (48 to a whole turn) that keeps only what has a sum above 0: a
 *  path whose beginning sums to less is worth more without it. False when memory ran out. */
MUST_CHECK bool stripe_paths_best(struct stripe_paths *paths, const struct stripe_answers *answers,
                                  const float *gain, struct stripe_candidate *candidate);

/** Frees what it holds; accepts NULL. */
void stripe_paths_free(struct stripe_paths *paths);

#endif
