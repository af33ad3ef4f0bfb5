#include "commands/progress.h"

#include "base/text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { BAR_CELLS = 30, NAME_CELLS = 30 };

static const char *value_of(const char *variable)
{
    const char *value = getenv(variable);

    return value == NULL ? "" : value;
}

/* NO_COLOR: no-color.org. A terminal whose TERM is dumb has no escape sequences (terminfo). */
static bool is_colour_wanted(void)
{
    const char *terminal = value_of("TERM");

    return isatty(STDERR_FILENO) && *value_of("NO_COLOR") == '\0' && *terminal != '\0' &&
           strcmp(terminal, "dumb") != 0;
}

void progress_begin(struct progress *progress)
{
    progress->is_shown = isatty(STDERR_FILENO);
    progress->is_coloured = is_colour_wanted();
    progress->percent = -1;
    progress->n_cells = 0;
    progress->file = NULL;
}

/* A name is shown only in part and without control characters: a file name must not steer the terminal. */
static int print_name(const char *name)
{
    int cell = 0;

    for (; cell < NAME_CELLS && *name != '\0'; cell++)
        name += text_write_character(stderr, name, '?');
    return cell;
}

/* What a shorter line leaves of the one before is overwritten, so that no escape sequence is needed. */
static void print_blanks(int n)
{
    (void)fprintf(stderr, "%*s", n > 0 ? n : 0, "");
}

void progress_show(void *context, const char *file, double fraction)
{
    struct progress *progress = context;
    int n_cells = BAR_CELLS + (int)strlen(" 100 % ");
    int percent = fraction <= 0 ? 0 : fraction >= 1 ? 100 : (int)(100 * fraction);

    if (!progress->is_shown || (percent == progress->percent && file == progress->file))
        return;
    progress->percent = percent;
    progress->file = file;
    (void)fprintf(stderr, "\r%s", progress->is_coloured ? "\033[36m" : "");
    for (int cell = 0; cell < BAR_CELLS; cell++)
        (void)fputc(cell * 100 < percent * BAR_CELLS ? '#' : '.', stderr);
    (void)fprintf(stderr, "%s %3d %% ", progress->is_coloured ? "\033[0m" : "", percent);
    n_cells += print_name(file);
    print_blanks(progress->n_cells - n_cells);
    progress->n_cells = n_cells;
    (void)fflush(stderr);
}

void progress_end(struct progress *progress)
{
    if (progress->is_shown && progress->percent >= 0) {
        (void)fputc('\r', stderr);
        print_blanks(progress->n_cells);
        (void)fputc('\r', stderr);
    }
    progress->percent = -1;
    progress->n_cells = 0;
}

void progress_print_error(const char *sentence)
{
    bool is_coloured = is_colour_wanted();

    (void)fprintf(stderr, "%safterflash:%s ", is_coloured ? "\033[31m" : "", is_coloured ? "\033[0m" : "");
    text_write(stderr, sentence, '?');
    (void)fputc('\n', stderr);
}

void progress_print_interruption(void)
{
    if (isatty(STDERR_FILENO))
        (void)fputc('\n', stderr);
    progress_print_error("interrupted; what was not finished was taken away");
}
