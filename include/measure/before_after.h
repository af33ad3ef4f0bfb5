#ifndef AFTERFLASH_MEASURE_BEFORE_AFTER_H
#define AFTERFLASH_MEASURE_BEFORE_AFTER_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/transfer.h"

#include <stdbool.h>
#include <stddef.h>

/** Contractions before the deposit and after it over all loops of a transfer.
 *
 *  contractions  of the transfer; its before_after is overwritten, whatever it held
 *  loops         n_loops, in the order in which they were recorded; borrowed
 *  deposit_loop  index of the loop that the deposit was measured in
 *
 *  The loop of the deposit speaks for either side that it can. A side without a frequency in it is that of
 *  the whole loop nearest in time that has one, ended before the loop of the deposit began (or began after it
 * had ended), and lies within a day, each by its own clock. Two loops show two planes and two stripes: the
 *  amplitudes' errors are then their own. Errors: ERROR_MEMORY. */
MUST_CHECK bool before_after_join(struct contractions *contractions, const struct loop_result *loops,
                                  size_t n_loops, size_t deposit_loop, struct error **err);

#endif
