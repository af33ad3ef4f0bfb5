#ifndef AFTERFLASH_TESTS_SUPPORT_OUTSIDE_H
#define AFTERFLASH_TESTS_SUPPORT_OUTSIDE_H

#include <stdbool.h>
#include <stddef.h>

/* What the checks against outside facts share: real samples and general Python libraries. */

/** Path of a real sample: in $AFTERFLASH_SAMPLES, else in ../shared/samples.
 *  False when it is not there; the test then calls skip(). */
bool outside_sample(char *path, size_t size, const char *name);

/** Runs tests/outside/general_libraries.py with the given arguments and reads the numbers
 *  that it prints; returns how many (at most `most`). Fails the test when the script fails. */
size_t outside_numbers(double *values, size_t most, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/** Reads width_px x height_px raw 32-bit floats; the caller frees. Fails the test when they are not there. */
float *outside_raw(const char *path, size_t n);

/** A fresh folder for a test's files; the caller ends it with outside_folder_remove. */
void outside_folder(char path[64]);
void outside_folder_remove(const char *path);

#endif
