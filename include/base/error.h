#ifndef AFTERFLASH_BASE_ERROR_H
#define AFTERFLASH_BASE_ERROR_H

#include "base/contract.h"

#include <stdbool.h>

#ifdef __cplusplus
extern "C" {
#endif

/** What kind of failure; the value is the exit code of the program. */
enum error_code {
    ERROR_USAGE = 2,  /* the command line asks for something impossible */
    ERROR_INPUT = 3,  /* a file that we were given cannot be used */
    ERROR_OUTPUT = 4, /* a result cannot be written */
    ERROR_MEMORY = 5, /* the machine has no memory left */
};

/** A failure on its way up: a code and a sentence that gains context. */
struct error;

/** Sets `*err` to a new error, unless err is NULL or already holds one.
 *  The sentence says what happened, to which file, and what to do; no full
 *  stop, no line feed. Returns false always, so that a fallible function
 *  fails in one line: `return error_set(err, ERROR_INPUT, "...")`. */
bool error_set(struct error **err, enum error_code code, const char *format, ...) PRINTF_LIKE(3, 4);

/** Puts "context: " in front of the sentence of `*err`. Returns false always. */
bool error_context(struct error **err, const char *format, ...) PRINTF_LIKE(2, 3);

/** An error that says that memory ran out. Never allocates. Returns false. */
bool error_memory(struct error **err);

/** The sentence; borrowed, never NULL. err must not be NULL. */
const char *error_message(const struct error *err);

/** The code; err must not be NULL. */
enum error_code error_code(const struct error *err);

/** Ends an error; accepts NULL, leaves NULL. */
void error_free(struct error **err);

#ifdef __cplusplus
}
#endif

#endif
