#ifndef AFTERFLASH_COMMANDS_HELP_H
#define AFTERFLASH_COMMANDS_HELP_H

#include "commands/command.h"

#include <stdio.h>

/** Prints what the program is for and which commands it has. */
void help_program(FILE *to);

/** Prints usage, details and options of one command. */
void help_command(FILE *to, const struct command *command);

/** Prints the manual page (mdoc), made from the same rows. */
void help_manual(FILE *to);

/** Prints the program's version and those of the libraries that it runs with. */
void help_version(FILE *to);

#endif
