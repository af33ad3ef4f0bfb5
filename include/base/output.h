#ifndef AFTERFLASH_BASE_OUTPUT_H
#define AFTERFLASH_BASE_OUTPUT_H

#include "base/contract.h"
#include "base/error.h"

#include <stdbool.h>
#include <stdio.h>

#ifdef __cplusplus
extern "C" {
#endif

/** A file that appears whole or not at all: it is written under a hidden name
 *  beside its target, and takes the target's name when every byte is on the disk. */
struct output;

/** What to do with a file that is there already. */
enum output_existing { OUTPUT_KEEP, OUTPUT_REPLACE };

/** Begins a file.
 *
 *  out       caller's; set on success; end with output_commit or output_abandon
 *  path      the target; copied
 *  existing  OUTPUT_KEEP: refuse when the target is there, now or at the commit
 *  Errors: ERROR_OUTPUT names the target and the cause; ERROR_MEMORY. */
MUST_CHECK bool output_begin(struct output **out, const char *path, enum output_existing existing,
                             struct error **err);

/** Where to write; borrowed, binary, fully buffered. NULL once the file is finished. */
FILE *output_stream(struct output *out);

/** The hidden name, for a library that opens its files itself; it ends like the
 *  target, extension included. Such a writer must not replace the file by another. Borrowed. */
const char *output_partial_path(const struct output *out);

/** Checks every write so far, puts the bytes on the disk and closes, without taking
 *  the target's name yet: so several files can appear together. Does nothing the second time. */
MUST_CHECK bool output_finish(struct output *out, struct error **err);

/** Finishes the file and gives it the target's name.
 *  Ends the output in every case; on failure the target is as it was before. */
MUST_CHECK bool output_commit(struct output **out, struct error **err);

/** Ends an output without a trace; accepts NULL, leaves NULL. */
void output_abandon(struct output **out);

#ifdef __cplusplus
}
#endif

#endif
