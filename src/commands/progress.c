#include "commands/progress.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { BAR_CELLS = 30, NAME_CELLS = 30 };

static int is_colour_wanted(void)
{
    const char *no_color = getenv("NO_COLOR");

    return isatty(STDERR_FILENO) && (no_color == NULL || *no_color == '\0');
}

void progress_begin(struct progress *progress)
{
    progress->is_shown = isatty(STDERR_FILENO);
    progress->is_coloured = is_colour_wanted();
    progress->percent = -1;
    progress->file = NULL;
}

/* A name is shown only in part and without control characters: a file name must not steer the terminal. */
static void print_name(const char *name)
{
    for (int cell = 0; cell < NAME_CELLS && *name != '\0'; cell++, name++)
        (void)fputc((unsigned char)*name < 0x20 || *name == 0x7F ? '?' : *name, stderr);
}

void progress_show(void *context, const char *file, double fraction)
{
    struct progress *progress = context;
    int percent = fraction <= 0 ? 0 : fraction >= 1 ? 100 : (int)(100 * fraction);

    if (!progress->is_shown || (percent == progress->percent && file == progress->file))
        return;
    progress->percent = percent;
    progress->file = file;
    (void)fprintf(stderr, "\r\033[K%s", progress->is_coloured ? "\033[36m" : "");
    for (int cell = 0; cell < BAR_CELLS; cell++)
        (void)fputc(cell * 100 < percent * BAR_CELLS ? '#' : '.', stderr);
    (void)fprintf(stderr, "%s %3d %% ", progress->is_coloured ? "\033[0m" : "", percent);
    print_name(file);
    (void)fflush(stderr);
}

void progress_end(struct progress *progress)
{
    if (progress->is_shown && progress->percent >= 0)
        (void)fputs("\r\033[K", stderr);
    progress->percent = -1;
}

void progress_print_error(const char *sentence)
{
    int is_coloured = is_colour_wanted();

    (void)fprintf(stderr, "%safterflash:%s ", is_coloured ? "\033[31m" : "", is_coloured ? "\033[0m" : "");
    for (; *sentence != '\0'; sentence++)
        (void)fputc((unsigned char)*sentence < 0x20 || *sentence == 0x7F ? '?' : *sentence, stderr);
    (void)fputc('\n', stderr);
}

void progress_print_interruption(void)
{
    if (isatty(STDERR_FILENO))
        (void)fputc('\n', stderr);
    progress_print_error("interrupted; what was not finished was taken away");
}
