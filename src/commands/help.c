#include "commands/help.h"

#include "base/text.h"
#include "report/paragraph.h"
#include "report/tool.h"

#include <stdlib.h>
#include <string.h>

enum { OPTION_COLUMNS = 26 };

static const char purpose[] =
    "afterflash reads the ultrasound loops recorded around an embryo transfer and\n"
    "measures how the uterus contracts, where the air bubbles that mark the embryo\n"
    "came to lie, and where they went afterwards.\n";

static const char exit_codes[] =
    "  0  done\n"
    "  2  the command line asks for something impossible\n"
    "  3  a file that was given cannot be used\n"
    "  4  a result cannot be written\n"
    "  5  the machine has no memory left\n"
    "\n"
    "Interrupted (SIGINT, SIGTERM, SIGHUP) it takes away what is not finished and\n"
    "ends by that signal, which a shell shows as 130, 143 or 129.\n";

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

static void print_entry(FILE *to, const char *head, const char *text)
{
    char first[OPTION_COLUMNS + 1];

    if (strlen(head) > OPTION_COLUMNS - 2) {
        (void)fprintf(to, "%s\n", head);
        head = "";
    }
    (void)snprintf(first, sizeof first, "%-*s", OPTION_COLUMNS, head);
    paragraph_write(to, first, "                          ", text);
}

static void print_option(FILE *to, const struct option_row *row)
{
    char *head = text_format("  --%s%s%s", row->name, row->argument == NULL ? "" : " ",
                             row->argument == NULL ? "" : row->argument);
    char *text =
        row->wanted == NULL ? text_copy(row->summary) : text_format("%s: %s", row->summary, row->wanted);

    if (head != NULL && text != NULL)
        print_entry(to, head, text);
    free(head);
    free(text);
}

void help_command(FILE *to, const struct command *command)
{
    (void)fprintf(to, "Usage: afterflash %s [OPTION]...%s%s\n\n%s\n\nOptions:\n", command->name,
                  *command->operands == '\0' ? "" : " ", command->operands, command->details);
    for (size_t i = 0; i < command->n_options; i++)
        print_option(to, &command->options[i]);
    print_entry(to, "  --help", "show this");
}

/* A line that starts with a point or an apostrophe is a request to mdoc, a backslash an escape. */
static void print_mdoc_text(FILE *to, const char *text)
{
    bool is_line_start = true;

    for (; *text != '\0'; text++) {
        if (is_line_start && (*text == '.' || *text == '\''))
            (void)fputs("\\&", to);
        if (*text == '\\')
            (void)fputs("\\e", to);
        else
            (void)fputc(*text, to);
        is_line_start = *text == '\n';
    }
}

static void print_mdoc_block(FILE *to, const char *text)
{
    (void)fputs(".Bd -literal\n", to);
    print_mdoc_text(to, text);
    (void)fputs(text[strlen(text) - 1] == '\n' ? ".Ed\n" : "\n.Ed\n", to);
}

static void print_manual_option(FILE *to, const struct option_row *row)
{
    (void)fprintf(to, ".It Fl \\-%s%s%s\n", row->name, row->argument == NULL ? "" : " Ar ",
                  row->argument == NULL ? "" : row->argument);
    print_mdoc_text(to, row->summary);
    if (row->wanted != NULL && strstr(row->summary, row->wanted) == NULL) {
        (void)fputs(":\n", to);
        print_mdoc_text(to, row->wanted);
    }
    (void)fputc('\n', to);
}

static void print_manual_command(FILE *to, const struct command *command)
{
    (void)fprintf(to, ".Ss %s\n.Nm afterflash %s\n.Op Ar option ...\n", command->name, command->name);
    if (*command->operands != '\0')
        (void)fprintf(to, ".Ar %s\n", command->operands);
    print_mdoc_block(to, command->details);
    if (command->n_options == 0)
        return;
    (void)fputs(".Bl -tag -width Ds\n", to);
    for (size_t i = 0; i < command->n_options; i++)
        print_manual_option(to, &command->options[i]);
    (void)fputs(".El\n", to);
}

void help_manual(FILE *to)
{
    const struct command *row = NULL;

    (void)fputs(".Dd November 25, 2026\n.Dt AFTERFLASH 1\n.Os\n.Sh NAME\n.Nm afterflash\n"
                ".Nd measure the ultrasound loops of an embryo transfer\n.Sh SYNOPSIS\n"
                ".Nm afterflash\n.Ar command\n.Op Ar option ...\n.Op Ar operand ...\n"
                ".Nm afterflash\n.Fl \\-help | \\-version\n.Sh DESCRIPTION\n",
                to);
    print_mdoc_text(to, purpose);
    (void)fputs(".Sh COMMANDS\n", to);
    for (size_t i = 0; (row = command_at(i)) != NULL; i++)
        print_manual_command(to, row);
    (void)fputs(".Sh ENVIRONMENT\n.Bl -tag -width Ds\n.It Ev NO_COLOR\n"
                "When set and not empty, what is shown on a terminal has no colour.\n"
                ".It Ev TERM\n"
                "When dumb, empty or not set, the same.\n.El\n"
                ".Sh EXIT STATUS\n",
                to);
    print_mdoc_block(to, exit_codes);
    (void)fputs(".Sh CAVEATS\nThe result is a measurement, not a diagnosis, and foretells no outcome.\n", to);
}

void help_version(FILE *to)
{
    struct tool_library library;

    (void)fprintf(to, "afterflash %s\n", tool_version());
    for (size_t i = 0; tool_library_at(i, &library); i++)
        (void)fprintf(to, "  %-14s %s\n", library.name, library.version);
}
