#ifndef AFTERFLASH_MEASURE_TRAIN_INTERNAL_H
#define AFTERFLASH_MEASURE_TRAIN_INTERNAL_H

#include "base/contract.h"
#include "measure/even.h"

static const double TRAIN_FEW = 2.5; /* waves: fewer that come unevenly are no rhythm */
/* Waves between two ways of counting from which on neither is told, and likewise of those counted: more waves
 * leave more to dispute. */
static const double TRAIN_MOST_DISPUTED = 1.5;
static const double TRAIN_DISPUTED_SHARE = 0.3;

/* Waves counted one by one, which needs no steady rhythm: from one crest to the next, and from one trough to
 * the next. Where waves come at uneven intervals their phase slips by whole waves against any steady tone.
 * Counted twice: at each place of the middle of the stripe, where a wave passes whichever way it runs; and,
 * unless waves run either way by turns, in all positions laid over one another as the waves run, where what
 * is no wave fades. A wave that either sees counts: one that runs back is missing along, a weak one place by
 * place.
 *
 *  result  direction, velocity_per_s (has_velocity), frequency_per_min (about which the waves are), its
 * interval and regularity are read. Where the count differs from the frequency by more than three quarters of
 * a wave in the whole loop, the count is set, give or take half a wave (one may be missed at the edges),
 *          a larger one only where the phase scatters as one that slipped does (else noise was counted);
 * otherwise unsteady waves get the mean of both, and an interval that takes in how far both are apart: the
 * count leaves out what comes before the first crest and after the last, the phase counts parts of waves.
 *          Then the swings are counted (swings.h), which alone know of pauses: has_pauses, share and
 * has_frequency are set, and the interval of uneven waves takes in how far that count is off and how much
 * places differ. Left as it is where no count is told. even->band is filled anew. False when memory ran out.
 */
MUST_CHECK bool train_count(struct even *even, double spacing_mm, struct wave_result *result);

#endif
