#ifndef AFTERFLASH_TESTS_LOOP_FIXTURE_H
#define AFTERFLASH_TESTS_LOOP_FIXTURE_H

#include "media/loop.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Loops read to their end, for tests. */

/** What a loop gave. {0} is empty; end with loop_fixture_free. */
struct loop_fixture {
    struct loop *loop; /* rewound */
    struct error *err; /* of an open that failed, else NULL */
    size_t n;          /* frames */
    double *times_s;
    size_t *indexes;
    uint8_t *luma; /* all frames one after the other */
    size_t frame_bytes;
};

/** Opens a loop and reads it to its end, twice, and fails the test when the second reading differs.
 *  False when it cannot be opened (err says why); fails the test when reading fails. */
bool loop_fixture_read(struct loop_fixture *fixture, const char *path);

/** Whether one of its problems has these words in it. */
bool loop_fixture_tells(const struct loop_fixture *fixture, const char *words);

/** Fails the test unless the loop is refused as input (exit code 3) with a sentence that has these words in
 * it. */
void loop_fixture_refused(const char *path, const char *words);

void loop_fixture_free(struct loop_fixture *fixture);

/** Runs a shell command; fails the test when it fails. */
void loop_fixture_run(const char *format, ...) __attribute__((format(printf, 1, 2)));

/** Runs a shell command and reads the numbers that it prints, at most `most`. */
size_t loop_fixture_numbers(double *values, size_t most, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

#endif
