#ifndef AFTERFLASH_BASE_JSON_H
#define AFTERFLASH_BASE_JSON_H

#include "base/contract.h"
#include "base/geometry.h"
#include "base/quantity.h"
#include "base/text.h"

#include <jansson.h>
#include <stdbool.h>

/* What the outputs need over the JSON library. Each json_from_* gives a new value that the
 * caller hands to json_put (or ends with json_decref), and NULL only when memory ran out. */

/** A number rounded to `decimals` (0..9) places; JSON null when it is not finite. Never -0. */
json_t *json_from_number(double number, int decimals);

/** The value, rounded; null when it is withheld. */
json_t *json_from_quantity(struct quantity quantity, int decimals);

/** The 95 % interval as [low, high], rounded; null when there is none. */
json_t *json_from_interval(struct quantity quantity, int decimals);

/** [x, y] in pixels, to a hundredth; null when it is not known. */
json_t *json_from_point(bool is_known, struct point point);

/** A string; bytes that are not UTF-8 become U+FFFD. NULL text gives null. */
json_t *json_from_text(const char *text);

/** The sentences as a list of strings. */
json_t *json_from_text_list(const struct text_list *list);

/** Puts the value, which is taken over even on failure, under a new key at the end of the
 *  object. False when the value or the object is NULL or memory ran out. */
MUST_CHECK bool json_put(json_t *object, const char *key, json_t *value);

/** Adds the value, which is taken over even on failure, to the end of the list. As above. */
MUST_CHECK bool json_add(json_t *list, json_t *value);

/** The whole text, two spaces an indent, keys in the order they were put, a line feed at
 *  the end, numbers with a point whatever the locale. The caller frees; NULL when memory ran out. */
char *json_text(const json_t *value);

#endif
