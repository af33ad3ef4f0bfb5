#include "commands/command.h"
#include "commands/measure.h"
#include "commands/synth.h"

#include <string.h>

static const struct command *const rows[] = {
    &measure_command,
    &synth_command,
};

const struct command *command_at(size_t i)
{
    return i < sizeof rows / sizeof rows[0] ? rows[i] : NULL;
}

const struct command *command_find(const char *name)
{
    const struct command *row = NULL;

    for (size_t i = 0; (row = command_at(i)) != NULL; i++)
        if (strcmp(row->name, name) == 0)
            return row;
    return NULL;
}
