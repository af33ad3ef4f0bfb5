#ifndef AFTERFLASH_COMMANDS_COMMAND_H
#define AFTERFLASH_COMMANDS_COMMAND_H

#include "base/contract.h"
#include "base/error.h"
#include "commands/options.h"

#include <stdbool.h>
#include <stddef.h>

/** A command of the program: a row of the table in src/commands/table.c. Help, usage and
 *  the man page are made from it, so that they cannot disagree with the parser. */
struct command {
    const char *name;
    const char *operands; /* what follows the options in usage: "LOOP..." */
    const char *summary;  /* one line, no full stop */
    const char *details;  /* paragraphs for help and man page, separated by an empty line; lines <= 78 */
    const struct option_row *options;
    size_t n_options;
    const void *defaults; /* settings_bytes of settings before the command line is read */
    size_t settings_bytes;

    /** Does the work. settings and operands are borrowed. May write to stdout; says nothing on
     *  stderr but progress: an error travels up and main prints it once. */
    bool (*run)(const void *settings, char *const *operands, size_t n_operands, struct error **err);
};

/** The command of that name; NULL when there is none. */
const struct command *command_find(const char *name);

/** The i-th row of the table, in the order that help shows; NULL behind the last. */
const struct command *command_at(size_t i);

#endif
