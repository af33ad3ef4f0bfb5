#include "base/error.h"
#include "commands/command.h"
#include "commands/help.h"
#include "commands/interruption.h"
#include "commands/progress.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool run_command(const struct command *command, int argc, char **argv, struct error **err)
{
    void *settings = calloc(1, command->settings_bytes + 1);
    bool wants_help = false;
    bool is_done = false;
    int first = 0;

    if (settings == NULL)
        return error_memory(err);
    if (command->defaults != NULL)
        memcpy(settings, command->defaults, command->settings_bytes);
    is_done =
        options_parse(command->options, command->n_options, argc, argv, settings, &first, &wants_help, err);
    if (is_done && wants_help)
        help_command(stdout, command);
    else if (is_done)
        is_done = command->run(settings, argv + first, (size_t)(argc - first), err);
    free(settings);
    return is_done;
}

static bool help_on(const char *name, struct error **err)
{
    const struct command *command = name == NULL ? NULL : command_find(name);

    if (name != NULL && command == NULL)
        return error_set(err, ERROR_USAGE, "%s: there is no such command; see afterflash --help", name);
    if (command == NULL)
        help_program(stdout);
    else
        help_command(stdout, command);
    return true;
}

/* What stands before a command takes no words behind it, "help" one. */
static bool run_plain(int argc, char **argv, bool *is_plain, struct error **err)
{
    const char *word = argv[1];
    bool is_help = strcmp(word, "help") == 0;
    int most = is_help ? 3 : 2;

    *is_plain = is_help || strcmp(word, "--help") == 0 || strcmp(word, "--manual") == 0 ||
                strcmp(word, "--version") == 0;
    if (!*is_plain)
        return true;
    if (argc > most)
        return error_set(err, ERROR_USAGE, "%s: takes %s, so \"%s\" is one word too many", word,
                         is_help ? "one command" : "nothing behind it", argv[most]);
    if (is_help)
        return help_on(argc < 3 ? NULL : argv[2], err);
    if (strcmp(word, "--help") == 0)
        return help_on(NULL, err);
    if (strcmp(word, "--manual") == 0) /* for the build: docs/afterflash.1 is made from the rows */
        help_manual(stdout);
    else
        help_version(stdout);
    return true;
}

static bool run(int argc, char **argv, struct error **err)
{
    const char *word = argc < 2 ? NULL : argv[1];
    const struct command *command = word == NULL ? NULL : command_find(word);
    bool is_plain = false;

    if (word == NULL)
        return error_set(err, ERROR_USAGE, "no command was given; see afterflash --help");
    if (command != NULL)
        return run_command(command, argc - 1, argv + 1, err);
    if (!run_plain(argc, argv, &is_plain, err))
        return false;
    if (is_plain)
        return true;
    if (word[0] == '-')
        return error_set(err, ERROR_USAGE,
                         "%s: there is no such option before a command; see afterflash --help", word);
    return error_set(err, ERROR_USAGE, "%s: there is no such command; see afterflash --help", word);
}

int main(int argc, char **argv)
{
    struct error *err = NULL;
    int code = 0;

    interruption_watch();
    if (run(argc, argv, &err) && (fflush(stdout) != 0 || ferror(stdout)))
        (void)error_set(&err, ERROR_OUTPUT, "standard output: cannot be written (%s)", strerror(errno));
    if (err == NULL)
        return 0;
    (void)fflush(stdout);
    code = (int)error_code(err);
    progress_print_error(error_message(err));
    error_free(&err);
    return code;
}
