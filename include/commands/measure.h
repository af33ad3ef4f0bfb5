#ifndef AFTERFLASH_COMMANDS_MEASURE_H
#define AFTERFLASH_COMMANDS_MEASURE_H

#include "commands/command.h"

/** `afterflash measure`: reads the loops of one transfer, writes its summary. */
extern const struct command measure_command;

#endif
