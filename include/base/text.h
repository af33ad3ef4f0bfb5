#ifndef AFTERFLASH_BASE_TEXT_H
#define AFTERFLASH_BASE_TEXT_H

#include "base/contract.h"
#include "base/error.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

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

/** Bytes of the well-formed UTF-8 sequence that a text begins with (RFC 3629); 0 where it begins with none.
 * An empty text begins with one of 1 byte. */
size_t text_sequence_bytes(const char *text);

/** Bytes of the first character of a text; what is no UTF-8 is taken byte by byte. An empty text has 1. */
size_t text_character_bytes(const char *text);

/** Writes the first character of a text that is not empty, so that what is written is always UTF-8 and steers
 *  no terminal: `control` stands for a control character (U+0000 to U+001F, U+007F to U+009F), U+FFFD for a
 *  byte that is no UTF-8. Returns the bytes of the text that it took. */
size_t text_write_character(FILE *to, const char *text, char control);

/** Writes a whole text by text_write_character. */
void text_write(FILE *to, const char *text, char control);

#ifdef __cplusplus
}
#endif

#endif
