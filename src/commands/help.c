#include "commands/help.h"

#include "report/tool.h"

#include <string.h>

static const char purpose[] =
    "afterflash reads the ultrasound loops recorded around an embryo transfer and\n"
    "measures how the uterus contracts, where the air bubbles that mark the embryo\n"
    "came to lie, and where they went afterwards.\n";

static const char exit_codes[] = "  0  done\n"
                                 "  2  the command line asks for something impossible\n"
                                 "  3  a file that was given cannot be used\n"
                                 "  4  a result cannot be written\n"
                                 "  5  the machine has no memory left\n";

void help_program(FILE *to)
{
    const struct command *row = NULL;

    (void)fprintf(to, "%s\nUsage: afterflash COMMAND [OPTION]... [OPERAND]...\n\nCommands:\n", purpose);
    for (size_t i = 0; (row = command_at(i)) != NULL; i++)
        (void)fprintf(to, "  %-10s %s\n", row->name, row->summary);
    (void)fprintf(to, "  %-10s %s\n", "help", "tell more of a command: afterflash help COMMAND");
    (void)fprintf(to,
                  "\nOptions before a command:\n  --help     show this\n  --version  show the versions of "
                  "the program and its libraries\n\nExit codes:\n%s\nThe result is a measurement, not a "
                  "diagnosis, and foretells no outcome.\n",
                  exit_codes);
}

static void print_option(FILE *to, const struct option_row *row)
{
    char head[80];
    int n = 0;

    n = snprintf(head, sizeof head, "--%s%s%s", row->name, row->argument == NULL ? "" : " ",
                 row->argument == NULL ? "" : row->argument);
    if (n > 22)
        (void)fprintf(to, "  %s\n%26s%s\n", head, "", row->summary);
    else
        (void)fprintf(to, "  %-22s  %s\n", head, row->summary);
    if (row->wanted != NULL)
        (void)fprintf(to, "%26s(%s)\n", "", row->wanted);
}

void help_command(FILE *to, const struct command *command)
{
    (void)fprintf(to, "Usage: afterflash %s [OPTION]...%s%s\n\n%s\n\nOptions:\n", command->name,
                  *command->operands == '\0' ? "" : " ", command->operands, command->details);
    for (size_t i = 0; i < command->n_options; i++)
        print_option(to, &command->options[i]);
    (void)fprintf(to, "  %-22s  %s\n", "--help", "show this");
}

/* mdoc takes a line that starts with a point or an apostrophe for a request, and a
 * backslash for an escape. */
static void print_mdoc_text(FILE *to, const char *text)
{
    bool is_line_start = true;

    for (; *text != '\0'; text++) {
        if (is_line_start && text[0] == '\n') {
            (void)fputs(".Pp\n", to);
            continue;
        }
        if (is_line_start && (*text == '.' || *text == '\''))
            (void)fputs("\\&", to);
        (void)fputs(*text == '\\' ? "\\e" : *text == '-' ? "\\-" : (char[]){*text, '\0'}, to);
        is_line_start = *text == '\n';
    }
    (void)fputc('\n', to);
}

static void print_manual_command(FILE *to, const struct command *command)
{
    (void)fprintf(to, ".Ss %s\n", command->name);
    (void)fprintf(to, ".Nm afterflash %s\n.Op Ar option ...\n", command->name);
    if (*command->operands != '\0')
        (void)fprintf(to, ".Ar %s\n", command->operands);
    (void)fputs(".Pp\n", to);
    print_mdoc_text(to, command->details);
    (void)fputs(".Bl -tag -width Ds\n", to);
    for (size_t i = 0; i < command->n_options; i++) {
        const struct option_row *row = &command->options[i];

        (void)fprintf(to, ".It Fl \\-%s%s%s\n", row->name, row->argument == NULL ? "" : " Ar ",
                      row->argument == NULL ? "" : row->argument);
        print_mdoc_text(to, row->summary);
        if (row->wanted != NULL) {
            (void)fputs("Wanted is\n", to);
            print_mdoc_text(to, row->wanted);
        }
    }
    (void)fputs(".El\n", to);
}

void help_manual(FILE *to)
{
    const struct command *row = NULL;

    (void)fputs(
        ".Dd $Mdocdate$\n.Dt AFTERFLASH 1\n.Os\n.Sh NAME\n.Nm afterflash\n.Nd measure the ultrasound loops "
        "of "
        "an embryo transfer\n.Sh SYNOPSIS\n.Nm afterflash\n.Ar command\n.Op Ar option ...\n.Op Ar operand "
        "...\n.Nm afterflash\n.Fl \\-help | \\-version\n.Sh DESCRIPTION\n",
        to);
    print_mdoc_text(to, purpose);
    (void)fputs(".Sh COMMANDS\n", to);
    for (size_t i = 0; (row = command_at(i)) != NULL; i++)
        print_manual_command(to, row);
    (void)fputs(
        ".Sh ENVIRONMENT\n.Bl -tag -width Ds\n.It Ev NO_COLOR\nWhen set to anything, what is shown on a "
        "terminal has no colour.\n.El\n.Sh EXIT STATUS\n.Bd -literal\n",
        to);
    (void)fprintf(to, "%s.Ed\n", exit_codes);
    (void)fputs(".Sh CAVEATS\nThe result is a measurement, not a diagnosis, and foretells no outcome.\n", to);
}

void help_version(FILE *to)
{
    struct tool_library library;

    (void)fprintf(to, "afterflash %s\n", tool_version());
    for (size_t i = 0; tool_library_at(i, &library); i++)
        (void)fprintf(to, "  %-14s %s\n", library.name, library.version);
}
