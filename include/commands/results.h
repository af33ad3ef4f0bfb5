#ifndef AFTERFLASH_COMMANDS_RESULTS_H
#define AFTERFLASH_COMMANDS_RESULTS_H

#include "measure/transfer.h"

#include <stdio.h>

/** The folder into which the results of a transfer go, and its state. */
struct results {
    char *folder;
    struct text_list made; /* folders made for it, deepest last */
    bool is_forced;
    bool is_written;
};

/** Makes sure, before anything is measured, that results can be written: makes the folder, and
 *  those above it, where it is not there; refuses when a result is there and force is false.
 *
 *  results        caller's; end with results_end, also on failure
 *  folder         NULL: "NAME-afterflash" in the working folder, NAME being that of first_operand
 *                 without its ending
 *  Errors: ERROR_OUTPUT, ERROR_MEMORY. */
MUST_CHECK bool results_prepare(struct results *results, const char *folder, const char *first_operand,
                                bool force, struct error **err);

/** Makes sure that no result would replace one of the recordings (paths): the same file, whatever its name.
 *  Errors: ERROR_OUTPUT. */
MUST_CHECK bool results_spare(const struct results *results, const struct text_list *recordings,
                              struct error **err);

/** Writes summary.json, summary.txt, waves.csv, spectrogram.csv, series.csv and motion.csv: all of them or,
 * as far as the machine allows, none. Errors: ERROR_OUTPUT, ERROR_MEMORY. */
MUST_CHECK bool results_write(struct results *results, const struct transfer *transfer,
                              const struct transfer_request *request, struct error **err);

/** Prints one line with the path of each file written. */
void results_print_paths(const struct results *results, FILE *to);

/** Ends it: takes away the folders that were made when nothing was written into them. */
void results_end(struct results *results);

#endif
