#ifndef AFTERFLASH_COMMANDS_SYNTH_H
#define AFTERFLASH_COMMANDS_SYNTH_H

#include "commands/command.h"

/** `afterflash synth`: writes a synthetic loop with its truth. */
extern const struct command synth_command;

#endif
