#include "commands/synth.h"

/* Holds the row's place until the generator is there. */
static bool synth_run(const void *settings, char *const *operands, size_t n_operands, struct error **err)
{
    (void)settings;
    (void)operands;
    (void)n_operands;
    return error_set(err, ERROR_USAGE, "synth is not built yet");
}

const struct command synth_command = {
    .name = "synth",
    .operands = "FILE",
    .summary = "write a synthetic loop with its truth",
    .details = "Writes a synthetic loop.",
    .run = synth_run,
};
