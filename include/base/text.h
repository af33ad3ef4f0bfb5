#ifndef AFTERFLASH_BASE_TEXT_H
#define AFTERFLASH_BASE_TEXT_H

#include "base/contract.h"
#include "base/error.h"

#include <stdbool.h>
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

/** A growing list of sentences, each owned by the list. {0} is an empty list. */
struct text_list {
    char **items;
    size_t n;
};

/** Adds a formatted sentence. Returns false when memory ran out (list unchanged). */
bool text_list_add(struct text_list *list, const char *format, ...) PRINTF_LIKE(2, 3);

/** Adds the sentence unless the list holds the same one. Returns false when memory ran out. */
bool text_list_add_once(struct text_list *list, const char *format, ...) PRINTF_LIKE(2, 3);

/** Empties the list and frees its sentences; accepts NULL. */
void text_list_free(struct text_list *list);

/** Copies a string; NULL stays NULL. The caller frees with free(). NULL when memory ran out. */
char *text_copy(const char *text);

/** A formatted new string; the caller frees with free(). NULL when memory ran out. */
char *text_format(const char *format, ...) PRINTF_LIKE(1, 2);

/** Reads a whole string as one finite decimal number, with a point whatever the
 *  locale. False when anything but the number is there; `*value` is then unchanged. */
MUST_CHECK bool text_to_double(const char *text, double *value);

/** Reads a whole string as one decimal integer within [low, high]. As above. */
MUST_CHECK bool text_to_long(const char *text, long low, long high, long *value);

#ifdef __cplusplus
}
#endif

#endif
