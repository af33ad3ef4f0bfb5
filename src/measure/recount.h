#ifndef AFTERFLASH_MEASURE_RECOUNT_INTERNAL_H
#define AFTERFLASH_MEASURE_RECOUNT_INTERNAL_H

#include "base/contract.h"
#include "measure/even.h"
#include "measure/wave_list.h"

/* Holds a list of waves against the movement that is not filtered. Listed waves at which neither the cycles
 * (cycles.h) nor the usual wave (usual_wave.h) show half of a usual one are left out: there a filter rings.
 * Beside the first and the last wave that lie well within the trace, the pass is looked for that an edge cuts
 * off, within the trace or beyond it: a listed one there gets its time, or loses its middle; any other is
 * added to list->beside_s, as are those between two waves that the list lacks. n_middle, beside_s, n_beside
 * and is_edge_told are set; list->beside_s has room for WAVE_LIST_MOST + 2. Nothing but n_middle where the
 * waves have no way or velocity that is told, or hardly any is seen whole. False when memory ran out. */
MUST_CHECK bool recount(struct wave_list *list, const struct even *even, double spacing,
                        const struct wave_result *result);

#endif
