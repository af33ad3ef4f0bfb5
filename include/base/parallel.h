#ifndef AFTERFLASH_BASE_PARALLEL_H
#define AFTERFLASH_BASE_PARALLEL_H

#include <stddef.h>

/** Runs work(context, i) once for each i in [0, n), on up to n_threads threads (0: one for
 *  each core that the process may run on, at most 8). The items must not depend on one another; then the
 * result is the same whatever the number of threads. Returns when all are done. Without threads to be had,
 * the caller's own thread does the work. */
void parallel_run(size_t n, size_t n_threads, void (*work)(void *context, size_t i), void *context);

#endif
