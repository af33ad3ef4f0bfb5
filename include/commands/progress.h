#ifndef AFTERFLASH_COMMANDS_PROGRESS_H
#define AFTERFLASH_COMMANDS_PROGRESS_H

#include <stdbool.h>

/** A line on stderr that says how far the work is: shown only when stderr is a terminal. Without colour, and
 *  without any escape sequence, when NO_COLOR is set and not empty or the terminal can do none (TERM is dumb,
 *  empty or not set). */
struct progress {
    bool is_shown;
    bool is_coloured;
    int percent; /* last shown, -1 none */
    int n_cells; /* that the last line took */
    const char *file;
};

/** Begins; looks at stderr and the environment. */
void progress_begin(struct progress *progress);

/** Shows that `fraction` (0..1) of `file` is done. Fits transfer_request.progress; context is the struct
 * progress. */
void progress_show(void *context, const char *file, double fraction);

/** Takes the line away. */
void progress_end(struct progress *progress);

/** Says on stderr that the run was ended from outside, on a line of its own. */
void progress_print_interruption(void);

/** Prints the one error of a run on stderr; the word before it is red on a terminal with colour. */
void progress_print_error(const char *sentence);

#endif
