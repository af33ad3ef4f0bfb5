#ifndef AFTERFLASH_MEASURE_WITNESS_INTERNAL_H
#define AFTERFLASH_MEASURE_WITNESS_INTERNAL_H

#include "measure/wave_list.h"

/* The list of waves as a witness: it shares nothing with the phase of the motion but the motion itself.
 *
 * list    of wave_list_make of the same trace and result
 * length  of the places that are followed, in the unit of the trace */

/* Whether waves that were told to run one way have one among them that was clearly seen to run the other way,
 * along half of the places and more; false where nothing was told to run one way. */
bool witness_sees_other_way(const struct wave_list *list, const struct wave_result *result, double length);

/* Puts the list's number of waves beside the frequency: the better known of both weighs more, and the
 * interval holds both. Sets n_this_way too. */
void witness_join(const struct wave_list *list, struct wave_result *result);

#endif
