#ifndef AFTERFLASH_SYNTH_SYNTH_H
#define AFTERFLASH_SYNTH_SYNTH_H

#include "base/contract.h"
#include "base/error.h"
#include "base/output.h"
#include "synth/recipe.h"

/** A loop to be made. */
struct synth_request {
    struct recipe recipe;
    const char *path; /* .mp4, .avi, .mkv or .dcm; the truth goes beside it, as NAME.truth.json */
    enum output_existing existing;
    void (*progress)(void *context, const char *file, double fraction); /* may be NULL */
    void *progress_context;
};

/** Makes a loop and its truth. Both files appear, or neither: the truth is committed last.
 *  Same request, same bytes. Errors: ERROR_USAGE for a recipe or a suffix that cannot be;
 *  ERROR_OUTPUT; ERROR_MEMORY. */
MUST_CHECK bool synth_make(const struct synth_request *request, struct error **err);

#endif
