#ifndef AFTERFLASH_MEASURE_FADE_INTERNAL_H
#define AFTERFLASH_MEASURE_FADE_INTERNAL_H

#include "base/contract.h"
#include "measure/even.h"

/* How the motion of a wall fades with the distance from it, and what share of it a patch reads that averages
 * over some millimetres.
 *
 * Within the stripe the motion falls in a straight line from one wall to the other, for the middle stays;
 * outside it falls to 1/e in fade_mm, which is read from tissue beside the walls. */

/* Share of the wall's motion, at a stripe half half_mm thick, that a patch with its centre away_mm outward of
 * the wall reads. */
double fade_share(const struct wave_trace *trace, double half_mm, double away_mm, double fade_mm);

/* Finds fade_mm: the one with which the tissue beside the walls moves as much less than the walls as it does,
 * by patches on both.
 *
 *  even      walls, with their band filled
 *  beside    the tissue beside them on the same grid, with its band filled; one row a pair
 *  fade_mm   set when true is returned
 *  False when too few pairs could be followed. */
bool fade_estimate(const struct wave_trace *trace, const struct even *even, const struct even *beside,
                   double *fade_mm);

#endif
