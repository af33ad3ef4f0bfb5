#ifndef AFTERFLASH_MEASURE_FOLLOW_UPS_H
#define AFTERFLASH_MEASURE_FOLLOW_UPS_H

#include "base/contract.h"
#include "base/error.h"
#include "measure/transfer.h"

#include <stdbool.h>
#include <stddef.h>

/** Where the bubbles lay in the loops after the deposit's.
 *
 *  drift         of the transfer; its follow_ups are set (owned by it) and its reasons grow: what is
 *                withheld here is told there, by the name of the loop
 *  loops         n_loops, in the order in which they were recorded; borrowed
 *  deposit_loop  index of the loop that the deposit was measured in
 *
 *  A loop adds a follow-up when its bubbles were followed. Its distance is taken at the last moment in
 *  which they were seen; minutes_after_deposit is from the instant of the deposit to that moment, each on
 *  its own loop's clock. It is withheld where a loop has no clock, and where the clocks contradict each
 *  other: one machine cannot begin a loop before the one before it has ended. A loop whose clock puts it
 *  before the deposit's is no later loop; what it would add is withheld too.
 *  Without a measured deposit there are no follow-ups. Errors: ERROR_MEMORY. */
MUST_CHECK bool follow_ups_make(struct drift *drift, const struct loop_result *loops, size_t n_loops,
                                size_t deposit_loop, struct error **err);

#endif
